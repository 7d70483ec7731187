"""A font looked at before it is offered: its licence, what may be embedded, which languages it has the letters
of, and from which height each recipe burns it."""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import icu
from fontTools.ttLib import TTFont, TTLibError

from layout.check.feasibility import check
from layout.lettering.fonts import FontRefused, open_font
from layout.shop.findings import Verdict
from layout.shop.inscriptions import TextInscription
from layout.shop.outline import Outline
from layout.shop.shop import FontSpec, Shop
from service.records.errors import BadRequest
from service.shop.catalogue.files import FONT_ENDINGS
from service.shop.smallest_sizes import NEVER, kept, processes_of, work_out

#: A specimen's words, without letters that many fonts lack.
WORDS = "Rag 358"
#: Names of the `name` table (OpenType specification, name IDs).
_FAMILY, _STYLE, _LICENCE, _LICENCE_ADDRESS, _PREFERRED_FAMILY, _PREFERRED_STYLE = 1, 2, 13, 14, 16, 17
#: Licences told by words that stand in their text or address.
_LICENCES = (
    ("OFL-1.1", ("open font license", "openfontlicense", "scripts.sil.org/ofl")),
    ("Apache-2.0", ("apache license", "apache.org/licenses")),
    ("UFL-1.0", ("ubuntu font licence",)),
    ("CC0-1.0", ("creativecommons.org/publicdomain/zero", "cc0")),
)
#: What `OS/2.fsType` says (OpenType specification, OS/2 table); 0 in the low bits is "installable".
_EMBEDDING = {
    0x0002: "restricted: its maker's leave is needed",
    0x0004: "for viewing and printing only",
    0x0008: "for documents that may be edited",
}
#: So many missing letters are named.
_MOST_MISSING = 6


@dataclass(frozen=True, slots=True)
class Look:
    """What a font file says of itself. `languages` are English names; `nearly` are languages of which a few
    letters are missing, with those."""

    package: str | None
    file: str
    name: str
    licence: str
    licence_text: str
    embedding: str
    axes: dict[str, tuple[float, float, float]]
    glyphs: int
    sha256: str
    languages: tuple[str, ...]
    nearly: tuple[tuple[str, str], ...]
    data: bytes = field(repr=False)

    @property
    def suggested(self) -> dict[str, Any]:
        """Its entry for the shop's list of fonts."""
        entry: dict[str, Any] = {
            "font": re.sub(r"[^a-z0-9]+", "-", self.name.lower()).strip("-")[:60] or "font",
            "name": self.name[:120],
            "kind": "outline",
            "style": "other",
            "licence": self.licence,
            "file": self.file,
            "sha256": self.sha256,
        }
        if self.package is not None:
            entry["package"] = self.package
        if self.axes:
            entry["axes"] = {tag: default for tag, (_, default, _) in self.axes.items()}
        return entry

    def spec(self) -> FontSpec:
        """The font as the shop would have it, with its axes at their defaults."""
        axes = tuple(sorted((tag, default) for tag, (_, default, _) in self.axes.items()))
        return FontSpec(
            self.suggested["font"],
            self.name,
            "outline",
            "other",
            self.licence,
            self.data,
            self.sha256,
            0,
            axes,
        )


def looks(where: str) -> Iterator[Look]:
    """Every TTF and OTF file of a folder, a file alone, or an installed package. Raises BadRequest where there
    is none, and for a file that is no font."""
    path = Path(where)
    found: list[tuple[str | None, str, bytes]] = []
    if path.is_file():
        found = [(None, path.name, path.read_bytes())]
    elif path.is_dir():
        found = [
            (None, one.name, one.read_bytes())
            for one in sorted(path.rglob("*"))
            if one.suffix in FONT_ENDINGS
        ]
    elif re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", where.replace("-", "_")):
        package = where.replace("-", "_")
        try:
            root = Path(str(files(package)))
        except ModuleNotFoundError:
            raise BadRequest(f"{where} is neither a folder nor an installed package", field="where") from None
        found = [
            (package, one.relative_to(root).as_posix(), one.read_bytes())
            for one in sorted(root.rglob("*"))
            if one.suffix in FONT_ENDINGS
        ]
    if not found:
        raise BadRequest(f"{where}: no TTF or OTF file there", field="where")
    return (look(data, package, name) for package, name, data in found)


def look(data: bytes, package: str | None, file: str) -> Look:
    """What one font file says of itself. Raises BadRequest for one that can't be read."""
    try:
        font = TTFont(io.BytesIO(data), lazy=True)
        names, letters = font["name"], frozenset(font.getBestCmap() or {})
        embedding = _embedding(int(font["OS/2"].fsType)) if "OS/2" in font else "it does not say"
        axes = (
            {a.axisTag: (a.minValue, a.defaultValue, a.maxValue) for a in font["fvar"].axes}
            if "fvar" in font
            else {}
        )
        glyphs = len(font.getGlyphOrder())
    except (TTLibError, KeyError, ValueError, AssertionError, OSError) as error:
        raise BadRequest(f"{file} is no font that can be read: {error}", field="file") from error
    text = _named(names, _LICENCE) or _named(names, _LICENCE_ADDRESS)
    has, nearly = _languages(letters)
    family = _named(names, _PREFERRED_FAMILY) or _named(names, _FAMILY) or file
    style = _named(names, _PREFERRED_STYLE) or _named(names, _STYLE)
    return Look(
        package=package,
        file=file,
        name=family if style in ("", "Regular") else f"{family} {style}",
        licence=_licence(f"{text} {_named(names, _LICENCE_ADDRESS)}"),
        licence_text=text,
        embedding=embedding,
        axes=axes,
        glyphs=glyphs,
        sha256=hashlib.sha256(data).hexdigest(),
        languages=has,
        nearly=nearly,
        data=data,
    )


@dataclass(frozen=True, slots=True)
class InZone:
    """A font in a zone: by process, the smallest height (mm; None: never, or not measured yet where
    `is_measured` says so), and the specimen as it would be frozen there, None where it is refused, with why."""

    blade: str
    zone: str
    smallest: dict[str, float | None]
    is_measured: bool
    height_mm: float | None
    specimen: Outline | None
    why_not: str


def in_zones(shop: Shop, spec: FontSpec, folder: Path, *, measure: bool) -> Iterator[InZone]:
    """The font in every zone that takes words, once for each blade. `folder` keeps what is measured of fonts;
    `measure`: work out what is not known yet, which takes seconds for each recipe."""
    from dataclasses import replace

    open_font(spec)
    seen: set[tuple[str, str]] = set()
    for product in shop.products.values():
        blade = shop.blades[product.blade]
        for face in blade.faces:
            for zone in face.zones:
                if "text" not in zone.kinds or (product.blade, zone.zone) in seen:
                    continue
                seen.add((product.blade, zone.zone))
                sizes: dict[str, float | None] = {}
                is_measured = True
                for recipe in processes_of(shop, product.sku, zone):
                    size = kept(spec, recipe, shop.policy, folder)
                    if size is None and measure:
                        size = work_out(spec, recipe, shop.policy, folder)
                    is_measured = is_measured and size is not None
                    sizes[recipe.process] = None if size in (None, NEVER) else size
                tried = replace(zone, fonts=(*zone.fonts, spec.font))
                faces = tuple(
                    replace(other, zones=tuple(tried if z is zone else z for z in other.zones))
                    for other in blade.faces
                )
                trial = replace(
                    shop,
                    fonts={**shop.fonts, spec.font: spec},
                    blades={**shop.blades, product.blade: replace(blade, faces=faces)},
                )
                result = check(trial, product.sku, [TextInscription(zone.zone, WORDS, spec.font)])
                refused = result.verdict is Verdict.REFUSE
                yield InZone(
                    product.blade,
                    zone.zone,
                    sizes,
                    is_measured,
                    result.inscriptions[0].size_mm if result.inscriptions else None,
                    result.marks[0].outline if result.marks and not refused else None,
                    result.findings[0].message if refused and result.findings else "",
                )


# --- steps ---


def _named(names: Any, number: int) -> str:
    return " ".join((names.getDebugName(number) or "").split())


def _licence(text: str) -> str:
    low = text.lower()
    return next((name for name, words in _LICENCES if any(word in low for word in words)), "unknown")


def _embedding(bits: int) -> str:
    said = next(
        (words for bit, words in _EMBEDDING.items() if bits & bit), "installable: no limit to embedding"
    )
    if bits & 0x0100:
        said += "; whole, not in parts"
    if bits & 0x0200:
        said += "; as bitmaps only"
    return said


@cache
def _exemplars() -> tuple[tuple[str, frozenset[int]], ...]:
    """The letters of every language that ICU has them of (CLDR exemplar characters), by its English name."""
    found: dict[str, frozenset[int]] = {}
    for tag, locale in sorted(icu.Locale.getAvailableLocales().items()):
        if locale.getCountry() or locale.getVariant():
            continue
        letters = icu.LocaleData(tag).getExemplarSet(0, 0)
        points = {ord(c) for one in letters for c in str(one)}
        points |= {ord(c) for one in letters for c in str(one).upper()}
        name = str(locale.getDisplayName(icu.Locale.getEnglish()))
        if points:
            found[name] = frozenset(points)
    return tuple(found.items())


def _languages(letters: frozenset[int]) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    has, nearly = [], []
    for name, points in _exemplars():
        missing = sorted(points - letters)
        if not missing:
            has.append(name)
        elif len(missing) <= _MOST_MISSING and len(missing) * 4 < len(points):
            nearly.append((name, " ".join(map(chr, missing))))
    return tuple(has), tuple(nearly)


__all__ = ["WORDS", "FontRefused", "InZone", "Look", "in_zones", "look", "looks"]
