"""A plate's file from its slots, and the seats in them that follow from the shapes of pocket and unit.

What lies where is worked out (`layout/seating/pocket.py`); a person confirms it, and says what no shape can:
how high the surface lies.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon

from layout.drawing.slots import SlotRow
from layout.drawing.strokes import DrawingRefused
from layout.seating.measured_slots import MeasuredSlots
from layout.seating.pocket import CLEARANCE_MM, HELD_MM, Way, Ways, ways_in
from layout.shop.blades import Blade, Face
from layout.shop.measure import format_mm
from service.drawings.blade_file import quoted, shape_lines
from service.shop.catalogue import CatalogueError, Trouble, blade_in
from service.shop.catalogue.files import Documents
from service.shop.catalogue.schema import FaceName, PlateFile
from service.shop.catalogue.shapes import polygon_of

#: What of a unit lies in the pocket: all of it, or the face alone while the handle sticks out.
HOLDS = ("unit", "face")


@dataclass(frozen=True, slots=True)
class Seating:
    """How one face of a blade lies in a plate's slots. `stands` is the seat that the plate's file has
    already, as x, y, turn in the slot's frame."""

    blade: str
    face: FaceName
    handle_deg: float
    ways: Ways
    stands: tuple[float, float, float] | None = None

    @property
    def name(self) -> str:
        return f"{self.blade}, {self.face.replace('_', ' ')}"

    @property
    def fits(self) -> bool:
        return bool(self.ways.ways) or self.ways.is_loose

    @property
    def only(self) -> Way | None:
        """The way, where there is one and the pocket holds the unit in it."""
        ways = self.ways.ways
        return ways[0] if len(ways) == 1 and ways[0].is_held else None

    def said(self) -> str:
        """What a person should know of it, in a sentence."""
        if self.ways.is_loose:
            return "lies loose: the pocket is far wider than the unit, and something else must hold it"
        if not self.ways.ways:
            return "does not go in"
        told = "; or ".join(self._told(way) for way in self.ways.ways)
        if len(self.ways.ways) > 1:
            told = f"goes in {len(self.ways.ways)} ways, so that somebody can lay it the wrong way: {told}"
        return told + self._against_the_file()

    def _told(self, way: Way) -> str:
        held = "" if way.is_held else f", not held: more than {HELD_MM:g} mm"
        return (
            f"handle {_towards(self.handle_deg + way.turn_deg)}, {way.clearance_mm:.2f} mm of room all "
            f"round, can be pushed by {way.shift_mm:.2f} mm and turned by {way.tilt_deg:.2f} degrees{held}"
        )

    def _against_the_file(self) -> str:
        if self.stands is None:
            return ""
        off = [self._off(way) for way in self.ways.ways]
        nearest, way = min(zip(off, self.ways.ways, strict=True), key=lambda pair: pair[0])
        if nearest <= max(way.shift_mm, CLEARANCE_MM):
            return f"; the file has it so (off by {nearest:.2f} mm)"
        return f"; the file has it {nearest:.1f} mm from there"

    def _off(self, way: Way) -> float:
        """How far the middle of the unit lies from where the file has it, turned ends counted."""
        assert self.stands is not None
        x, y, turn = self.stands
        (ax, ay), (bx, by) = (
            _moved(way.about, x, y, turn),
            _moved(way.about, way.x_mm, way.y_mm, way.turn_deg),
        )
        turned = math.radians(abs((turn - way.turn_deg + 180) % 360 - 180))
        return math.hypot(ax - bx, ay - by) + 50.0 * turned


def seatings(
    slot_outline: Polygon,
    blades: Iterable[Blade],
    *,
    holds: str = "unit",
    clearance_mm: float = CLEARANCE_MM,
    standing: Mapping[tuple[str, str], tuple[float, float, float]] | None = None,
) -> list[Seating]:
    """How every face of every blade lies in a slot."""
    found = []
    for blade in blades:
        for face in blade.faces:
            ways = ways_in(slot_outline, _lying(face, holds), clearance_mm=clearance_mm)
            stands = (standing or {}).get((blade.blade, face.face))
            found.append(Seating(blade.blade, face.face, face.handle_deg, ways, stands))  # type: ignore[arg-type]
    return found


def seatings_of(
    plate: ReadPlate, blade_texts: Mapping[str, str], holds: str, clearance_mm: float
) -> list[Seating]:
    """The same for blades' files by name; runs in a geometry process. Raises CatalogueError."""
    blades = [blade_in(name, text) for name, text in sorted(blade_texts.items())]
    return seatings(plate.outline, blades, holds=holds, clearance_mm=clearance_mm, standing=plate.standing)


def plate_file(
    *,
    plate: str,
    name: str,
    size_mm: tuple[float, float],
    slot_outline: Polygon,
    slots: Sequence[SlotRow],
    marks: Sequence[tuple[float, float]],
    copies: Sequence[str],
    source: str,
) -> str:
    """The file, without seats. Raises DrawingRefused for a slot of too many points."""
    shape = "\n".join(shape_lines("slot_outline", slot_outline))
    return "\n".join(
        [
            f"# {name}: slots from {source}, brought in by `ricasso catalogue plate`.",
            "# Millimetres from the plate's lower left corner, y up.",
            f"plate = {quoted(plate)}",
            f"name = {quoted(name)}",
            f"size_mm = [{_number(size_mm[0])}, {_number(size_mm[1])}]",
            "# Each plate made alike, by the name on its label.",
            f"copies = [{', '.join(map(quoted, copies))}]",
            "# The shape of every slot, in the slot's own frame.",
            shape,
            "# Marks that the pointer can be driven to.",
            f"fiducials = [{', '.join(f'[{_number(x)}, {_number(y)}]' for x, y in marks)}]",
            "",
            "# A slot's name, then where its frame lies on the plate: x, y, turn.",
            *slot_lines(slots),
            "",
        ]
    )


def slot_lines(slots: Sequence[SlotRow]) -> list[str]:
    """The table of slots."""
    return [
        "slots = [",
        *(f"  [{quoted(name)}, {_number(x)}, {_number(y)}, {_number(turn)}]," for name, x, y, turn in slots),
        "]",
    ]


def seat_text(seating: Seating, way: Way, height_mm: float) -> str:
    """One seat, to be appended to a plate's file."""
    x, y = (_number(value) for value in way.about)
    return (
        f"\n# By the shapes of pocket and unit: {way.clearance_mm:.2f} mm of room all round.\n"
        "[[seat]]\n"
        f"blade = {quoted(seating.blade)}\n"
        f"face = {quoted(seating.face)}\n"
        f"pose = {{ x_mm = {_number(way.x_mm)}, y_mm = {_number(way.y_mm)}, "
        f"turn_deg = {_number(way.turn_deg)}, height_mm = {_number(height_mm)} }}\n"
        f"play = {{ shift_mm = {_up(way.shift_mm)}, tilt_deg = {_up(way.tilt_deg)}, about = [{x}, {y}] }}\n"
    )


def with_slots(text: str, slots: Sequence[SlotRow]) -> str:
    """A plate's file with other places for its slots, all else as it was. Raises DrawingRefused."""
    table = re.compile(r"^slots\s*=\s*\[.*?^\]\s*?$|^slots\s*=\s*\[.*\]\s*?$", re.M | re.S)
    if len(table.findall(text)) != 1:
        raise DrawingRefused("the file has no table of slots that can be replaced; write it in rows")
    return table.sub(lambda _: "\n".join(slot_lines(slots)), text)


@dataclass(frozen=True, slots=True)
class ReadPlate:
    """A plate's file as it stands, its slots in their own frames."""

    file: PlateFile
    outline: Polygon

    @property
    def poses(self) -> dict[str, tuple[float, float, float]]:
        return {name: (x, y, turn) for name, x, y, turn in self.file.slots}

    @property
    def standing(self) -> dict[tuple[str, str], tuple[float, float, float]]:
        """The seats that are there, by blade and face."""
        return {(s.blade, s.face): (s.pose.x_mm, s.pose.y_mm, s.pose.turn_deg) for s in self.file.seat}


def read_plate(name: str, text: str) -> ReadPlate:
    """Raises CatalogueError. A file that has no seat yet is read all the same."""
    troubles: list[Trouble] = []
    has_seat = re.search(r"^\[\[seat\]\]", text, re.M)
    stand_in = '\n[[seat]]\nblade = "x"\nface = "mark_side"\npose = { x_mm = 0, y_mm = 0, turn_deg = 0, ' \
        "height_mm = 0 }\nplay = { shift_mm = 0, tilt_deg = 0 }\n"  # fmt: skip
    documents = Documents({name: text if has_seat else text + stand_in}, troubles)
    found = documents.of("plates", PlateFile)
    if troubles:
        raise CatalogueError(troubles)
    file = found[0][1]
    return ReadPlate(
        file if has_seat else file.model_copy(update={"seat": []}), polygon_of(file.slot_outline)
    )


@dataclass(frozen=True, slots=True)
class Readings:
    """Where the pointer met marks and points of slots, by number."""

    marks: dict[int, tuple[float, float]]
    slots: dict[str, dict[int, tuple[float, float]]]


def readings_in(text: str) -> Readings:
    """Readings from lines `mark,1,x,y` and `SLOT,1,x,y` (comma, semicolon or tab; a first line of headings
    may be there). Raises DrawingRefused with the line."""
    sample = text.split("\n", 1)[0]
    delimiter = next((sign for sign in ";\t" if sign in sample), ",")
    readings = Readings({}, {})
    for number, row in enumerate(csv.reader(io.StringIO(text), delimiter=delimiter), start=1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or cells[0].startswith("#"):
            continue
        try:
            what, which, x, y = cells
            point, place = int(which), (float(x.replace(",", ".")), float(y.replace(",", ".")))
        except ValueError:
            if number == 1:
                continue
            raise DrawingRefused(
                f"line {number}: four things are wanted: mark or the slot's name, the point's number, x, y"
            ) from None
        if not all(math.isfinite(value) and abs(value) < 1e5 for value in place):
            raise DrawingRefused(f"line {number}: that is no place at a station")
        into = readings.marks if what.casefold() == "mark" else readings.slots.setdefault(what, {})
        if point in into:
            raise DrawingRefused(f"line {number}: point {point} of {what} stands twice")
        into[point] = place
    return readings


def rows_with(poses: Mapping[str, tuple[float, float, float]], measured: MeasuredSlots) -> list[SlotRow]:
    """All slots, those that were measured where they were met."""
    met = {slot.slot: (slot.x_mm, slot.y_mm, slot.turn_deg) for slot in measured.slots}
    return [(name, *met.get(name, pose)) for name, pose in poses.items()]


def _lying(face: Face, holds: str) -> Polygon:
    if holds == "face" or face.body is None:
        return face.silhouette
    whole = face.body.union(face.silhouette)
    return whole if isinstance(whole, Polygon) else face.body


def _moved(point: tuple[float, float], x: float, y: float, turn: float) -> tuple[float, float]:
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return x + cos * point[0] - sin * point[1], y + sin * point[0] + cos * point[1]


def _towards(degrees: float) -> str:
    words = {0: "at the right", 90: "at the top", 180: "at the left", 270: "at the bottom"}
    near = round(degrees / 90) * 90
    return words[near % 360] if abs(degrees - near) < 10 else f"at {degrees % 360:.0f} degrees"


def _number(value: float) -> str:
    return format_mm(round(value, 3))


def _up(value: float) -> str:
    """Rounded up to hundredths: play that is said too small becomes a mark over the edge."""
    return format_mm(math.ceil(100 * value - 1e-6) / 100)
