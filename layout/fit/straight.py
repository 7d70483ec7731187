"""How large a block of text can be in a region, and where it goes: the largest height, to the height step,
at which the convex hull of the whole block lies in the region at some position that the zone allows."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point
from shapely.ops import nearest_points

from layout.fit.binding import Binding, bindings_of
from layout.fit.inner_fit import TOUCH_MM, Copies, Room, certainly_holds, room_of
from layout.fit.inscribed import largest_share
from layout.fit.region import Region
from layout.marks.blocks import own_point
from layout.shop.affine import Affine
from layout.shop.blades import Slide, Zone
from layout.shop.inscriptions import Align
from layout.shop.measure import HEIGHT_STEP_MM, Floats

_FAR_MM = 1e4
_SHARES = 4096


@dataclass(frozen=True, slots=True)
class Fit:
    """A block placed: capital height, where the composition's origin goes, and how it is turned."""

    height_mm: float
    x_mm: float
    y_mm: float
    turn_deg: float
    region: Region
    #: What was kept inside the region (face frame): the block's hull, or those of its clusters on a curve.
    hulls: tuple[Any, ...]

    @property
    def block(self) -> Any:
        """All that was kept inside the region as one geometry; put together when asked for."""
        return self.hulls[0] if len(self.hulls) == 1 else shapely.union_all(self.hulls)

    @property
    def clearance_mm(self) -> float:
        """Distance from the block to the region's boundary; worked out when asked for."""
        return float(self.region.polygon.boundary.distance(self.block))

    @property
    def binding(self) -> tuple[Binding, ...]:
        """What stops the block from growing or moving; worked out when asked for."""
        return bindings_of(self.region, self.block, turn_deg=self.turn_deg)


@dataclass(frozen=True, slots=True)
class Overhang:
    """By how much (mm) a block is too long, along its baseline, and too tall, across it.

    Where being shorter is enough for it to fit at the height asked for, `length_mm` says how much shorter;
    where being lower is enough at its length, `height_mm` says how much lower; where either would do, both
    say so. Where neither would, both are needed together.
    """

    length_mm: float
    height_mm: float


def largest(region: Region, hull: Floats, zone: Zone, *, align: Align) -> Fit | None:
    """The largest fit not above the zone's largest height; None when not even one height step fits."""
    wish = _Wish.of(hull, zone, align)
    ceiling, step, copies_placed = _steps(zone.max_height_mm), 0, None
    for room in _rooms(region, zone):
        copies = _copies(room, hull)
        top = min(ceiling, _steps(copies.bound))
        best = _largest_step(_Held(room, hull, wish), step, top)
        if best > step:
            step, copies_placed = best, copies
    if copies_placed is None:
        return None
    return _placed(region, copies_placed, hull, wish, _height_mm(step))


def place(region: Region, hull: Floats, zone: Zone, *, align: Align, height_mm: float) -> Fit | None:
    """The block at that height, as near to the zone's anchor as it fits; None when it fits nowhere."""
    wish = _Wish.of(hull, zone, align)
    placed = [
        fit
        for room in _rooms(region, zone)
        if (fit := _placed(region, _copies(room, hull), hull, wish, height_mm)) is not None
    ]
    return min(placed, key=wish.distance_mm, default=None)


def holds(region: Region, hull: Floats, zone: Zone, *, align: Align, height_mm: float) -> bool:
    """Whether the block fits anywhere at that height; quicker than to place it."""
    wish = _Wish.of(hull, zone, align)
    return any(_is_free(room, hull, wish, height_mm) for room in _rooms(region, zone))


def overhang(
    region: Region, hull: Floats, zone: Zone, *, height_mm: float, align: Align | None = None
) -> Overhang:
    """How far over a block is that does not fit at that height; noughts when it fits. See Overhang.

    `align` is the zone's own when left out. Lengths and heights are found by halving, to a 4096th of the
    block's; a block that leans along a leaning edge may fit at some longer lengths, too.
    """
    rooms, wish = _rooms(region, zone), _Wish.of(hull, zone, align or zone.align)
    length, height = (np.ptp(hull, axis=0) * height_mm).tolist()

    # Where it may lie in each room: as wished, and where it last fitted. Squeezed about its own point, it is
    # still allowed there: only how far that point slides is limited.
    spots = [[wish.origin(height_mm)] for _ in rooms]

    def fits(along: float, across: float) -> bool:
        squeezed = wish.own + (hull - wish.own) * [along, across]
        return any(
            _is_squeezed_in(room, squeezed, wish, height_mm, tried)
            for room, tried in zip(rooms, spots, strict=True)
            if _may_hold(room, length * along, height * across)
        )

    if fits(1.0, 1.0):
        return Overhang(0.0, 0.0)
    spread = (hull - wish.own) * height_mm
    shorter = _most_that(lambda share: fits(share, 1.0), _ShareBound.of(rooms, wish, spread, [True, False]))
    lower = _most_that(lambda share: fits(1.0, share), _ShareBound.of(rooms, wish, spread, [False, True]))
    if shorter or lower:
        return Overhang(
            length * (1 - shorter) if shorter else 0.0,
            height * (1 - lower) if lower else 0.0,
        )
    along, across = _box_shares(rooms, length, height)
    if not fits(along, across):
        bound = _ShareBound.of(rooms, wish, spread, [True, True])
        along = across = _most_that(lambda share: fits(share, share), bound) or 0.0
    return Overhang(length * (1 - along), height * (1 - across))


def _is_squeezed_in(
    room: Room, hull: Floats, wish: _Wish, height_mm: float, spots: list[tuple[float, float]]
) -> bool:
    """As `_is_held`, sooner where one of the spots will do: the first, or the last that was found."""
    if any(certainly_holds(room, hull, height_mm, spot) for spot in reversed(spots)):
        return True
    copies = Copies(room, hull)
    if (known := wish.fits_anywhere(copies, height_mm)) is not None:
        return known
    free = wish.allowed(copies.positions(height_mm, near=spots[-1]), height_mm)
    if free.is_empty:
        return False
    spots[1:] = [free.representative_point().coords[0]]
    return True


def _may_hold(room: Room, length: float, height: float) -> bool:
    """Whether the room's box is as long and as high as that (mm); what isn't holds no such block."""
    x0, y0, x1, y1 = room.polygon.bounds
    return bool(x1 - x0 >= length - _BOX_SLACK_MM and y1 - y0 >= height - _BOX_SLACK_MM)


#: More than any rounding, and less than makes a difference to what is looked at closely.
_BOX_SLACK_MM = 1e-6


@dataclass(frozen=True, slots=True)
class _ShareBound:
    """What a linear programme says at once of squeezed blocks: which share of a size certainly fits, and
    which is certainly too much."""

    fits: float
    too_much: float

    @classmethod
    def of(cls, rooms: Sequence[Room], wish: _Wish, spread: Floats, squeezed: Sequence[bool]) -> _ShareBound:
        """For a block's corners about its own point (mm), squeezed along and across as said."""
        fixed, growing = spread * ~np.array(squeezed), spread * np.array(squeezed)
        shares = [
            largest_share(fixed, growing, room.normals, room.offsets + TOUCH_MM) or 0.0 for room in rooms
        ]
        # In a convex room where a block may slide as it likes, the frame is all there is.
        free = [
            share
            for room, share in zip(rooms, shares, strict=True)
            if wish.slide == "both" and len(room.obstacles.counts) == 0
        ]
        return cls(max(free, default=0.0) * (1 - _SURE), max(shares, default=0.0) * (1 + _SURE))


#: By this share a bound must be kept or missed to be believed in spite of rounding.
_SURE = 1e-6


def _most_that(fits: Callable[[float], bool], bound: _ShareBound) -> float | None:
    """The largest share of a size that fits, found by halving; None when not even a 4096th does."""

    def is_fitting(part: int) -> bool:
        share = part / _SHARES
        if share < bound.fits:
            return True
        return share <= bound.too_much and fits(share)

    low, high = 1, _SHARES
    if not is_fitting(low):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if is_fitting(middle):
            low = middle
        else:
            high = middle
    return low / _SHARES


def _box_shares(rooms: tuple[Room, ...], length: float, height: float) -> tuple[float, float]:
    """What share of its length and height a block can have in the box of the largest room."""
    boxes = [room.polygon.bounds for room in rooms] or [(0.0, 0.0, 0.0, 0.0)]
    x0, y0, x1, y1 = max(boxes, key=lambda box: (box[2] - box[0]) * (box[3] - box[1]))
    return min(1.0, (x1 - x0) / length), min(1.0, (y1 - y0) / height)


def turn_of(zone: Zone) -> float:
    """Direction of a straight baseline in degrees."""
    (x0, y0), (x1, y1) = zone.baseline.points[0], zone.baseline.points[-1]
    return math.degrees(math.atan2(y1 - y0, x1 - x0))


def _rooms(region: Region, zone: Zone) -> tuple[Room, ...]:
    return _turned_rooms(shapely.to_wkb(region.polygon), turn_of(zone))


class _Same:
    """A room as a cache's key: itself, not what it holds."""

    def __init__(self, room: Room) -> None:
        self.room = room

    def __hash__(self) -> int:
        return id(self.room)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.room is other.room


def _copies(room: Room, hull: Floats) -> Copies:
    """The copies of a hull in a room: made once for the largest size, the place and what is over."""
    return _known_copies(_Same(room), hull.tobytes())


@lru_cache(maxsize=256)
def _known_copies(same: _Same, hull: bytes) -> Copies:
    return Copies(same.room, np.frombuffer(hull, dtype=np.float64).reshape(-1, 2))


@lru_cache(maxsize=512)
def _turned_rooms(wkb: bytes, turn_deg: float) -> tuple[Room, ...]:
    """The region's pieces in a frame where the baseline is level."""
    level = affinity.rotate(shapely.from_wkb(wkb), -turn_deg, origin=(0, 0))
    return tuple(room_of(part) for part in shapely.get_parts(level) if part.area > 0)


@dataclass(frozen=True, slots=True)
class _Wish:
    """Where a block wants to be: its own point `own` (composition frame) at `anchor`, both with the baseline
    level, and how far from there the zone lets it slide."""

    anchor: tuple[float, float]
    own: tuple[float, float]
    slide: Slide
    turn_deg: float

    @classmethod
    def of(cls, hull: Floats, zone: Zone, align: Align) -> _Wish:
        return cls(anchor_of(zone, align), own_point(hull), zone.slide, turn_of(zone))

    def origin(self, height_mm: float) -> tuple[float, float]:
        """Where the composition's origin comes to lie when the wish is granted (level frame)."""
        return self.anchor[0] - self.own[0] * height_mm, self.anchor[1] - self.own[1] * height_mm

    def fits_anywhere(self, copies: Copies, height_mm: float) -> bool | None:
        """Whether any position is allowed, sooner than by drawing them; None where only they show it."""
        return copies.fits_anywhere(height_mm) if self.slide == "both" else None

    def allowed(self, positions: Any, height_mm: float) -> Any:
        """Those of the positions to which the block may slide."""
        if self.slide == "both" or positions.is_empty:
            return positions
        x, y = self.origin(height_mm)
        tracks = {
            "along": LineString([(-_FAR_MM, y), (_FAR_MM, y)]),
            "across": LineString([(x, -_FAR_MM), (x, _FAR_MM)]),
            "none": Point(x, y),
        }
        return shapely.intersection(positions, tracks[self.slide])

    def distance_mm(self, fit: Fit) -> float:
        """How far from its wish a block was placed."""
        wished = self.origin(fit.height_mm)
        x, y = Affine.turned(-self.turn_deg).point((fit.x_mm, fit.y_mm))
        return math.hypot(x - wished[0], y - wished[1])


def _steps(height_mm: float) -> int:
    """Whole height steps in a height, with allowance for its float representation."""
    return math.floor(height_mm / HEIGHT_STEP_MM + 1e-6)


def _height_mm(step: int) -> float:
    return round(step * HEIGHT_STEP_MM, 6)


class _Held:
    """Whether a hull fits in a room at a height: where it wants to be, or else anywhere that it may be."""

    def __init__(self, room: Room, hull: Floats, wish: _Wish) -> None:
        self._room, self._hull, self._wish = room, hull, wish
        self._not_as_wished_mm = math.inf

    def __call__(self, height_mm: float) -> bool:
        if height_mm < self._not_as_wished_mm:  # what does not fit there at a height fits at no greater one
            if certainly_holds(self._room, self._hull, height_mm, self._wish.origin(height_mm)):
                return True
            self._not_as_wished_mm = height_mm
        return _is_free(self._room, self._hull, self._wish, height_mm)


def _is_free(room: Room, hull: Floats, wish: _Wish, height_mm: float) -> bool:
    """Whether a hull fits anywhere that it may be in a room at that height."""
    copies = _copies(room, hull)
    if (known := wish.fits_anywhere(copies, height_mm)) is not None:
        return known
    return not wish.allowed(copies.positions(height_mm), height_mm).is_empty


def _largest_step(fits: Callable[[float], bool], low: int, top: int) -> int:
    """Largest whole step in (low, top] whose height fits, or `low`. Bisection: what fits of a hull at a
    height fits at every smaller one under each of the zone's slides."""

    def feasible(step: int) -> bool:
        return fits(_height_mm(step))

    if top <= low:
        return low
    if feasible(top):
        return top
    if top == low + 1 or not feasible(low + 1):
        return low
    low += 1
    while top - low > 1:
        middle = (low + top) // 2
        if feasible(middle):
            low = middle
        else:
            top = middle
    return low


def _placed(region: Region, copies: Copies, hull: Floats, wish: _Wish, height_mm: float) -> Fit | None:
    spot = _nearest_spot(copies, hull, wish, height_mm)
    if spot is None:
        return None
    block = shapely.convex_hull(shapely.multipoints(hull * height_mm + spot))
    if wish.turn_deg:
        block = affinity.rotate(block, wish.turn_deg, origin=(0, 0))
    x, y = Affine.turned(wish.turn_deg).point(spot)
    return Fit(height_mm, x, y, wish.turn_deg, region, (block,))


def _nearest_spot(copies: Copies, hull: Floats, wish: _Wish, height_mm: float) -> tuple[float, float] | None:
    """Where the composition's origin may lie, the nearest to where it wants to; None where it may nowhere."""
    wished = wish.origin(height_mm)
    if wish.slide == "both" and certainly_holds(copies.room, hull, height_mm, wished):
        return wished
    allowed = wish.allowed(copies.positions(height_mm), height_mm)
    if allowed.is_empty:
        return None
    spot = nearest_points(allowed, Point(wished))[0]
    return spot.x, spot.y


def anchor_of(zone: Zone, align: Align) -> tuple[float, float]:
    """The zone's anchor in the level frame: given, or the zone's start, middle or end on its mid-line."""
    turn = turn_of(zone)
    if zone.anchor is not None:
        return Affine.turned(-turn).point(zone.anchor)
    x0, y0, x1, y1 = _level_box(shapely.to_wkb(zone.polygon), turn)
    return {"start": x0, "centre": (x0 + x1) / 2, "end": x1}[align], (y0 + y1) / 2


@lru_cache(maxsize=512)
def _level_box(wkb: bytes, turn_deg: float) -> tuple[float, float, float, float]:
    """x0, y0, x1, y1 of a polygon in a frame where the baseline is level."""
    x0, y0, x1, y1 = affinity.rotate(shapely.from_wkb(wkb), -turn_deg, origin=(0, 0)).bounds
    return float(x0), float(y0), float(x1), float(y1)


__all__ = [
    "Binding",
    "Fit",
    "Overhang",
    "anchor_of",
    "bindings_of",
    "holds",
    "largest",
    "overhang",
    "own_point",
    "place",
    "turn_of",
]
