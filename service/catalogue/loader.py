"""From a folder of files to one Shop value, or to the whole list of what is wrong with them."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from layout.artwork import ArtworkRefused, read_artwork
from layout.fonts import FontRefused, open_font
from layout.parts import (
    Artwork,
    Blade,
    Face,
    FontSpec,
    KeepOut,
    LayerStyle,
    Plate,
    Play,
    Policy,
    Pose,
    Process,
    Product,
    Rows,
    Seat,
    Shop,
    Slot,
    Station,
    Surface,
    TestCard,
    Zone,
)
from service.catalogue import schema
from service.catalogue.fonts import spec_of
from service.catalogue.shapes import baseline_of, mirrored, polygon_of

M = TypeVar("M", bound=schema.Strict)
T = TypeVar("T")


@dataclass(frozen=True, slots=True, order=True)
class Trouble:
    """One thing wrong: in which file, where in it, and why it is refused."""

    file: str
    place: str
    reason: str

    def __str__(self) -> str:
        return f"{self.file}: {self.place}: {self.reason}" if self.place else f"{self.file}: {self.reason}"


class CatalogueError(Exception):
    """The catalogue is refused whole; `troubles` has everything that is wrong with it."""

    def __init__(self, troubles: list[Trouble]) -> None:
        super().__init__("\n".join(map(str, sorted(set(troubles)))))
        self.troubles = tuple(sorted(set(troubles)))


def default_folder() -> Path:
    """The made-up shop that comes with Ricasso."""
    import fixtures

    return Path(fixtures.__file__).parent


def read(folder: Path) -> dict[str, str]:
    """The catalogue's files as text, by name relative to the folder. Raises CatalogueError."""
    if not folder.is_dir():
        raise CatalogueError([Trouble(str(folder), "", "no such folder")])
    content: dict[str, str] = {}
    for path in sorted([*folder.glob("*/*.toml"), *folder.glob("artwork/*.svg")]):
        name = path.relative_to(folder).as_posix()
        try:
            content[name] = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise CatalogueError([Trouble(name, "", f"can't be read: {error}")]) from error
    return content


def load(folder: Path) -> Shop:
    """The shop of a folder. Raises CatalogueError with all troubles; never half-loads."""
    return parse(read(folder))


def parse(content: Mapping[str, str]) -> Shop:
    """The shop of files' texts, as `read` gives them. Raises CatalogueError."""
    from service.catalogue.sense import troubles_of

    troubles: list[Trouble] = []
    shop = _Reading(content, troubles).shop()
    if not troubles:
        troubles += troubles_of(shop)
    if troubles:
        raise CatalogueError(troubles)
    return shop


class _Reading:
    """One pass over all files, collecting troubles instead of stopping at the first."""

    def __init__(self, content: Mapping[str, str], troubles: list[Trouble]) -> None:
        self.content = content
        self.troubles = troubles

    def shop(self) -> Shop:
        fonts = {f.font: f for f in self._fonts()}
        every_font = tuple(fonts)
        return Shop(
            version=_digest(self.content),
            products=self._named(self._products(), "sku", "products"),
            blades=self._named(self._blades(every_font), "blade", "blades"),
            plates=self._named(self._plates(), "plate", "plates"),
            stations=self._named(self._stations(), "station", "stations"),
            processes=self._named(self._processes(), "process", "processes"),
            fonts=fonts,
            artworks=self._named(self._artworks(), "artwork", "artwork"),
            policy=self._policy(),
        )

    # --- reading ---

    def _files(self, folder: str, model: type[M]) -> list[tuple[str, M]]:
        found = []
        for name, text in self.content.items():
            if not name.startswith(f"{folder}/") or not name.endswith(".toml"):
                continue
            try:
                found.append((name, model.model_validate(tomllib.loads(text))))
            except tomllib.TOMLDecodeError as error:
                self.troubles.append(Trouble(name, "", f"not TOML: {error}"))
            except ValidationError as error:
                self.troubles += [
                    Trouble(name, ".".join(map(str, e["loc"])), e["msg"].removeprefix("Value error, "))
                    for e in error.errors()
                ]
        if not found and not any(t.file.startswith(f"{folder}/") for t in self.troubles):
            self.troubles.append(Trouble(f"{folder}/", "", "no file of this kind"))
        return found

    def _attempt(self, file: str, place: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except (ValueError, ArtworkRefused, FontRefused) as error:
            self.troubles.append(Trouble(file, place, str(error)))
            return None

    def _named(self, things: list[tuple[str, T]], key: str, folder: str) -> dict[str, T]:
        named: dict[str, T] = {}
        for file, thing in things:
            name = getattr(thing, key)
            if name in named:
                self.troubles.append(Trouble(file, key, f"{name!r} stands twice"))
            named[name] = thing
        return named

    # --- kinds ---

    def _products(self) -> list[tuple[str, Product]]:
        return [
            (file, Product(p.sku, p.name, tuple(p.barcodes), p.blade, Surface(p.material, p.finish)))
            for file, content in self._files("products", schema.ProductsFile)
            for p in content.product
        ]

    def _blades(self, every_font: tuple[str, ...]) -> list[tuple[str, Blade]]:
        blades = []
        for file, b in self._files("blades", schema.BladeFile):
            faces: dict[str, Face] = {}
            for index, entry in enumerate(b.face):
                face = self._face(file, f"face.{index}", entry, faces, every_font)
                if face is not None:
                    faces[face.face] = face
            blades.append((file, Blade(b.blade, b.name, tuple(faces.values()), b.bare)))
        return blades

    def _face(
        self,
        file: str,
        place: str,
        entry: schema.FaceFile,
        faces: Mapping[str, Face],
        every_font: tuple[str, ...],
    ) -> Face | None:
        keep_outs: list[KeepOut] = []
        if entry.mirror_of is not None:
            twin = faces.get(entry.mirror_of)
            if twin is None:
                self.troubles.append(
                    Trouble(file, f"{place}.mirror_of", f"no face {entry.mirror_of!r} before this one")
                )
                return None
            silhouette = mirrored(twin.silhouette)
            keep_outs = [KeepOut(k.keep_out, k.reason, mirrored(k.polygon)) for k in twin.keep_outs]
        else:
            shape = entry.silhouette
            assert shape is not None  # the schema asks for one of the two
            drawn = self._attempt(file, f"{place}.silhouette", lambda: polygon_of(shape))
            if drawn is None:
                return None
            silhouette = drawn
        keep_outs += self._keep_outs(file, place, entry)
        zones = []
        for index, z in enumerate(entry.zone):
            zone = self._attempt(file, f"{place}.zone.{index}", lambda z=z: _zone(z, every_font))  # type: ignore[misc]
            if zone is not None:
                zones.append(zone)
        return Face(entry.face, silhouette, tuple(zones), tuple(keep_outs), entry.handle_deg)

    def _keep_outs(self, file: str, place: str, entry: schema.FaceFile) -> list[KeepOut]:
        found = []
        for index, k in enumerate(entry.keep_out):
            polygon = self._attempt(file, f"{place}.keep_out.{index}.shape", lambda k=k: polygon_of(k.shape))  # type: ignore[misc]
            if polygon is not None:
                found.append(KeepOut(k.keep_out, k.reason, polygon))
        for index, row in enumerate(entry.keep_out_row):
            polygon = self._attempt(
                file, f"{place}.keep_out_row.{index}.shape", lambda r=row: polygon_of(r.shape)
            )  # type: ignore[misc]
            if polygon is not None:
                found += _row(row, polygon)
        return found

    def _plates(self) -> list[tuple[str, Plate]]:
        plates = []
        for file, p in self._files("plates", schema.PlateFile):
            outline = self._attempt(file, "slot_outline", lambda p=p: polygon_of(p.slot_outline))  # type: ignore[misc]
            if outline is not None:
                slots = tuple(_slot(entry, outline, p.seat) for entry in p.slots)
                plates.append(
                    (file, Plate(p.plate, p.name, p.size_mm, slots, tuple(p.copies), tuple(p.fiducials)))
                )
        return plates

    def _stations(self) -> list[tuple[str, Station]]:
        return [
            (
                file,
                Station(
                    station=s.station,
                    name=s.name,
                    field_mm=s.field_mm,
                    origin=s.origin,
                    spot_mm=s.spot_mm,
                    focus_mm=s.focus_mm,
                    jump_speed_mm_s=s.jump_speed_mm_s,
                    acceleration_mm_s2=s.acceleration_mm_s2,
                    formats=tuple(s.formats),
                    fill=s.fill,
                    layers={name: LayerStyle(style.layer, style.colour) for name, style in s.layers.items()},
                    plates=dict(s.plates),
                    load_seconds_per_slot=s.load_seconds_per_slot,
                    turn_seconds_per_slot=s.turn_seconds_per_slot,
                ),
            )
            for file, s in self._files("stations", schema.StationFile)
        ]

    def _processes(self) -> list[tuple[str, Process]]:
        return [
            (
                file,
                Process(
                    process=p.process,
                    station=p.station,
                    surface=Surface(p.material, p.finish),
                    power_percent=p.power_percent,
                    speed_mm_s=p.speed_mm_s,
                    frequency_khz=p.frequency_khz,
                    rows=Rows(p.rows.spacing_mm, p.rows.angle_deg, p.rows.crossed),
                    edge_line=p.edge_line,
                    edge_allowance_mm=p.edge_allowance_mm,
                    repeats=p.repeats,
                    line_width_mm=p.line_width_mm,
                    focus_tolerance_mm=p.focus_tolerance_mm,
                    test_card=TestCard(p.test_card.date, p.test_card.by, p.test_card.note)
                    if p.test_card
                    else None,
                ),
            )
            for file, content in self._files("processes", schema.ProcessesFile)
            for p in content.process
        ]

    def _fonts(self) -> list[FontSpec]:
        fonts: dict[str, FontSpec] = {}
        for file, content in self._files("fonts", schema.FontsFile):
            for index, entry in enumerate(content.font):
                spec = self._attempt(file, f"font.{index}", lambda entry=entry: _usable(spec_of(entry)))  # type: ignore[misc]
                if entry.font in fonts:
                    self.troubles.append(Trouble(file, f"font.{index}.font", f"{entry.font!r} stands twice"))
                if spec is not None:
                    fonts[entry.font] = spec
        return list(fonts.values())

    def _artworks(self) -> list[tuple[str, Artwork]]:
        artworks = []
        for file, content in self._files("artwork", schema.ArtworksFile):
            for index, a in enumerate(content.artwork):
                svg = self.content.get(f"artwork/{a.file}")
                if svg is None:
                    self.troubles.append(Trouble(file, f"artwork.{index}.file", f"no file artwork/{a.file}"))
                    continue
                outline = self._attempt(f"artwork/{a.file}", "", lambda svg=svg: read_artwork(svg.encode()))  # type: ignore[misc]
                if outline is not None:
                    artworks.append((file, Artwork(a.artwork, a.name, a.use, outline, a.initials_box_mm)))
        return artworks

    def _policy(self) -> Policy:
        found = self._files("policy", schema.PolicyFile)
        return Policy(**found[0][1].model_dump()) if found else Policy()


def _usable(spec: FontSpec) -> FontSpec:
    open_font(spec)
    return spec


def _zone(z: schema.ZoneFile, every_font: tuple[str, ...]) -> Zone:
    return Zone(
        zone=z.zone,
        polygon=polygon_of(z.polygon),
        baseline=baseline_of(z.baseline),
        kinds=frozenset(z.kinds),
        fonts=every_font if z.fonts == "all" else tuple(z.fonts),
        max_lines=z.max_lines,
        min_height_mm=z.min_height_mm,
        max_height_mm=z.max_height_mm,
        edge_margin_mm=z.edge_margin_mm,
        align=z.align,
        slide=z.slide,
        anchor=z.anchor,
        leading=z.leading,
        letter_spacing=z.letter_spacing,
        features=dict(z.features),
        surface=Surface(z.material, z.finish) if z.material and z.finish else None,
    )


def _row(row: schema.KeepOutRowFile, polygon: object) -> list[KeepOut]:
    from shapely import affinity

    (x, y), (dx, dy) = row.start, row.step
    return [
        KeepOut(f"{row.keep_out} {i + 1}", row.reason, affinity.translate(polygon, x + i * dx, y + i * dy))
        for i in range(row.count)
    ]


def _slot(entry: tuple[str, float, float, float], outline: object, seats: list[schema.SeatFile]) -> Slot:
    from shapely import affinity

    name, x, y, turn = entry
    placed = affinity.translate(affinity.rotate(outline, turn, origin=(0, 0)), x, y)
    return Slot(name, placed, tuple(_seat(seat, x, y, turn) for seat in seats))


def _seat(seat: schema.SeatFile, x: float, y: float, turn: float) -> Seat:
    """A seat's pose is given in its slot's frame; the shop keeps it in the plate's."""
    from math import cos, radians, sin

    p, spin = seat.pose, radians(turn)
    pose = Pose(
        x_mm=round(x + p.x_mm * cos(spin) - p.y_mm * sin(spin), 6),
        y_mm=round(y + p.x_mm * sin(spin) + p.y_mm * cos(spin), 6),
        turn_deg=turn + p.turn_deg,
        height_mm=p.height_mm,
        tilt_deg=p.tilt_deg,
        tilt_towards_deg=turn + p.tilt_towards_deg,
    )
    return Seat(seat.blade, seat.face, pose, Play(seat.play.shift_mm, seat.play.tilt_deg, seat.play.about))


def _digest(content: Mapping[str, str]) -> str:
    """SHA-256 over what the files say (comments and layout apart); stock is no part of the description."""
    said: dict[str, object] = {}
    for name, text in content.items():
        if name.startswith("stock/"):
            continue
        if name.endswith(".toml"):
            try:
                said[name] = tomllib.loads(text)
            except tomllib.TOMLDecodeError:
                said[name] = text
        else:
            said[name] = text
    canonical = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=str)
    return hashlib.sha256(canonical.encode()).hexdigest()
