"""The last look before a file leaves: what would be on the metal, worked out from the file's own paths.

The paths are read by the judge's readers and widened by half the measured line on its own grid of dots, mark
by mark, and held against the approved outline at the slot's pose and the plate's calibration. Nothing here
was used to make the file, or by the check. What the check lets pass must pass here: limits are a little
wider.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from layout.judge.dots import Grid
from layout.judge.refusals import refuse, who
from layout.judge.written_paths import NotReadable, Written, segments, written_paths
from layout.shop.findings import Finding
from layout.shop.loads import LoadLayout
from layout.shop.measure import Floats
from layout.shop.plates import Pose
from layout.shop.shop import Shop
from layout.shop.stations import Calibration, Process

#: Dots to the line's width, and to the distance between rows.
_DOTS_TO_LINE, _DOTS_TO_ROWS = 4, 2
#: Paths may lie this much (mm) beside the drawing: rounding, and chords for arcs.
BESIDE_MM = 0.004
#: A part of the drawing farther than so many lines from every path is unburned. The check allows no more than
#: one line, where rows can miss nothing.
UNBURNED_LINES = 1.1
#: Deep inside an area no point is farther than half the distance between rows from one; this share of it away
#: from every row means that one is not there.
_ROW_SHARE = 0.75
#: A hole that no disc of so many lines goes into, or of such a share of the mark's height, is a flaw of
#: overlapping strokes.
_FLAW_LINES, _FLAW_HEIGHTS = 0.5, 0.01
#: Rows are told from other lines of two points by their direction, to this sine.
_PARALLEL = 0.02


@dataclass(frozen=True, slots=True)
class _Approved:
    """An approved mark in station coordinates: rings of its areas (shell and holes), open strokes."""

    who: str
    process: Process
    areas: tuple[Polygon, ...]
    strokes: tuple[Floats, ...]
    fill_directions: tuple[Floats, ...]
    slot: str

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        every = np.concatenate([*(shapely.get_coordinates(area) for area in self.areas), *self.strokes])
        (x0, y0), (x1, y1) = every.min(axis=0), every.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    @property
    def rings(self) -> list[Floats]:
        return [np.asarray(r.coords) for area in self.areas for r in (area.exterior, *area.interiors)]


def inspect_file(
    shop: Shop, load: LoadLayout, turn: int, data: bytes, format_name: str
) -> tuple[Finding, ...]:
    """Everything against burning this file for that turn; empty when it burns what was approved.

    Every finding refuses and names the slot. The load itself must have passed `verify`. Raises KeyError for a
    turn or names that are not there.
    """
    station = shop.stations[load.station]
    try:
        written = written_paths(data, format_name, station.field_box_mm)
    except NotReadable as error:
        return (refuse("not_readable", f"turn {turn}: {error}"),)
    approved = _approved(shop, load, turn)
    if station.fill == "outline":
        written = _with_areas(written, approved)
    lines = segments(written.lines)
    findings: list[Finding] = list(_elsewhere(approved, written, lines, turn))
    for mark in approved:
        findings += _mark(mark, approved, written, lines, is_filled=station.fill == "outline")
    findings += _zones(approved, lines)
    return tuple(findings)


def _approved(shop: Shop, load: LoadLayout, turn: int) -> list[_Approved]:
    """All marks of a turn, turned and moved by the judge's own sums."""
    wanted = next(each for each in load.turns if each.turn == turn)
    approved = []
    for fill in wanted.fills:
        seat = shop.plates[load.plate].slot(fill.slot).seat(fill.blade, fill.face)
        for mark in fill.marks:
            process = shop.process_for(load.station, mark.surface)
            if seat is None or process is None or mark.outline.is_empty:
                continue  # `verify` has refused that
            there = partial(_at_station, pose=seat.pose, calibration=load.calibration)
            turns = (0, 90) if process.rows.crossed else (0,)
            approved.append(
                _Approved(
                    who=f"{who(wanted, fill)}, zone {mark.zone}",
                    process=process,
                    areas=tuple(shapely.transform(area, there) for area in mark.outline.areas),
                    strokes=tuple(there(np.asarray(stroke.coords)) for stroke in mark.outline.strokes),
                    fill_directions=tuple(_direction(process.rows.angle_deg + by, there) for by in turns),
                    slot=fill.slot,
                )
            )
    return approved


def _at_station(points: Floats, pose: Pose, calibration: Calibration) -> Floats:
    turn = math.radians(pose.turn_deg)
    x = pose.x_mm + points[:, 0] * math.cos(turn) - points[:, 1] * math.sin(turn)
    y = pose.y_mm + points[:, 0] * math.sin(turn) + points[:, 1] * math.cos(turn)
    a, b, c, d, tx, ty = calibration.matrix
    return np.column_stack([a * x + b * y + tx, c * x + d * y + ty])


def _direction(angle_deg: float, there: Any) -> Floats:
    turn = math.radians(angle_deg)
    start, end = there(np.array([[0.0, 0.0], [math.cos(turn), math.sin(turn)]]))
    return np.asarray((end - start) / math.hypot(*(end - start)))


def _with_areas(written: Written, approved: Sequence[_Approved]) -> Written:
    """A format that can't say which closed lines are filled leaves it to the station's profile: areas are
    those that are not closed strokes."""
    if written.rings:
        return written
    strokes = {_key(stroke) for mark in approved for stroke in mark.strokes}
    rings: list[Floats] = []
    lines: list[Floats] = []
    for line in written.lines:
        is_ring = len(line) > 3 and (line[0] == line[-1]).all() and _key(line) not in strokes
        (rings if is_ring else lines).append(line)
    return Written(tuple(lines), tuple(rings))


def _key(line: Floats) -> tuple[int, ...]:
    low, high = line.min(axis=0), line.max(axis=0)
    return tuple(np.rint(np.concatenate([low, high]) * 500).astype(int).tolist())


def _reach(mark: _Approved) -> float:
    """How far (mm) from the outline's box anything of a mark may be burned."""
    return mark.process.line_width_mm + BESIDE_MM


def _near(box: tuple[float, float, float, float], by: float, lines: Floats) -> Any:
    """Which segments come into a box grown by so much."""
    low, high = lines.min(axis=1), lines.max(axis=1)
    x0, y0, x1, y1 = box
    return (high[:, 0] >= x0 - by) & (low[:, 0] <= x1 + by) & (high[:, 1] >= y0 - by) & (low[:, 1] <= y1 + by)


def _elsewhere(
    approved: Sequence[_Approved], written: Written, lines: Floats, turn: int
) -> Iterator[Finding]:
    """Nothing is burned where no mark is."""
    every = np.concatenate([lines, segments(written.rings)])
    away = np.ones(len(every), dtype=bool)
    for mark in approved:
        away &= ~_near(mark.box_mm, _reach(mark), every)
    if away.any():
        x, y = every[away][0].mean(axis=0)
        message = f"turn {turn}: the file burns at {x:.2f}, {y:.2f} mm, where no mark is"
        yield refuse("burns_elsewhere", message)


def _mark(
    mark: _Approved, approved: Sequence[_Approved], written: Written, lines: Floats, *, is_filled: bool
) -> Iterator[Finding]:
    width, rows = mark.process.line_width_mm, mark.process.rows
    x0, y0, x1, y1 = mark.box_mm
    reach = _reach(mark)
    step = min(width / _DOTS_TO_LINE, rows.spacing_mm / _DOTS_TO_ROWS)
    grid = Grid.over((x0 - reach, y0 - reach, x1 + reach, y1 + reach), step)
    lines = lines[_near(mark.box_mm, reach, lines)]
    farthest = UNBURNED_LINES * width + (0.0 if mark.process.edge_line else rows.spacing_mm)
    burned, near = grid.reached(lines, width / 2), grid.reached(lines, farthest)
    drawn = grid.inside(mark.rings)
    if is_filled:
        rings = [ring for ring in written.rings if _near(mark.box_mm, reach, segments((ring,))).any()]
        yield from _areas(grid, mark, rings, drawn)
        within = _oriented_rings(area.buffer(-mark.process.edge_allowance_mm) for area in mark.areas)
        filled, edge = grid.inside(within), segments(tuple(within))
        burned |= filled | grid.reached(edge, width / 2)
        near |= filled | grid.reached(edge, farthest)
    else:
        yield from _rows(grid, mark, lines)
    if (unburned := (drawn | grid.reached(segments(mark.strokes), step)) & ~near).any():
        yield _at(grid, unburned, "unburned", f"{mark.who}: a part of it would stay unburned")
    if (beside := burned & ~_allowed(grid, mark, approved, drawn)).any():
        yield _at(grid, beside, "burns_beside", f"{mark.who}: the file burns beside the approved outline")
    yield from _counters(grid, mark, burned)


def _areas(grid: Grid, mark: _Approved, rings: Sequence[Floats], drawn: Any) -> Iterator[Finding]:
    """Filled areas are the approved ones."""
    filled = grid.inside(rings)
    inner = ~grid.reached(segments(tuple(mark.rings)), BESIDE_MM)
    if (lacking := drawn & ~filled & inner).any():
        yield _at(grid, lacking, "unburned", f"{mark.who}: a part of it is not in the file")
    if (beside := filled & ~drawn & inner).any():
        yield _at(grid, beside, "burns_beside", f"{mark.who}: the file fills what was not approved")


def _allowed(grid: Grid, mark: _Approved, approved: Sequence[_Approved], drawn: Any) -> Any:
    """Dots that may be burned: within half a line of what was approved, of this unit's other marks too.
    `drawn`: the dots inside the mark's own areas."""
    allowed = drawn.copy()
    for other in approved:
        if other.slot != mark.slot:
            continue
        edges = segments((*other.rings, *other.strokes))
        edges = edges[_near(mark.box_mm, 2 * _reach(mark), edges)]
        half = max(mark.process.line_width_mm, other.process.line_width_mm) / 2 + BESIDE_MM
        allowed |= grid.reached(edges, half)
        if other is not mark:
            allowed |= grid.inside(other.rings)
    return allowed


def _oriented_rings(shapes: Iterable[Any]) -> list[Floats]:
    parts = [orient(part) for part in shapely.get_parts(list(shapes)) if not part.is_empty]
    return [np.asarray(ring.coords) for part in parts for ring in (part.exterior, *part.interiors)]


def _rows(grid: Grid, mark: _Approved, lines: Floats) -> Iterator[Finding]:
    """Deep inside the areas every row is there."""
    spacing = mark.process.rows.spacing_mm
    depth = mark.process.edge_allowance_mm + spacing
    deep = _oriented_rings(area.buffer(-depth) for area in mark.areas)
    if not deep:
        return
    inside = grid.inside(deep)
    along = lines[:, 1] - lines[:, 0]
    length = np.hypot(along[:, 0], along[:, 1])
    for direction in mark.fill_directions:
        cross = np.abs(along[:, 0] * direction[1] - along[:, 1] * direction[0])
        rows = lines[cross <= _PARALLEL * length]
        if (missing := inside & ~grid.reached(rows, _ROW_SHARE * spacing)).any():
            yield _at(grid, missing, "rows_missing", f"{mark.who}: a row of its fill is not in the file")


def _counters(grid: Grid, mark: _Approved, burned: Any) -> Iterator[Finding]:
    """Some of every counter stays open."""
    flaw = max(_FLAW_LINES * mark.process.line_width_mm, _FLAW_HEIGHTS * (mark.box_mm[3] - mark.box_mm[1]))
    for area in mark.areas:
        for ring in area.interiors:
            hole = Polygon(ring)
            if hole.buffer(-flaw / 2).is_empty:
                continue
            part, where = grid.part(hole.bounds)
            inside = part.inside([np.asarray(ring.coords)])
            if not (inside & ~burned[where]).any():
                x, y = hole.centroid.coords[0]
                message = f"{mark.who}: the counter at {x:.2f}, {y:.2f} mm closes when burned"
                yield refuse("counter_closed", message)


def _zones(approved: Sequence[_Approved], lines: Floats) -> Iterator[Finding]:
    """Marks in two zones of one unit stand apart as burned. Where the outlines do so by a line, nothing more
    need be looked at: every path lies inside them."""
    for one, other in combinations(approved, 2):
        if one.slot != other.slot:
            continue
        limit = (one.process.line_width_mm + other.process.line_width_mm) / 2
        if _shape(one).distance(_shape(other)) >= limit + 2 * BESIDE_MM:
            continue
        mine, others = _paths_in(one, lines), _paths_in(other, lines)
        apart = mine.distance(others) if not (mine.is_empty or others.is_empty) else math.inf
        if apart < limit:
            message = (
                f"{one.who}, and {other.who}: {apart:.3f} mm between their paths; they touch when burned"
            )
            yield refuse("zones_touch", message, apart, limit)


def _shape(mark: _Approved) -> Any:
    strokes = [shapely.LineString(stroke) for stroke in mark.strokes]
    return shapely.geometrycollections([*mark.areas, *strokes])


def _paths_in(mark: _Approved, lines: Floats) -> Any:
    near = shapely.linestrings(lines[_near(mark.box_mm, BESIDE_MM, lines)])
    shape = _shape(mark)
    shapely.prepare(shape)
    return shapely.multilinestrings(near[shapely.dwithin(shape, near, BESIDE_MM)])


def _at(grid: Grid, dots: Any, code: str, message: str) -> Finding:
    row, column = np.argwhere(dots)[0]
    x, y = grid.x_mm + column * grid.step_mm, grid.y_mm + row * grid.step_mm
    return refuse(code, f"{message}, at {x:.2f}, {y:.2f} mm")
