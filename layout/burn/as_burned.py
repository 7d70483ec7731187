"""A mark as a process burns it: what the beam's middle follows, widened by half the line.

Fill alone can't burn a hairline. Rows and the edge line run inside the outline shrunk by the edge allowance,
and where a stroke is narrower than twice the allowance nothing is left of it; without an edge line, rows may
miss what is narrower than their spacing, too. There the process burns the stroke's centre line, which comes
out one line wide, bolder than it was drawn:

    outline:   ======--------======      path:  [fill]- - - - -[fill]      burned:  ======≈≈≈≈≈≈≈≈======

Judged by shape and not by where rows fall: a row lattice moves with the face, a verdict must not.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon

from layout.marks.features import LOST_WIDTHS
from layout.shop.measure import Floats
from layout.shop.stations import Process

#: A part of the outline farther than this many lines from everything burned is lost; a corner's tip is not.
LOST_LINES = 0.5
#: Chords to the quarter of arcs, which lie within a hundredth of a line of the true ones.
_QUARTER = 6
#: The outline's edge is looked at in steps of this share of a line where centre lines are drawn.
_STEP_LINES = 0.4
#: Strokes so many lines wide certainly have a centre line: a step's chord of one edge, seen from the other,
#: has the middle of its circle inside. They are taken to have one where they are so many times as wide.
_CERTAIN_LINES, _IN_HAND = _STEP_LINES / 2, 1.5
#: What is certainly within reach is so to this share of a line, more than chords are off.
_CHORDS = 0.02
#: A part is small where its box's diagonal is less than this share of the reach.
_SMALL = 0.99
#: An end that leads nowhere is no line where it is shorter than this share of a line.
_STUB_LINES = 0.15
#: Two points of an edge face one another across a stroke where the way round is so much longer.
_ACROSS = 1.4
#: Centre lines lie on this grid, coarser than frozen coordinates, for their last digits are of no account.
_GRID_MM = 0.001


#: How an area is burned: by fill alone, with centre lines where fill leaves something out, or not all of it.
How = Literal["filled", "lined", "lost"]
#: Of one area: what is burned, its centre lines, and parts that are lost.
_Drawn = tuple[Any, list[LineString], list[Any]]


@dataclass(frozen=True, slots=True)
class AsBurned:
    """Areas inside the edge allowance, where the beam's middle may run; centre lines (mm); the whole burned
    shape (a Polygon or MultiPolygon); parts of the drawing that neither fill nor centre lines burn."""

    inside: tuple[Polygon, ...]
    centre_lines: tuple[LineString, ...]
    shape: Any
    lost: tuple[Any, ...]


def as_burned(areas: Sequence[Polygon], strokes: Sequence[LineString], process: Process) -> AsBurned:
    """What a process makes of areas and open strokes (mm)."""
    lines: list[LineString] = []
    lost: list[Any] = []
    width = process.line_width_mm
    drawn = np.array(areas, dtype=object)
    inside, paths, shapes = _filled(drawn, process)
    for at, left in _lost_of_each(drawn, shapes, width).items():
        if not process.burns_centre_lines:
            lost += left
            continue
        middles = _middles(drawn[at], paths[at], _near(left, process), width)
        shapes[at], burned_lines, still_left = _lined(drawn[at], shapes[at], left, middles, width)
        lines += burned_lines
        lost += still_left
    if strokes:
        shapes = np.append(shapes, _widened(strokes, width))
    # Most areas stand apart: those are taken as they are, in a twentieth of the time of a union of all.
    whole = shapes[0] if len(shapes) == 1 else _area_of(shapely.disjoint_subset_union_all(shapes))
    return AsBurned(
        tuple(part for part in shapely.get_parts(inside) if part.area > 0),
        tuple(sorted(lines, key=lambda line: line.coords[0])),
        whole,
        tuple(lost),
    )


@lru_cache(maxsize=16)
def mark_as_burned(areas: tuple[Polygon, ...], process: Process) -> AsBurned:
    """The same of a mark's areas, kept for a while: its seconds, its picture and its file all ask for it."""
    return as_burned(areas, (), process)


def worst_burned(areas: Sequence[Polygon], process: Process) -> How:
    """How the one of the areas is burned that fill burns worst: what `as_burned` makes of them, with less
    work. Nothing is looked at after an area of which a part is lost."""
    worst: How = "filled"
    for area in areas:
        how = _how_burned(area, process)
        if how == "lost":
            return how
        worst = how if how == "lined" else worst
    return worst


def nothing_lost_from_mm(process: Process) -> float:
    """The stroke width (mm) from which a process certainly loses no part of an area: one that has no thinner
    stroke by the definition of `layout.marks.features`. Infinite where no width shows it.

    A point in a disc that fill has a path in is burned. In one that it has none in, the way to the centre
    line is no longer than fill is deep. What lies in no disc as wide as a certain line, as a corner's tip, is
    near one: or a stroke would be thinner. So everything is within reach where depth and tip are together.
    """
    certain = _CERTAIN_LINES * process.line_width_mm
    deep = process.edge_allowance_mm + (0.0 if process.edge_line else process.rows.spacing_mm / 2)
    is_in_reach = deep + LOST_WIDTHS * certain <= (LOST_LINES + 0.5 - _CHORDS) * process.line_width_mm
    return _IN_HAND * certain if process.burns_centre_lines and is_in_reach else math.inf


def _how_burned(area: Polygon, process: Process) -> How:
    _, path, burned = _filled(area, process)
    left = _lost_parts(area, burned, process.line_width_mm)
    if not left:
        return "filled"
    if not process.burns_centre_lines:
        return "lost"
    middles = _middles(area, path, _near(left, process), process.line_width_mm)
    if middles and _are_near(left, burned, middles, process.line_width_mm):
        return "lined"
    return "lost" if _lined(area, burned, left, middles, process.line_width_mm)[2] else "lined"


def _lined(area: Polygon, burned: Any, left: list[Any], middles: list[LineString], width: float) -> _Drawn:
    """What is burned of an area, its centre lines, and parts that are lost, once it is known what fill burns
    and leaves, and where middle lines run."""
    if middles:
        burned = _area_of(shapely.union(burned, _widened(middles, width)))
        left = _lost_parts(area, burned, width)
    tips = [line for part in left if (line := _to_tip(area, part, burned)) is not None]
    if tips:
        burned = _area_of(shapely.union(burned, _widened(tips, width)))
        left = _lost_parts(area, burned, width)
    return burned, middles + tips, left


def _area_of(joined: Any) -> Any:
    """A union of areas without the lines of no length that GEOS leaves in one in ten thousand."""
    if joined.geom_type != "GeometryCollection":
        return joined
    return MultiPolygon([part for part in joined.geoms if part.geom_type == "Polygon"])


def centre_lines(areas: Sequence[Polygon], process: Process) -> tuple[LineString, ...]:
    """The centre lines of what fill leaves without a path; none for a process that burns none.

    From left to right, each from its left end: the same areas give the same lines.
    """
    return mark_as_burned(tuple(areas), process).centre_lines if process.burns_centre_lines and areas else ()


def _filled(area: Any, process: Process) -> tuple[Any, Any, Any]:
    """Of an area or each of an array of them: what lies inside the edge allowance, where the beam's middle
    certainly comes near enough (all of that, or without an edge line only where a row can't be missed), and
    what fill burns: half a line more."""
    half = process.line_width_mm / 2
    inside = shapely.buffer(area, -process.edge_allowance_mm, quad_segs=_QUARTER)
    if process.edge_line:
        return inside, inside, shapely.buffer(inside, half, quad_segs=_QUARTER)
    missed = process.rows.spacing_mm / 2
    core = shapely.buffer(inside, -missed, quad_segs=_QUARTER)
    # Grown once by both: growing what was grown, whose edges are arcs of many chords, costs many times more.
    path, burned = (shapely.buffer(core, by, quad_segs=_QUARTER) for by in (missed, missed + half))
    return inside, path, burned


def _widened(lines: Sequence[LineString], width: float) -> Any:
    return shapely.multilinestrings(list(lines)).buffer(width / 2, quad_segs=_QUARTER)


def _near(parts: Sequence[Any], process: Process) -> Any:
    """Where centre lines are drawn for parts that fill does not burn."""
    whole = parts[0] if len(parts) == 1 else shapely.union_all(parts)
    return whole.buffer(process.line_width_mm)


def _lost_parts(area: Any, burned: Any, width_mm: float) -> list[Any]:
    """Parts of an area that reach farther than LOST_LINES from what is burned."""
    return _lost_of_each(np.array([area]), np.array([burned]), width_mm).get(0, [])


def _lost_of_each(areas: Any, burned: Any, width_mm: float) -> dict[int, list[Any]]:
    """Such parts of each of some areas (arrays), by the area's number; one that loses none is left out."""
    lost: dict[int, list[Any]] = {}
    pieces, owner = shapely.get_parts(shapely.difference(areas, burned), return_index=True)
    for at, piece in zip(*_out_of_reach(pieces, owner, burned, width_mm), strict=True):
        lost.setdefault(int(at), []).append(piece)
    return lost


def _are_near(parts: Sequence[Any], burned: Any, lines: Sequence[LineString], width_mm: float) -> bool:
    """Whether all of some parts of an area, each beside what fill burns, is certainly within reach of that or
    of centre lines: their edges are, and what else bounds what the lines leave of them is the lines' own."""
    points = shapely.points(shapely.get_coordinates(shapely.segmentize(parts, _STEP_LINES * width_mm)))
    drawn = shapely.multilinestrings(list(lines))
    # No point of an edge is further than half a step from one of these.
    beyond = (LOST_LINES - _STEP_LINES / 2 - _CHORDS) * width_mm
    shapely.prepare(drawn)
    points = points[~shapely.dwithin(drawn, points, width_mm / 2 + beyond)]
    return len(points) == 0 or bool(shapely.dwithin(burned, points, beyond).all())


def _out_of_reach(pieces: Any, owner: Any, burned: Any, width_mm: float) -> tuple[Any, Any]:
    """Which of the pieces, each of the area of that number, beside what is burned of it, reach farther than
    LOST_LINES from that: the number and the piece of each, in order."""
    x0, y0, x1, y1 = shapely.bounds(pieces).T
    # In a piece that is smaller than the reach, nothing is out of reach, or nothing at all is burned.
    reach = LOST_LINES * width_mm
    is_large = (np.hypot(x1 - x0, y1 - y0) > reach * _SMALL) | shapely.is_empty(burned[owner])
    is_large &= shapely.area(pieces) > 0
    pieces, owner = pieces[is_large], owner[is_large]
    # Along the edges: a bar between two burned ends has all its corners on what is burned, and yet its middle
    # is lost.
    edges = shapely.segmentize(pieces, _STEP_LINES * width_mm)
    points, piece = shapely.get_coordinates(edges, return_index=True)
    beside = burned[owner]
    shapely.prepare(beside)
    is_lost = ~shapely.dwithin(beside[piece], shapely.points(points), reach)  # also where nothing is burned
    which = np.unique(piece[is_lost])
    return owner[which], pieces[which]


def _middles(area: Polygon, path: Any, near: Any, width: float) -> list[LineString]:
    """The middle line of an area (its medial axis, as the edges of the Voronoi diagram of points along its
    boundary) outside the path area, where `near` is."""
    from scipy.spatial import QhullError, Voronoi  # here: most processes never draw a centre line

    points, place, ring, length = _edge_points(area, near, _STEP_LINES * width)
    if len(points) < 4:
        return []
    try:
        diagram = Voronoi(points)
    except QhullError:  # all points in one line: no area to speak of
        return []
    ridges = np.asarray(diagram.ridge_vertices)
    one, other = np.asarray(diagram.ridge_points).T
    along = np.abs(place[one] - place[other])
    along = np.minimum(along, length[ring[one]] - along)
    apart = np.hypot(*(points[one] - points[other]).T)
    faces = (ring[one] != ring[other]) | (along > _ACROSS * apart)
    keep = faces & (ridges >= 0).all(axis=1)
    ends = diagram.vertices[ridges[keep]]
    x, y = ends[..., 0], ends[..., 1]
    for region in (area, path, near):
        shapely.prepare(region)
    is_drawn = shapely.contains_xy(area, x, y)
    is_wanted = is_drawn & ~shapely.intersects_xy(path, x, y) & shapely.contains_xy(near, x, y)
    # A ridge with one end in the path area is what joins the line to the fill.
    inside = is_drawn.all(axis=1) & is_wanted.any(axis=1)
    if not inside.any():
        return []
    # One that crosses an opening has both ends in the area, too.
    ends = ends[inside]
    ends = ends[shapely.contains_properly(area, shapely.linestrings(ends))]
    rounded = np.round(ends / _GRID_MM) * _GRID_MM
    rounded = rounded[(rounded[:, 0] != rounded[:, 1]).any(axis=1)]
    if len(rounded) == 0:
        return []
    merged = shapely.line_merge(shapely.union_all(shapely.linestrings(rounded)))
    lines = shapely.get_parts(merged)
    kept = _without_spurs(lines[shapely.length(lines) > 0], width)
    return _from_left(shapely.simplify(kept, _GRID_MM))


def _to_tip(area: Polygon, part: Any, burned: Any) -> LineString | None:
    """From what is burned straight to the far end of a part that has no middle line of its own, a short tip;
    of a splinter that stands alone, from end to end. None where that way leaves the area."""
    points = shapely.points(shapely.get_coordinates(part))
    start_of = points[0] if burned.is_empty else burned
    away = shapely.distance(start_of, points)
    way = shapely.shortest_line(start_of, points[int(np.argmax(away))])
    start, end = (np.round(np.asarray(way.coords) / _GRID_MM) * _GRID_MM).tolist()
    if start == end or not area.buffer(_GRID_MM).covers(LineString([start, end])):
        return None
    return _from_left([LineString([start, end])])[0]


def _edge_points(area: Polygon, near: Any, step: float) -> tuple[Floats, Floats, Any, Floats]:
    """Points (n, 2) of the boundary near the places in question, how far along its ring each lies, which ring
    that is, and every ring's length."""
    rings = shapely.get_rings(area)
    points, ring = shapely.get_coordinates(shapely.segmentize(rings, step), return_index=True)
    steps = np.hypot(*np.diff(points, axis=0, prepend=points[:1]).T)
    first = np.searchsorted(ring, np.arange(len(rings)))
    run = np.cumsum(steps)
    place = run - run[first][ring]
    shapely.prepare(near)
    wanted = shapely.intersects_xy(near, points[:, 0], points[:, 1])
    wanted[np.append(first[1:] - 1, len(points) - 1)] = False  # the last point of a ring is its first again
    return points[wanted], place[wanted], ring[wanted], shapely.length(rings)


def _without_spurs(lines: Sequence[LineString], width: float) -> list[LineString]:
    """Lines without stubs: short ends that lead nowhere, which corners leave."""
    starts, ends = (list(map(tuple, _ends_of(lines, which).tolist())) for which in (0, -1))
    met = Counter((*starts, *ends))
    is_long = shapely.length(lines) > _STUB_LINES * width
    kept = [
        line
        for line, long, start, end in zip(lines, is_long, starts, ends, strict=True)
        if long or (met[start] > 1 and met[end] > 1)
    ]
    return kept or list(lines)


def _ends_of(lines: Sequence[LineString], which: int) -> Floats:
    return np.asarray(shapely.get_coordinates(shapely.get_point(lines, which)))


def _from_left(lines: Sequence[LineString]) -> list[LineString]:
    """Lines, each from its left end; of two ends above one another from the lower."""
    starts, ends = _ends_of(lines, 0).tolist(), _ends_of(lines, -1).tolist()
    return [
        line if start <= end else LineString(line.coords[::-1])
        for line, start, end in zip(lines, starts, ends, strict=True)
    ]
