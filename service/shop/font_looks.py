"""A font looked at before it is offered: its licence, what it says of embedding, which languages it has the
letters of, from which height each process burns it in each zone, and words in it as they would be burned."""

from __future__ import annotations

import base64
import hashlib
import io
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.metadata import distributions
from importlib.resources import files
from pathlib import Path, PurePosixPath
from typing import Any, Literal

import icu
from fontTools.ttLib import TTFont, TTLibError

from layout.check.feasibility import check
from layout.lettering.font_file import FontRefused
from layout.lettering.fonts import Font, open_font
from layout.pictures.burned import boldest, burned_shape
from layout.pictures.set_words import outline_svg
from layout.shop.blades import Blade, Face, Zone
from layout.shop.findings import Finding, Severity
from layout.shop.inscriptions import TextInscription
from layout.shop.outline import Outline
from layout.shop.shop import FontSpec, Shop
from service.records.errors import BadRequest
from service.shop.catalogue.files import FONT_ENDINGS, MOST_BYTES
from service.shop.smallest_sizes import NEVER, kept, work_out
from service.shop.zone_trial import Missing, shop_around

Embedding = Literal["installable", "editable", "print", "restricted", "unsaid"]

#: A specimen's words: the first that the font has the letters of.
SPECIMENS = ("Rag 358", "Жар 358", "Ρέα 358", "שלום", "سلام", "नमस्ते")
#: IDs of the `name` table (OpenType specification).
_FAMILY, _STYLE, _LICENCE, _LICENCE_ADDRESS, _TYPOGRAPHIC_FAMILY, _TYPOGRAPHIC_STYLE = 1, 2, 13, 14, 16, 17
#: Licences (SPDX) told by words that stand in their text or address.
_LICENCES = (
    ("OFL-1.1", ("open font license", "openfontlicense", "scripts.sil.org/ofl")),
    ("Apache-2.0", ("apache license", "apache.org/licenses")),
    ("CC0-1.0", ("creativecommons.org/publicdomain/zero",)),
)
UNKNOWN_LICENCE = "unknown"
#: What bits of `OS/2.fsType` allow, the most first: where a font sets several, the least restrictive counts
#: (OpenType specification, OS/2 table).
_EMBEDDING: tuple[tuple[int, Embedding], ...] = (
    (0x0008, "editable"),
    (0x0004, "print"),
    (0x0002, "restricted"),
)
_NO_SUBSETTING, _BITMAPS_ONLY = 0x0100, 0x0200
#: So many missing letters are named.
_MOST_MISSING = 6
#: What a file in the shop's folder may be called.
_NOT_PLAIN = re.compile(r"[^A-Za-z0-9_.-]+")


@dataclass(frozen=True, slots=True)
class Look:
    """What a font file says of itself. `package`: None for a file from a folder. `licence`: its SPDX name, or
    UNKNOWN_LICENCE; `licence_text`: the file's own words. `axes`: least, default and most by tag.
    `languages` are CLDR tags of those whose letters it has all; `nearly` those that lack a few, with them."""

    package: str | None
    file: str
    name: str
    licence: str
    licence_text: str
    embedding: Embedding
    is_whole_only: bool
    is_bitmaps_only: bool
    axes: dict[str, tuple[float, float, float]]
    glyphs: int
    sha256: str
    languages: tuple[str, ...]
    nearly: tuple[tuple[str, str], ...]
    data: bytes = field(repr=False)

    def entry(self, axes: Mapping[str, float] | None = None, name: str = "") -> dict[str, Any]:
        """Its entry for the shop's list of fonts; axes that are not given stay at their defaults. Raises
        BadRequest for an axis that it does not have, or a value beyond the axis."""
        named = " ".join((name or self.name).split())[:120]
        entry: dict[str, Any] = {
            "font": re.sub(r"[^a-z0-9]+", "-", named.lower()).strip("-")[:60] or "font",
            "name": named,
            "kind": "outline",
            "style": "other",
            "licence": self.licence,
        }
        if self.package is not None:
            entry["package"] = self.package
        entry |= {"file": self.file, "sha256": self.sha256}
        if fixed := self._fixed(axes or {}):
            entry["axes"] = fixed
        return entry

    def _fixed(self, axes: Mapping[str, float]) -> dict[str, float]:
        for tag, value in axes.items():
            if tag not in self.axes:
                raise BadRequest(f"{self.name} has no axis {tag}", field="axes")
            least, _, most = self.axes[tag]
            if not least <= value <= most:
                raise BadRequest(f"axis {tag} goes from {least:g} to {most:g}", field="axes")
        return {tag: axes.get(tag, default) for tag, (_, default, _) in self.axes.items()}

    def spec(self, entry: Mapping[str, Any]) -> FontSpec:
        """The font as the shop would have it by an entry of `entry`."""
        return FontSpec(
            font=entry["font"],
            name=entry["name"],
            kind="outline",
            style=entry["style"],
            licence=entry["licence"],
            data=self.data,
            sha256=self.sha256,
            axes=tuple(sorted(entry.get("axes", {}).items())),
        )

    def file_text(self) -> str:
        """The file as the description keeps it. Raises BadRequest for one that is too large for that."""
        if len(self.data) > MOST_BYTES:
            raise BadRequest(
                f"{self.file} is larger than 1 MB: a font as large comes as a package", field="file"
            )
        return base64.b64encode(self.data).decode("ascii")


@dataclass(frozen=True, slots=True)
class InZone:
    """A font in a zone. `smallest_mm` by process: the smallest height there, None for never; processes that
    are not worked out yet are left out. `specimen`: the words as burned (SVG), empty where there is nothing
    to show, at `height_mm`; `why_not`: what the check refuses them for. `stood_in`: what the shop does not
    have yet for the zone."""

    blade: str
    blade_name: str
    zone: str
    words: str
    smallest_mm: dict[str, float | None]
    unmeasured: tuple[str, ...]
    height_mm: float | None
    specimen: str
    why_not: Finding | None
    stood_in: frozenset[Missing]


def found_at(where: str) -> list[tuple[str | None, str, bytes]]:
    """Every TTF and OTF file of a folder, a file alone, or an installed package: package, name, bytes, as
    `look` takes them. Raises BadRequest where there is none."""
    path, package = Path(where), where.replace("-", "_")
    found: list[tuple[str | None, str, bytes]] = []
    if path.is_file():
        found = [(None, plain_name(path.name), path.read_bytes())]
    elif path.is_dir():
        found = [
            (None, plain_name(one.name), one.read_bytes())
            for one in sorted(path.rglob("*"))
            if one.suffix.lower() in FONT_ENDINGS
        ]
    elif re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", package):
        try:
            root = Path(str(files(package)))
        except ModuleNotFoundError:
            raise BadRequest(f"{where} is no folder, file or installed package", field="where") from None
        found = [
            (package, one.relative_to(root).as_posix(), one.read_bytes())
            for one in sorted(root.rglob("*"))
            if one.suffix in FONT_ENDINGS
        ]
    if not found:
        raise BadRequest(f"{where}: no TTF or OTF file there", field="where")
    return found


@cache
def installed() -> dict[str, tuple[str, ...]]:
    """Font files of installed packages that are named for fonts, by package."""
    found: dict[str, list[str]] = {}
    for distribution in distributions():
        if "font" not in distribution.name.lower():
            continue
        for file in distribution.files or ():
            package, _, inner = PurePosixPath(file).as_posix().partition("/")
            if file.suffix in FONT_ENDINGS and inner and package.isidentifier():
                found.setdefault(package, []).append(inner)
    return {package: tuple(sorted(names)) for package, names in sorted(found.items())}


def installed_file(package: str, file: str) -> bytes:
    """A font file of `installed`."""
    return files(package).joinpath(file).read_bytes()


def look(data: bytes, package: str | None, file: str) -> Look:
    """What one font file says of itself. Raises BadRequest for one that can't be read."""
    try:
        font = TTFont(io.BytesIO(data), lazy=True)
        names, letters = font["name"], frozenset(font.getBestCmap() or {})
        bits = int(font["OS/2"].fsType) if "OS/2" in font else None
        axes = (
            {a.axisTag: (a.minValue, a.defaultValue, a.maxValue) for a in font["fvar"].axes}
            if "fvar" in font
            else {}
        )
        glyphs = int(font["maxp"].numGlyphs)
    except (TTLibError, KeyError, ValueError, AssertionError, OSError) as error:
        raise BadRequest(f"{file} is no font that can be read: {error}", field="file") from error
    text, address = _named(names, _LICENCE), _named(names, _LICENCE_ADDRESS)
    languages, nearly = _languages(letters)
    family = _named(names, _TYPOGRAPHIC_FAMILY) or _named(names, _FAMILY) or file
    style = _named(names, _TYPOGRAPHIC_STYLE) or _named(names, _STYLE)
    return Look(
        package=package,
        file=file,
        name=family if style in ("", "Regular") else f"{family} {style}",
        licence=_licence(f"{text} {address}"),
        licence_text=text or address,
        embedding=_embedding(bits),
        is_whole_only=bool((bits or 0) & _NO_SUBSETTING),
        is_bitmaps_only=bool((bits or 0) & _BITMAPS_ONLY),
        axes=axes,
        glyphs=glyphs,
        sha256=hashlib.sha256(data).hexdigest(),
        languages=languages,
        nearly=nearly,
        data=data,
    )


def plain_name(name: str) -> str:
    """What a font file may be called in the shop's folder.

    >>> plain_name("My Font (1).TTF")
    'My-Font-1.ttf'
    """
    stem, _, ending = name.rpartition(".")
    return f"{_NOT_PLAIN.sub('-', stem).strip('-.') or 'font'}.{ending.lower()}"


def language_name(tag: str, spoken: str = "en") -> str:
    """What a language is called in another.

    >>> language_name("de"), language_name("de", "de")
    ('German', 'Deutsch')
    """
    return str(icu.Locale(tag).getDisplayName(icu.Locale(spoken)))


def in_zones(shop: Shop, spec: FontSpec, folder: Path, *, measure: bool) -> list[InZone]:
    """The font in every zone that takes words, once for each blade. `folder` keeps what is measured of fonts;
    `measure`: work out what is not kept yet, which takes up to seconds for each process. Raises BadRequest
    for a font that can't be set."""
    font = must_open(spec)
    words = next((s for s in SPECIMENS if all(map(font.covers, s.replace(" ", "")))), SPECIMENS[0])
    tried = replace(shop, fonts={spec.font: spec}, artworks={})
    return [_in_zone(tried, spec, words, place, folder, measure=measure) for place in _places(shop)]


def must_open(spec: FontSpec) -> Font:
    """The font, ready to be set. Raises BadRequest for one that can't be engraved."""
    try:
        return open_font(spec)
    except FontRefused as refused:
        raise BadRequest(f"{spec.name} can't be engraved: {refused}", field="file") from refused


# --- steps ---


def _places(shop: Shop) -> Iterator[tuple[Blade, Face, Zone]]:
    for blade in shop.blades.values():
        for face in blade.faces:
            for zone in face.zones:
                if "text" in zone.kinds:
                    yield blade, face, zone


def _in_zone(
    shop: Shop,
    spec: FontSpec,
    words: str,
    place: tuple[Blade, Face, Zone],
    folder: Path,
    *,
    measure: bool,
) -> InZone:
    blade, face, zone = place
    own = replace(zone, fonts=(spec.font,))
    face = replace(face, zones=tuple(own if other is zone else other for other in face.zones))
    blade = replace(blade, faces=tuple(face if other.face == face.face else other for other in blade.faces))
    around = shop_around(shop, blade, face, own, sku="", font=spec.font)
    smallest: dict[str, float | None] = {}
    unmeasured: list[str] = []
    for process in around.shop.processes.values() if "process" not in around.missing else ():
        size = kept(spec, process, shop.policy, folder)
        if size is None and measure:
            size = work_out(spec, process, shop.policy, folder)
        if size is None:
            unmeasured.append(process.process)
        else:
            least = max(size, zone.min_height_mm)
            smallest[process.process] = least if size != NEVER and least <= zone.max_height_mm else None
    result = check(around.shop, around.sku, [TextInscription(zone.zone, words, spec.font)])
    checked = result.inscriptions[0] if result.inscriptions else None
    mark = checked.mark if checked is not None else None
    refused = next((f for f in result.findings if f.severity is Severity.REFUSE), None)
    picture = ""
    if mark is not None and not mark.outline.is_empty and not (refused and refused.code == "missing_glyph"):
        surface = around.shop.surface_of(around.sku, zone.zone)
        burned = burned_shape(mark, boldest(around.shop, surface, tuple(around.shop.stations)))
        picture = outline_svg(Outline(tuple(_polygons(burned))))
    return InZone(
        blade=blade.blade,
        blade_name=blade.name,
        zone=zone.zone,
        words=words,
        smallest_mm=smallest,
        unmeasured=tuple(unmeasured),
        height_mm=checked.size_mm if checked is not None else None,
        specimen=picture,
        why_not=refused,
        stood_in=around.missing,
    )


def _polygons(shape: Any) -> Iterator[Any]:
    for part in getattr(shape, "geoms", (shape,)):
        if not part.is_empty:
            yield part


def _named(names: Any, number: int) -> str:
    return " ".join((names.getDebugName(number) or "").split())


def _licence(text: str) -> str:
    low = text.lower()
    return next((name for name, words in _LICENCES if any(word in low for word in words)), UNKNOWN_LICENCE)


def _embedding(bits: int | None) -> Embedding:
    if bits is None:
        return "unsaid"
    return next((said for bit, said in _EMBEDDING if bits & bit), "installable")


@cache
def _exemplars() -> tuple[tuple[str, frozenset[int]], ...]:
    """The letters, small and capital, of every language that CLDR has them of (its exemplar characters), by
    tag; one entry where scripts or countries of a language do not differ in them."""
    found: dict[str, frozenset[int]] = {}
    for tag, locale in sorted(icu.Locale.getAvailableLocales().items()):
        if locale.getCountry() or locale.getVariant():
            continue
        letters = "".join(map(str, icu.LocaleData(tag).getExemplarSet(0, 0)))
        points = frozenset(map(ord, letters + letters.upper()))
        if points and found.get(locale.getLanguage()) != points:
            found[tag] = points
    return tuple(found.items())


def _languages(letters: frozenset[int]) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    has, nearly = [], []
    for tag, points in _exemplars():
        missing = sorted(points - letters)
        if not missing:
            has.append(tag)
        elif len(missing) <= _MOST_MISSING and len(missing) * 4 < len(points):
            nearly.append((tag, " ".join(map(_shown, missing))))
    return tuple(has), tuple(nearly)


def _shown(point: int) -> str:
    """A letter; a mark that stands on letters is shown on a dotted circle."""
    letter = chr(point)
    return f"\u25cc{letter}" if unicodedata.combining(letter) else letter
