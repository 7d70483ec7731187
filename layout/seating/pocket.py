"""In which ways a unit lies in a pocket: found from the two shapes alone, with room to the walls all round.

Every turn and every place is looked at, coarse to fine: a box of poses is dropped when some corner of the
unit is too deep in a wall to come out of it within the box, so no way is missed. What is left falls into
separate ways (turned end for end is another one). In each the pose with the most room is found by linear
programs on the distances of corners from walls, and from there how far the unit can be pushed and turned.

The corner distances are those of T. Lozano-Pérez's configuration space ("Spatial planning: a configuration
space approach", IEEE Transactions on Computers C-32, 1983, from memory), seen as a signed distance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from layout.shop.measure import Floats

#: Room on all sides without which nobody gets a unit in and out (common practice, no source).
CLEARANCE_MM = 0.05
#: What can be pushed farther than this is not held by its pocket (common practice, no source): words would
#: land where nobody wants them.
HELD_MM = 1.0
#: Shapes are looked at to this: far below any clearance, above the noise of flattened curves.
_SIMPLE_MM = 0.002
#: Boxes of poses are cut until no corner moves farther than this within one.
_FINE_MM = 0.5
#: More boxes than this are left only where a unit can go for walks in its pocket.
_MOST_BOXES = 8000
_AT_ONCE = 3_000_000
_STARTS = 4
#: Steps of the search for the most room, and of pushing: the first, and the last that counts.
_FIRST_STEP_MM, _LAST_STEP_MM, _LAST_PUSH_MM = 1.0, 5e-5, 2e-3
#: Within one step a corner moves by less than this many.
_SEEN = 2.5
_DIRECTIONS = 8


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which a unit lies in a pocket: its frame turned by `turn_deg` (counter-clockwise), then
    moved to x, y (mm, pocket's frame).

    `clearance_mm` is the room that is left all round. From there the unit can be pushed by up to `shift_mm`
    and turned by up to `tilt_deg` either way, seen at the point `about` of its own frame.
    """

    x_mm: float
    y_mm: float
    turn_deg: float
    clearance_mm: float
    shift_mm: float
    tilt_deg: float
    about: tuple[float, float]

    @property
    def is_held(self) -> bool:
        """Whether the walls say where the unit lies, or somebody must."""
        return self.shift_mm <= HELD_MM


@dataclass(frozen=True, slots=True)
class Ways:
    """All ways, the one with the most room first; `is_loose`: the pocket is so wide that there are no ways to
    tell apart."""

    ways: tuple[Way, ...]
    is_loose: bool = False


def ways_in(pocket: Polygon, unit: Polygon, *, clearance_mm: float = CLEARANCE_MM) -> Ways:
    """The ways in which `unit` (its own frame, mm) lies in `pocket` with at least so much room on all sides.

    Raises ValueError for shapes without an area.
    """
    if pocket.is_empty or unit.is_empty or not (pocket.is_valid and unit.is_valid):
        raise ValueError("a pocket and a unit are shapes with an area")
    if unit.area >= pocket.area:
        return Ways(())
    pair = _Pair(pocket, unit)
    boxes = _boxes(pair, clearance_mm)
    if boxes is None:
        return Ways((), is_loose=True)
    found: list[Way] = []
    for starts in _starts(boxes):
        best = pair.centred(max((pair.settled(pose) for pose in starts), key=pair.room))
        room = pair.exact_room(best)
        if room >= clearance_mm - 1e-6 and not any(_same(best, other, pair) for other in found):
            found.append(pair.way(best, room))
    return Ways(tuple(sorted(found, key=lambda way: -way.clearance_mm)))


def _same(pose: Floats, other: Way, pair: _Pair) -> bool:
    placed = pair.pose_of(other)
    turned = abs((pose[2] - placed[2] + math.pi) % (2 * math.pi) - math.pi)
    return bool(np.hypot(*(pose[:2] - placed[:2])) + turned * pair.reach < _FINE_MM)


class _Pair:
    """A pocket and a unit, made ready. A pose is where the middle of the unit lies (x, y) and its turn in
    radians."""

    def __init__(self, pocket: Polygon, unit: Polygon) -> None:
        self._exact = pocket, unit
        self.pocket = orient(pocket.simplify(_SIMPLE_MM))
        self.unit = orient(Polygon(unit.exterior).simplify(_SIMPLE_MM))  # holes of a unit hit no wall
        circle = shapely.minimum_bounding_circle(self.unit)
        self.middle = np.array([circle.centroid.x, circle.centroid.y])
        self.reach = float(shapely.minimum_bounding_radius(self.unit))
        self._walls = np.concatenate([_segments(r) for r in (self.pocket.exterior, *self.pocket.interiors)])
        self._edges = _segments(self.unit.exterior) - self.middle
        self._corners = _turning(self.unit.exterior, 1.0) - self.middle
        standing_in = [_turning(self.pocket.exterior, -1.0)]
        standing_in += [_turning(ring, -1.0) for ring in self.pocket.interiors]
        self._points_in = np.concatenate(standing_in)
        shapely.prepare(self.pocket)
        self._field = _Field(self.pocket)
        dense = self.unit.exterior.segmentize(self.reach / 12)
        self._outer = shapely.get_coordinates(dense)[:-1] - self.middle
        self._away = np.hypot(*self._outer.T)

    # --- boxes of poses ---

    def most_room(self, poses: Floats, half_mm: float, half_rad: float) -> Floats:
        """No pose within each box (n, 3) around these leaves more room than this (mm)."""
        step = max(1, _AT_ONCE // len(self._outer))
        slack = half_mm * math.sqrt(2) + self._away * half_rad
        rooms = []
        for at in range(0, len(poses), step):
            some = poses[at : at + step]
            cos, sin = np.cos(some[:, 2, None]), np.sin(some[:, 2, None])
            x, y = self._outer.T
            rooms.append(
                (
                    self._field(some[:, 0, None] + cos * x - sin * y, some[:, 1, None] + sin * x + cos * y)
                    + slack
                ).min(axis=1)
            )
        return np.concatenate(rooms)

    # --- one pose ---

    def settled(self, pose: Floats) -> Floats:
        """The pose nearby that leaves the most room."""
        return self._climbed(pose, None)

    def pushed(self, pose: Floats, direction: Floats) -> Floats:
        """The farthest pose in a direction of (x, y, turn) that the unit can be pushed to."""
        return self._climbed(pose, direction)

    def _climbed(self, pose: Floats, direction: Floats | None) -> Floats:
        """By linear programs within a step that is halved where they promise too much."""
        step, last = _FIRST_STEP_MM, _LAST_STEP_MM if direction is None else _LAST_PUSH_MM
        room, gains = self._linear(pose, _SEEN * step)
        while step > last:
            move, promised = _best_move(room, gains, step, self.reach, direction)
            if promised <= 1e-9:
                break
            there = pose + move
            new_room, new_gains = self._linear(there, _SEEN * step)
            least = float(new_room.min())
            good = least > float(room.min()) + 1e-9 if direction is None else least >= -1e-6
            if good:
                pose, room, gains = there, new_room, new_gains
                step = min(2 * step, _FIRST_STEP_MM)
            else:
                step /= 4
        return pose

    def room(self, pose: Floats) -> float:
        """The least distance of the unit from a wall (mm), below 0 for one that reaches into it."""
        return float(self._linear(pose, 0.0)[0].min())

    def exact_room(self, pose: Floats) -> float:
        """The same of the shapes as they were given."""
        pocket, unit = self._exact
        turned = _turned(shapely.get_coordinates(unit.exterior) - self.middle, pose[2]) + pose[:2]
        there = Polygon(turned)
        return float(pocket.boundary.distance(there)) if pocket.covers(there) else min(self.room(pose), 0.0)

    def _linear(self, pose: Floats, within: float) -> tuple[Floats, Floats]:
        """Distances (n,) of the unit's corners from walls, and of the walls' corners from the unit, all that
        are within so much of the least; and what each gains (n, 3) by a move of the pose."""
        corners = _turned(self._corners, pose[2])
        free = shapely.contains_xy(self.pocket, *(corners + pose[:2]).T)
        rooms, inward, which, _ = _near(corners + pose[:2], self._walls, free, within)
        all_rooms, all_gains = [rooms], [_gains(inward, corners[which])]
        if len(self._points_in):
            seen = _turned(self._points_in - pose[:2], -pose[2])
            free = ~shapely.contains_xy(self.unit, *(seen + self.middle).T)
            rooms, outward, _, foot = _near(seen, self._edges, free, within)
            all_rooms.append(rooms)
            all_gains.append(_gains(-_turned(outward, pose[2]), _turned(foot, pose[2])))
        every = np.concatenate(all_rooms)
        kept = every <= every.min() + max(within, 1e-9)
        return every[kept], np.concatenate(all_gains)[kept]

    # --- what is said of it ---

    def centred(self, pose: Floats) -> Floats:
        """The pose half way between the farthest that it can be pushed to, where that leaves as much room."""
        ends = self._ends(pose)
        middle = (ends.min(axis=0) + ends.max(axis=0)) / 2
        return middle if self.room(middle) > self.room(pose) - _SIMPLE_MM else pose

    def way(self, pose: Floats, room: float) -> Way:
        ends = self._ends(pose) - pose
        turn = math.degrees(pose[2])
        origin = pose[:2] - _turned(self.middle[None], pose[2])[0]
        return Way(
            round(float(origin[0]), 3) + 0.0,
            round(float(origin[1]), 3) + 0.0,
            round(180 - (180 - round(turn, 4)) % 360, 4) + 0.0,
            room,
            # Between two of the directions looked at it may be a little more.
            float(np.hypot(ends[:, 0], ends[:, 1]).max()) / math.cos(math.pi / _DIRECTIONS),
            min(180.0, math.degrees(np.abs(ends[:, 2]).max())),
            (float(self.middle[0]), float(self.middle[1])),
        )

    def _ends(self, pose: Floats) -> Floats:
        """Poses (n, 3) as far as the unit goes in all directions, and turned both ways."""
        round_it = np.arange(_DIRECTIONS) * 2 * np.pi / _DIRECTIONS
        ways = [np.array([np.cos(a), np.sin(a), 0.0]) for a in round_it]
        ways += [np.array([0.0, 0.0, way * self.reach]) for way in (1, -1)]
        return np.array([self.pushed(pose, way) for way in ways])

    def pose_of(self, way: Way) -> Floats:
        turn = math.radians(way.turn_deg)
        x, y = _turned(self.middle[None], turn)[0] + (way.x_mm, way.y_mm)
        return np.array([x, y, turn])


class _Field:
    """No point is deeper in the pocket than this says: signed distances on a grid, raised by what a point may
    lie from its nearest one."""

    def __init__(self, pocket: Polygon) -> None:
        x0, y0, x1, y1 = pocket.bounds
        self._step = max(x1 - x0, y1 - y0) / 300
        self._low = np.array([x0, y0])
        self._high = np.array([x1, y1])
        nx, ny = (math.ceil(d / self._step) + 1 for d in (x1 - x0, y1 - y0))
        x, y = np.meshgrid(x0 + self._step * np.arange(nx), y0 + self._step * np.arange(ny), indexing="ij")
        points = shapely.points(x.ravel(), y.ravel())
        tree = shapely.STRtree([shapely.LineString(s) for ring in _rings(pocket) for s in _segments(ring)])
        (_, _), away = tree.query_nearest(points, return_distance=True, all_matches=False)
        inside = shapely.contains_xy(pocket, x.ravel(), y.ravel())
        self._deep = (np.where(inside, away, -away) + self._step / math.sqrt(2)).reshape(nx, ny)

    def __call__(self, x: Floats, y: Floats) -> Floats:
        beside = np.maximum.reduce(
            [self._low[0] - x, x - self._high[0], self._low[1] - y, y - self._high[1], np.zeros_like(x)]
        )
        i = np.clip(np.rint((x - self._low[0]) / self._step).astype(int), 0, self._deep.shape[0] - 1)
        j = np.clip(np.rint((y - self._low[1]) / self._step).astype(int), 0, self._deep.shape[1] - 1)
        return np.asarray(np.where(beside > 0, -beside, self._deep[i, j]))


@dataclass(frozen=True)
class _Boxes:
    """Boxes of poses that may hold a way, by whole numbers (n, 3) of their steps."""

    cells: Floats
    low: Floats
    step_mm: float
    turns: int
    room: Floats

    @property
    def poses(self) -> Floats:
        """The middle of each."""
        xy = self.low + (self.cells[:, :2] + 0.5) * self.step_mm
        return np.column_stack([xy, (self.cells[:, 2] + 0.5) * 2 * math.pi / self.turns])


def _boxes(pair: _Pair, clearance_mm: float) -> _Boxes | None:
    """All boxes of poses in which a way may lie; None where there are too many for the pocket to hold a
    unit."""
    x0, y0, x1, y1 = pair.pocket.bounds
    step, turns = min(x1 - x0, y1 - y0) / 2, 24
    nx, ny = math.ceil((x1 - x0) / step), math.ceil((y1 - y0) / step)
    cells = np.stack(np.meshgrid(np.arange(nx), np.arange(ny), np.arange(turns), indexing="ij"), -1)
    boxes = _Boxes(cells.reshape(-1, 3), np.array([x0, y0]), step, turns, np.empty(0))
    while True:
        half_rad = math.pi / boxes.turns
        room = pair.most_room(boxes.poses, boxes.step_mm / 2, half_rad)
        kept = room >= clearance_mm
        boxes = replace(boxes, cells=boxes.cells[kept], room=room[kept])
        across, round_it = boxes.step_mm / math.sqrt(2), pair.reach * half_rad
        if len(boxes.cells) > _MOST_BOXES:
            return None
        if not len(boxes.cells) or max(across, round_it) <= _FINE_MM:
            return boxes
        boxes = _halved(boxes, by_turn=round_it > across)


def _halved(boxes: _Boxes, *, by_turn: bool) -> _Boxes:
    halves = [(0, 0, 0), (0, 0, 1)] if by_turn else [(a, b, 0) for a in (0, 1) for b in (0, 1)]
    times = np.array([1, 1, 2] if by_turn else [2, 2, 1])
    cells = (boxes.cells[:, None] * times + np.array(halves)).reshape(-1, 3)
    if by_turn:
        return replace(boxes, cells=cells, turns=2 * boxes.turns)
    return replace(boxes, cells=cells, step_mm=boxes.step_mm / 2)


def _starts(boxes: _Boxes) -> Iterator[list[Floats]]:
    """Poses to begin from, for each lot of boxes that touch one another."""
    if not len(boxes.cells):
        return
    cells = boxes.cells.astype(np.int64)
    place = {tuple(cell): at for at, cell in enumerate(cells.tolist())}
    pairs = [
        (at, other)
        for at, (i, j, k) in enumerate(cells.tolist())
        for di in (0, 1)
        for dj in (-1, 0, 1)
        for dk in (-1, 0, 1)
        if (di, dj, dk) > (0, 0, 0)
        and (other := place.get((i + di, j + dj, (k + dk) % boxes.turns))) is not None
    ]
    from scipy.sparse import coo_array  # here: it takes memory that hardly any process needs
    from scipy.sparse.csgraph import connected_components

    rows, columns = np.array(pairs).reshape(-1, 2).T
    graph = coo_array((np.ones(len(rows)), (rows, columns)), shape=(len(cells), len(cells)))
    _, labels = connected_components(graph, directed=False)
    poses = boxes.poses
    for label in np.unique(labels):
        mine = np.nonzero(labels == label)[0]
        chosen: list[int] = []
        for at in mine[np.argsort(-boxes.room[mine], kind="stable")].tolist():
            if all(np.abs(cells[at] - cells[other]).max() > 2 for other in chosen):
                chosen.append(at)
            if len(chosen) == _STARTS:
                break
        yield [poses[at] for at in chosen]


# --- distances ---


def _best_move(
    room: Floats, gains: Floats, step_mm: float, reach: float, direction: Floats | None
) -> tuple[Floats, float]:
    """The move (x, y, turn) within a step that promises most, and what it promises: room, or way in a
    direction."""
    from scipy.optimize import linprog  # here: it takes memory that hardly any process needs

    limits = [(-step_mm, step_mm), (-step_mm, step_mm), (-step_mm / reach, step_mm / reach)]
    if direction is None:
        rows = np.column_stack([-gains, np.ones(len(gains))])
        solved = linprog([0, 0, 0, -1.0], A_ub=rows, b_ub=room, bounds=[*limits, (None, None)])
        if not solved.success:
            return np.zeros(3), 0.0
        return solved.x[:3], float(solved.x[3] - room.min())
    solved = linprog(-direction, A_ub=-gains, b_ub=np.maximum(room, 0.0), bounds=limits)
    if not solved.success:
        return np.zeros(3), 0.0
    return solved.x, float(direction @ solved.x)


def _gains(normals: Floats, arms: Floats) -> Floats:
    """What a distance along each normal gains by a move to the right, up, and a turn (by 1 rad)."""
    return np.column_stack([normals, arms[:, 0] * normals[:, 1] - arms[:, 1] * normals[:, 0]])


def _near(
    points: Floats, segments: Floats, is_free: Any, within: float
) -> tuple[Floats, Floats, Any, Floats]:
    """Distances of points from the segments nearest to them (and all that are within so much of that), the
    direction in which each grows, the number of its point, and its foot on the segment. Below 0, and from the
    nearest segment alone, for a point on the wrong side."""
    begin, along = segments[:, 0], segments[:, 1] - segments[:, 0]
    length2 = (along**2).sum(axis=1)
    x, y = points[:, 0, None] - begin[:, 0], points[:, 1, None] - begin[:, 1]
    share = np.clip((x * along[:, 0] + y * along[:, 1]) / length2, 0.0, 1.0)
    x, y = x - share * along[:, 0], y - share * along[:, 1]
    far = np.sqrt(x * x + y * y)
    least = far.min(axis=1)
    which, wall = np.nonzero(far <= (least + np.where(is_free, within, 0.0))[:, None])
    sign = np.where(is_free, 1.0, -1.0)[which]
    away, rooms = np.column_stack([x[which, wall], y[which, wall]]), far[which, wall]
    # A point on the segment itself has the segment's own normal: its left, which is inside.
    left = np.column_stack([-along[wall, 1], along[wall, 0]]) / np.sqrt(length2[wall])[:, None]
    direction = np.where(
        rooms[:, None] > 1e-9, sign[:, None] * away / np.maximum(rooms, 1e-12)[:, None], left
    )
    foot = begin[wall] + share[which, wall, None] * along[wall]
    return sign * rooms, direction, which, foot


def _rings(polygon: Polygon) -> list[shapely.LinearRing]:
    return [polygon.exterior, *polygon.interiors]


def _segments(ring: shapely.LinearRing) -> Floats:
    points = shapely.get_coordinates(ring)
    return np.stack([points[:-1], points[1:]], axis=1)


def _turning(ring: shapely.LinearRing, way: float) -> Floats:
    """Corners that turn to the left (1) or to the right (-1), seen along the ring."""
    points = shapely.get_coordinates(ring)[:-1]
    before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.asarray(points[way * cross > 0])


def _turned(points: Floats, turn: float) -> Floats:
    cos, sin = math.cos(turn), math.sin(turn)
    x, y = points[..., 0], points[..., 1]
    return np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)
