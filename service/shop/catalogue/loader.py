"""From a folder of files to one Shop value, or to the whole list of what is wrong with them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from shapely.geometry import Polygon

from layout.lettering.fonts import FontRefused, open_font
from layout.marks.artwork import ArtworkRefused, read_artwork
from layout.marks.features import LEAST_STROKE, narrowest_counter, thinnest_stroke
from layout.shop.blades import Blade, Photo, Product, Surface
from layout.shop.counts import CountJump
from layout.shop.outline import Outline
from layout.shop.people import Handling
from layout.shop.plan_weights import ScoreWeights
from layout.shop.plates import Plate
from layout.shop.shop import Artwork, FontSpec, Policy, Shop
from layout.shop.stations import Process, Station
from layout.shop.stores import Store
from layout.shop.upkeep import Supply
from layout.shop.words import WordList, WordRules
from service.shop.catalogue import schema
from service.shop.catalogue.blades import BladeReading
from service.shop.catalogue.files import (
    Documents,
    default_folder,
    digest_of,
    document_or_none,
    misnamed,
    read,
    read_all,
)
from service.shop.catalogue.fonts import spec_of
from service.shop.catalogue.lines import line_of, line_of_name
from service.shop.catalogue.photos import PHOTOS, photo_of
from service.shop.catalogue.sense import Whereabouts, troubles_of
from service.shop.catalogue.shapes import ShapeRefused, mirrored, polygon_of
from service.shop.catalogue.stock import stock_troubles
from service.shop.catalogue.stores import store_of, store_troubles
from service.shop.catalogue.tooling import assembly_of, pickups_of, plate_of, process_of, shift_of, station_of
from service.shop.catalogue.troubles import CatalogueError, Trouble

T = TypeVar("T")

__all__ = [
    "CatalogueError",
    "Trouble",
    "default_folder",
    "load",
    "parse",
    "read",
    "reopen",
    "troubles_in",
    "troubles_of_files",
]


def load(folder: Path, *, is_judged: bool = False) -> Shop:
    """The shop described in a folder, or in a file that `keep` wrote. Raises CatalogueError with everything
    that is wrong."""
    return parse(read(folder), is_judged=is_judged)


def parse(content: Mapping[str, str], *, is_judged: bool = False) -> Shop:
    """The shop of files' texts, as `read` gives them. Raises CatalogueError with all troubles.

    `is_judged`: this program has judged these texts before, so that only what can't be read is looked for (a
    font may have been removed since). What makes sense takes three times as long to find out, and fonts that
    could be opened then are opened when somebody draws with them.
    """
    reading = _Reading(content, opens_fonts=not is_judged)
    if troubles := reading.troubles if is_judged else reading.judged():
        raise CatalogueError(troubles)
    return reading.shop


def reopen(content: Mapping[str, str]) -> Shop:
    """The shop of a version that was accepted before, for work that still refers to it.

    Today's checks are not asked again, and a font that has been updated or removed since is left out: marks
    were frozen on acceptance, and what was accepted must stay burnable. Raises CatalogueError when the
    content can't be read at all.
    """
    reading = _Reading(content)
    troubles = [t for t in reading.troubles if not t.file.startswith("fonts/")]
    if troubles:
        raise CatalogueError(troubles)
    return reading.shop


def blade_in(file: str, text: str, every_font: tuple[str, ...] = ()) -> Blade:
    """The blade of one file's text, without the shop around it: `fonts = "all"` means `every_font`. Raises
    CatalogueError."""
    troubles: list[Trouble] = []
    documents = Documents({file: text}, troubles)
    blades = [
        blade
        for name, content in documents.of("blades", schema.BladeFile)
        if (blade := BladeReading(name, every_font, troubles).blade(content)) is not None
    ]
    if troubles:
        raise CatalogueError(troubles)
    return blades[0]


def outline_in(text: str, face: int) -> Polygon | None:
    """The silhouette of a face of a blade's file, drawn or mirrored, whatever else is wrong with the file;
    None where it has none."""
    faces = (document_or_none("blade.toml", text) or {}).get("face", [])
    try:
        entry = faces[face]
        twin = next((one for one in faces if one.get("face") == entry.get("mirror_of")), None)
        shape = polygon_of(schema.Shape.model_validate((twin or entry).get("silhouette")))
    except (ValueError, LookupError, TypeError, AttributeError):
        return None
    return shape if twin is None else mirrored(shape)


def troubles_of_files(content: Mapping[str, str]) -> tuple[Trouble, ...]:
    """Everything wrong with files' texts, stock included; empty when they can be used."""
    wrongly_named = misnamed(content)
    return CatalogueError(wrongly_named or _Reading(content).judged()).troubles


def looked_over(content: Mapping[str, str]) -> tuple[Shop, tuple[Trouble, ...]]:
    """The shop of files' texts as far as it can be read, stock included, and everything that is wrong with
    them. Takes most of a second."""
    reading = _Reading(content)
    return reading.shop, CatalogueError(reading.judged()).troubles


def drawing_in(text: str) -> tuple[Outline | None, str]:
    """The outline that a mark's drawing has, or why it can be none."""
    try:
        return read_artwork(text.encode()), ""
    except ArtworkRefused as error:
        return None, str(error)


def finest_of(outline: Outline) -> tuple[float | None, float | None]:
    """The thinnest stroke and the narrowest counter (mm) of a drawing at its own size; None where it has
    none."""
    region = outline.region
    x0, y0, x1, y1 = region.bounds
    across = min(x1 - x0, y1 - y0)
    stroke = thinnest_stroke(region, least=LEAST_STROKE * across, most=across)
    return (stroke if math.isfinite(stroke) else None), narrowest_counter(region)


def troubles_in(folder: Path) -> tuple[Trouble, ...]:
    """Everything wrong with a folder, stock included, in one pass; empty when it can be used."""
    content, unreadable = read_all(folder)
    if not content:
        return tuple(unreadable)
    # What can't be read may hold anything that seems to be missing: a file is called what it describes.
    lost = [Path(trouble.file).stem for trouble in unreadable if trouble.file.endswith(".toml")]
    found = [t for t in _Reading(content).judged() if not any(f"{name!r}" in t.reason for name in lost)]
    return CatalogueError([*unreadable, *found]).troubles


#: Kinds of which one file has many.
_MOST_SLOTS = 3
_LISTED = frozenset({"products", "processes", "stores", "words"})


class _Reading:
    """One pass over all files, collecting troubles instead of stopping at the first."""

    def __init__(self, content: Mapping[str, str], *, opens_fonts: bool = True) -> None:
        self.troubles: list[Trouble] = []
        self._opens_fonts = opens_fonts
        self.documents = Documents(content, self.troubles)
        self.where: dict[tuple[str, str], str] = {}
        fonts = self._fonts()
        self.shop = Shop(
            version=digest_of(content),
            products=self._named("products", "sku", self._products()),
            blades=self._named("blades", "blade", self._blades(tuple(fonts))),
            plates=self._named("plates", "plate", self._plates()),
            stations=self._named("stations", "station", self._stations()),
            processes=self._named("processes", "process", self._processes()),
            fonts=fonts,
            artworks=self._artworks(),
            policy=self._policy(),
            stores=self._named("stores", "store", self._stores()),
            words=self._words(),
        )

    def judged(self) -> list[Trouble]:
        """What could not be read, and what makes no sense in the rest."""
        whereabouts = Whereabouts(
            files=self.where,
            declared={
                kind: self.documents.declared(kind, key)
                for kind, key in (
                    ("products", "sku"),
                    ("blades", "blade"),
                    ("plates", "plate"),
                    ("stations", "station"),
                    ("processes", "process"),
                    ("fonts", "font"),
                )
            },
            whole=not self.troubles,
        )
        skus = whereabouts.declared["products"]
        found = [
            *self.troubles,
            *troubles_of(self.shop, whereabouts),
            *store_troubles(self.shop, whereabouts),
            *stock_troubles(self.documents, skus),
        ]
        return [self._on_its_line(trouble) for trouble in _once_for_many_slots(found)]

    def _on_its_line(self, trouble: Trouble) -> Trouble:
        text = self.documents.content.get(trouble.file, "")
        if trouble.line is not None or not trouble.place or not trouble.file.endswith(".toml"):
            return trouble
        named = re.search(r"'([^']+)'", trouble.reason) if trouble.place == "seat" else None
        line = line_of_name(text, "seat", named[1]) if named else None
        return replace(trouble, line=line or line_of(text, trouble.place))

    def _named(self, kind: str, key: str, things: list[tuple[str, T]]) -> dict[str, T]:
        named: dict[str, T] = {}
        for file, thing in things:
            name = str(getattr(thing, key))
            if name in named:
                other = self.where[kind, name]
                there = "twice" if other == file else f"in {other} already"
                self.troubles.append(
                    Trouble(file, name if kind in _LISTED else key, f"{name!r} stands {there}")
                )
            named[name] = thing
            self.where[kind, name] = file
        return named

    def _attempt(self, file: str, place: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except ShapeRefused as error:
            self.troubles.append(Trouble(file, place, str(error), sketch=error.sketch))
            return None
        except (ValueError, ArtworkRefused, FontRefused) as error:
            self.troubles.append(Trouble(file, place, str(error)))
            return None

    # --- kinds ---

    def _products(self) -> list[tuple[str, Product]]:
        return [
            (
                file,
                Product(
                    p.sku,
                    p.name,
                    tuple(p.barcodes),
                    p.blade,
                    Surface(p.material, p.finish),
                    p.built_from,
                    p.handle_material or "",
                    self._photos(file, f"product[{index}]", p.photo),
                    tuple(p.inspect),
                ),
            )
            for file, content in self.documents.of("products", schema.ProductsFile)
            for index, p in enumerate(content.product)
        ]

    def _photos(self, file: str, place: str, entries: Sequence[schema.PhotoFile]) -> dict[str, Photo]:
        photos: dict[str, Photo] = {}
        for index, entry in enumerate(entries):
            here = f"{place}.photo[{index}]"
            if entry.face in photos:
                self.troubles.append(Trouble(file, f"{here}.face", f"{entry.face!r} has a photo already"))
            encoded = self.documents.content.get(f"{PHOTOS}/{entry.file}")
            if encoded is None:
                self.troubles.append(Trouble(file, f"{here}.file", f"no file {PHOTOS}/{entry.file}"))
                continue
            photo = self._attempt(file, f"{here}.file", lambda e=entry, t=encoded: photo_of(e, t))  # type: ignore[misc]
            if photo is not None:
                photos[entry.face] = photo
        return photos

    def _blades(self, every_font: tuple[str, ...]) -> list[tuple[str, Blade]]:
        return [
            (file, blade)
            for file, content in self.documents.of("blades", schema.BladeFile)
            if (blade := BladeReading(file, every_font, self.troubles).blade(content)) is not None
        ]

    def _plates(self) -> list[tuple[str, Plate]]:
        return [
            (file, plate)
            for file, content in self.documents.of("plates", schema.PlateFile)
            if (plate := self._attempt(file, "slot_outline", lambda c=content: plate_of(c))) is not None  # type: ignore[misc]
        ]

    def _stations(self) -> list[tuple[str, Station]]:
        return [
            (file, station)
            for file, content in self.documents.of("stations", schema.StationFile)
            if (station := self._attempt(file, "hours", lambda c=content: station_of(c))) is not None  # type: ignore[misc]
        ]

    def _processes(self) -> list[tuple[str, Process]]:
        return [
            (file, process_of(entry))
            for file, content in self.documents.of("processes", schema.ProcessesFile)
            for entry in content.process
        ]

    def _stores(self) -> list[tuple[str, Store]]:
        return [
            (file, store_of(entry))
            for file, content in self.documents.of("stores", schema.StoresFile)
            for entry in content.store
        ]

    def _words(self) -> WordRules:
        files = self.documents.of("words", schema.WordsFile)
        lists = self._named(
            "words",
            "name",
            [
                (
                    file,
                    WordList(
                        each.name,
                        content.language,
                        each.severity,
                        each.reason,
                        tuple(each.words),
                        inside=each.inside,
                        any_accents=each.any_accents,
                    ),
                )
                for file, content in files
                for each in content.word_list
            ],
        )
        allowed = tuple(word for _, content in files for word in content.allowed)
        return WordRules(tuple(lists.values()), allowed)

    def _fonts(self) -> dict[str, FontSpec]:
        fonts: dict[str, FontSpec] = {}
        named: set[str] = set()
        content_of_shop = self.documents.content
        for file, content in self.documents.of("fonts", schema.FontsFile):
            for index, entry in enumerate(content.font):
                if entry.package is None:
                    named.add(f"fonts/{entry.file}")
                place = f"font[{index}]"
                if entry.font in fonts:
                    self.troubles.append(Trouble(file, f"{place}.font", f"{entry.font!r} stands twice"))
                spec = self._attempt(file, place, lambda e=entry: self._font(spec_of(e, content_of_shop)))  # type: ignore[misc]
                if spec is not None:
                    fonts[entry.font] = spec
        self.troubles += [
            Trouble(name, "", "no entry of the list of fonts names this file")
            for name in content_of_shop
            if name.startswith("fonts/") and not name.endswith(".toml") and name not in named
        ]
        return fonts

    def _font(self, spec: FontSpec) -> FontSpec:
        """The font, opened once: one that can't be opened is refused here, not at the first order."""
        if self._opens_fonts:
            open_font(spec)
        return spec

    def _artworks(self) -> dict[str, Artwork]:
        artworks: dict[str, Artwork] = {}
        drawn: set[str] = set()
        for file, content in self.documents.of("artwork", schema.ArtworksFile):
            for index, entry in enumerate(content.artwork):
                place, svg = f"artwork[{index}]", f"artwork/{entry.file}"
                drawn.add(svg)
                if entry.artwork in artworks:
                    self.troubles.append(Trouble(file, f"{place}.artwork", f"{entry.artwork!r} stands twice"))
                text = self.documents.content.get(svg)
                if text is None:
                    self.troubles.append(Trouble(file, f"{place}.file", f"no file {svg}"))
                    continue
                outline = self._attempt(svg, "", lambda t=text: read_artwork(t.encode()))  # type: ignore[misc]
                if outline is None:
                    continue
                artwork = Artwork(entry.artwork, entry.name, entry.use, outline, entry.initials_box_mm)
                artworks[entry.artwork] = artwork
                self.troubles += _box_troubles(file, place, artwork)
        self.troubles += [
            Trouble(name, "", "no entry of the library's list names this drawing")
            for name in self.documents.content
            if name.endswith(".svg") and name not in drawn
        ]
        return artworks

    def _policy(self) -> Policy:
        policies = self.documents.of("policy", schema.PolicyFile)
        self.troubles += [Trouble(file, "", "a shop has one policy file") for file, _ in policies[1:]]
        if not policies:
            return Policy()
        file, policy = policies[0]
        made_below = {"shifts", "handling", "carrier", "packing", "assembly", "counts", "supplies", "plan"}
        values = policy.model_dump(exclude=made_below)
        try:
            return Policy(
                **values,
                shifts=tuple(shift_of(shift) for shift in policy.shifts),
                handling=Handling(**policy.handling.model_dump()),
                pickups=pickups_of(policy.carrier),
                shelves=tuple(policy.packing.shelves),
                inserts=tuple(policy.packing.inserts),
                assembly=assembly_of(policy.assembly),
                count_jump=CountJump(policy.counts.ask_from_units, policy.counts.ask_from_share),
                supplies=tuple(Supply(**supply.model_dump()) for supply in policy.supplies),
                plan=ScoreWeights(**policy.plan.model_dump()),
            )
        except ValueError as error:
            self.troubles.append(Trouble(file, "shifts", str(error)))
            return Policy()


def _once_for_many_slots(troubles: list[Trouble]) -> list[Trouble]:
    """What is said alike of more than three slots of a plate, said once of all of them."""
    slots: dict[tuple[str, str], list[str]] = {}
    for t in dict.fromkeys(troubles):
        if t.place.startswith("slot "):
            slots.setdefault((t.file, t.reason), []).append(t.place.removeprefix("slot "))
    many = {key: names for key, names in slots.items() if len(names) > _MOST_SLOTS}
    kept = [t for t in troubles if (t.file, t.reason) not in many or not t.place.startswith("slot ")]
    return kept + [
        Trouble(
            file,
            "slots",
            f"{reason} ({len(names)} slots: {', '.join(names[:6])}{', ...' if len(names) > 6 else ''})",
        )
        for (file, reason), names in many.items()
    ]


def _box_troubles(file: str, place: str, artwork: Artwork) -> list[Trouble]:
    box = artwork.initials_box_mm
    if box is None:
        return []
    x0, y0, x1, y1 = artwork.outline.bounds_mm
    if x0 <= box[0] < box[2] <= x1 and y0 <= box[1] < box[3] <= y1:
        return []
    return [Trouble(file, f"{place}.initials_box_mm", "the box for initials does not lie inside the frame")]
