"""Slots of a plate: in rows and columns, or from the drawing it was milled by.

A plate's slots all have one shape, each turned and moved. In a drawing every slot is drawn; that they are one
shape, and how each is turned, is found here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Polygon

from layout.drawing.faces import Choice, told_names
from layout.drawing.rings import CLOSE_MM, Ring, closed_rings, simplified
from layout.drawing.strokes import Drawing, DrawingRefused, Stroke, line_of
from layout.shop.measure import format_mm

#: A slot's name, and where its frame lies on the plate: x, y (mm), turn (degrees).
SlotRow = tuple[str, float, float, float]

MOST_SLOTS = 200
#: Slots that differ by less than this are one shape: far less than any slot's play.
SAME_MM = 0.05
_SQUARE_DEG = 0.02
#: What people call the parts of a plate in a drawing: names that begin so, in lower case.
_WORDS = {
    "plate": ("plate", "outline", "border", "contour"),
    "slot": ("slot", "pocket", "nest", "seat"),
    "mark": ("mark", "fiducial", "cross", "target"),
}


@dataclass(frozen=True, slots=True)
class DrawnPlate:
    """A plate in mm from its lower left corner: the shape of its slots in a slot's own frame, where each
    lies, its marks, and how far the drawn slots differ from one another."""

    size_mm: tuple[float, float]
    slot_outline: Polygon
    slots: tuple[SlotRow, ...]
    marks: tuple[tuple[float, float], ...]
    differ_mm: float
    notes: tuple[str, ...] = ()


def grid(
    columns: int,
    rows: int,
    *,
    first: tuple[float, float],
    pitch: tuple[float, float],
    turn_deg: float = 0.0,
    facing: bool = False,
) -> tuple[SlotRow, ...]:
    """Slots in columns and rows, numbered as one reads: from the left, the upper row first.

    `first` is the lower left slot's frame (mm), `pitch` from column to column and from row to row; `facing`
    turns every second column round, so that handles point outwards. Raises ValueError for no slots or too
    many.

    >>> grid(2, 2, first=(10, 20), pitch=(50, 30))
    (('1', 10, 50, 0.0), ('2', 60, 50, 0.0), ('3', 10, 20, 0.0), ('4', 60, 20, 0.0))
    """
    if columns < 1 or rows < 1 or columns * rows > MOST_SLOTS:
        raise ValueError(f"a plate has 1 to {MOST_SLOTS} slots")
    places = [(column, row) for row in reversed(range(rows)) for column in range(columns)]
    return tuple(
        (
            str(number),
            first[0] + column * pitch[0],
            first[1] + row * pitch[1],
            (turn_deg + 180.0 * (facing and column % 2)) % 360,
        )
        for number, (column, row) in enumerate(places, start=1)
    )


def plate_in(drawing: Drawing, choices: Sequence[Choice] = (), *, close_mm: float = CLOSE_MM) -> DrawnPlate:
    """The plate of a drawing. Parts are chosen by `outline` (the plate's edge), `zone` (slots) and `hole`
    (marks), or known by what they are called.

    Raises DrawingRefused for a plate without slots, and for slots that are not one shape, with the place.
    """
    notes: list[str] = []
    edge = _rings_of(drawing, choices, "plate", close_mm, notes)
    slots = _rings_of(drawing, choices, "slot", close_mm, notes)
    if not slots:
        raise DrawingRefused(
            f"which of the drawing's names are the slots? There are {told_names(drawing.strokes)}: say "
            "--slots NAME"
        )
    if len(slots) > MOST_SLOTS:
        raise DrawingRefused(f"the drawing has {len(slots)} slots; a plate has {MOST_SLOTS} at most")
    if len(edge) != 1:
        there = "no shape" if not edge else f"{len(edge)} shapes"
        raise DrawingRefused(f"{there} for the plate's edge, and one is wanted: say --plate-edge NAME")
    x0, y0, x1, y1 = edge[0].polygon.bounds
    if edge[0].polygon.area < 0.9 * (x1 - x0) * (y1 - y0):
        notes.append("the plate is no rectangle: the rectangle around it was taken")
    moved = [(ring, affinity.translate(simplified(ring.polygon), -x0, -y0)) for ring in slots]
    ordered = _in_reading_order(moved)
    outline, rows, differ = _one_shape(ordered, (x0, y0))
    marks = [(x - x0, y - y0) for x, y in _marks(drawing, choices)]
    size = (round(x1 - x0, 3), round(y1 - y0, 3))
    return DrawnPlate(
        size,
        outline,
        tuple((name, *row) for name, row in zip(_names([r for r, _ in ordered]), rows, strict=True)),
        tuple((round(x, 3), round(y, 3)) for x, y in marks),
        differ,
        tuple(notes),
    )


def _chosen(drawing: Drawing, choices: Sequence[Choice], part: str) -> list[Stroke]:
    role = {"plate": "outline", "slot": "zone", "mark": "hole"}[part]
    mine = [choice for choice in choices if choice.role == role]
    for choice in mine:
        if not any(choice.matches(name) for name in drawing.names):
            raise DrawingRefused(
                f"nothing in the drawing is named {choice.pattern!r}; there are {told_names(drawing.strokes)}"
            )

    def is_it(stroke: Stroke) -> bool:
        if mine:
            return any(choice.matches(name) for choice in mine for name in stroke.names)
        plain = [re.sub(r"[^a-z0-9]+", " ", name.casefold()).strip() for name in stroke.names]
        return any(name.startswith(word) for name in plain for word in _WORDS[part])

    return [stroke for stroke in drawing.strokes if is_it(stroke)]


def _rings_of(
    drawing: Drawing, choices: Sequence[Choice], part: str, close_mm: float, notes: list[str]
) -> list[Ring]:
    rings, more = closed_rings(_chosen(drawing, choices, part), part, close_mm)
    notes += more
    return rings


def _marks(drawing: Drawing, choices: Sequence[Choice]) -> list[tuple[float, float]]:
    """The middles of circles and crosses: of each lot of lines that touch one another."""
    lines = [line_of(stroke) for stroke in _chosen(drawing, choices, "mark")]
    groups: list[list[LineString]] = []
    for line in lines:
        touching = [g for g in groups if any(line.distance(other) <= CLOSE_MM for other in g)]
        groups = [g for g in groups if g not in touching] + [[line, *(o for g in touching for o in g)]]
    boxes = [shapely.total_bounds(group) for group in groups]
    return sorted(
        ((float(x0 + x1) / 2, float(y0 + y1) / 2) for x0, y0, x1, y1 in boxes), key=lambda p: p[::-1]
    )


def _in_reading_order(slots: list[tuple[Ring, Polygon]]) -> list[tuple[Ring, Polygon]]:
    """The upper row first, each from the left: slots are of one row where their middles differ by less than
    half their height."""
    left = sorted(slots, key=lambda slot: -slot[1].centroid.y)
    ordered: list[tuple[Ring, Polygon]] = []
    while left:
        _, y0, _, y1 = left[0][1].bounds
        row = [slot for slot in left if left[0][1].centroid.y - slot[1].centroid.y < (y1 - y0) / 2]
        ordered += sorted(row, key=lambda slot: slot[1].centroid.x)
        left = left[len(row) :]
    return ordered


def _names(rings: Sequence[Ring]) -> list[str]:
    """The slots' own names (slot-A1: A1) where each has one, otherwise numbers."""
    own = [
        re.sub(r"^(slot|pocket|nest|seat)s?[\s_.:-]*", "", (r.names or ("",))[0], flags=re.I) for r in rings
    ]
    fit = all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,20}", name) for name in own)
    return own if fit and len(set(own)) == len(own) else [str(n) for n in range(1, len(rings) + 1)]


def _one_shape(
    slots: Sequence[tuple[Ring, Polygon]], corner: tuple[float, float]
) -> tuple[Polygon, list[tuple[float, float, float]], float]:
    """The shape in its own frame (origin: the middle of the box around the first slot), where each lies, and
    how far they differ. Raises DrawingRefused."""
    first = slots[0][1]
    x0, y0, x1, y1 = first.bounds
    origin = (round((x0 + x1) / 2, 3), round((y0 + y1) / 2, 3))
    shape = affinity.translate(first, -origin[0], -origin[1])
    rows, worst = [], 0.0
    for ring, slot in slots:
        turn = turn_onto(shape, slot)
        turned = affinity.rotate(shape, turn, origin=(0, 0))
        x, y = slot.centroid.x - turned.centroid.x, slot.centroid.y - turned.centroid.y
        off = shapely.hausdorff_distance(affinity.translate(turned, x, y).exterior, slot.exterior, 0.1)
        if off > SAME_MM:
            place = (slot.centroid.x + corner[0], slot.centroid.y + corner[1])
            raise DrawingRefused(
                f"the slots are not one shape: {ring.entity} differs from the first by "
                f"{format_mm(round(off, 2))} mm, however it is turned. Slots of another shape, or mirrored "
                "ones, belong to another plate's file",
                [place],
                [
                    Stroke(
                        np.asarray(r.polygon.exterior.coords)[:-1],
                        closed=True,
                        names=r.names,
                        entity=r.entity,
                    )
                    for r, _ in slots
                ],
            )
        worst = max(worst, float(off))
        rows.append((round(x, 3) + 0.0, round(y, 3) + 0.0, round(turn % 360, 3) % 360 + 0.0))
    return shape, rows, worst


def turn_onto(shape: Polygon, other: Polygon) -> float:
    """By how many degrees a shape is turned into another of its kind, middle on middle; the smallest of equal
    ones. It says nothing of whether they are of one kind."""
    from scipy.optimize import minimize_scalar  # here: it takes memory that hardly any process needs

    a = affinity.translate(shape, -shape.centroid.x, -shape.centroid.y)
    b = affinity.translate(other, -other.centroid.x, -other.centroid.y)

    def off(turn: float) -> float:
        return float(affinity.rotate(a, turn, origin=(0, 0)).symmetric_difference(b).area)

    best = (math.inf, 0.0)
    for turn in _likely(a, b):
        fine = minimize_scalar(
            off, bounds=(turn - 0.5, turn + 0.5), method="bounded", options={"xatol": 1e-5}
        )
        right = round(turn / 90) * 90.0
        near = right if abs(fine.x - right) < _SQUARE_DEG else float(fine.x)
        # Turns that fit equally well are told apart by their size alone.
        best = min(best, (round(min(off(near), float(fine.fun)), 2), near % 360))
    return best[1]


def _likely(a: Polygon, b: Polygon) -> Iterator[float]:
    """Turns (whole degrees) at which the two reach equally far in all directions, the best ones."""
    round_it = np.radians(np.arange(360))
    ways = np.stack([np.cos(round_it), np.sin(round_it)])
    reach_a, reach_b = ((shapely.get_coordinates(p.convex_hull) @ ways).max(axis=0) for p in (a, b))
    off = np.array([np.abs(np.roll(reach_a, turn) - reach_b).max() for turn in range(360)])
    valley = (off <= np.roll(off, 1)) & (off <= np.roll(off, -1))
    likely = np.nonzero(valley)[0]
    yield from sorted(likely[np.argsort(off[likely], kind="stable")][:8].tolist())
