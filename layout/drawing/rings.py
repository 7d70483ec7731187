"""Lines that meet are joined to closed shapes; what stays open, branches or crosses itself is refused.

Ends that lie no farther apart than a stated tolerance count as one point, and a loop that is nowhere wider
than that is dropped: both are said. Anything larger is the maker's to mend, so its place is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LinearRing, LineString, Polygon
from shapely.geometry.polygon import orient

from layout.drawing.strokes import FLATTEN_MM, DrawingRefused, Place, Stroke, without_doubles
from layout.shop.measure import Floats, format_mm

#: Ends nearer than this are joined where nobody says otherwise: far below what a person draws on purpose,
#: above what drawing programs leave between two lines that were meant to meet.
CLOSE_MM = 0.05
#: More lines than this in one shape are no drawing of a blade.
MOST_STROKES = 20_000
MOST_PLACES = 12


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """A closed shape, counter-clockwise, and what it was made of."""

    polygon: Polygon
    names: tuple[str, ...]
    entity: str


def closed_rings(strokes: Sequence[Stroke], what: str, close_mm: float) -> tuple[list[Ring], list[str]]:
    """The closed shapes that strokes make, and what had to be done for it.

    Raises DrawingRefused for ends that meet nothing, for places where more than two lines meet, and for
    shapes that cross themselves; `what` is what the strokes were chosen as.
    """
    if len(strokes) > MOST_STROKES:
        raise DrawingRefused(f"the {what} is drawn of {len(strokes)} lines; {MOST_STROKES} are looked at")
    rings: list[Ring] = []
    notes: list[str] = []
    loose = []
    for stroke in (_tidy(s, close_mm) for s in strokes):
        if stroke is None:
            continue
        if stroke.closed:
            rings.append(_ring(stroke, what, close_mm, notes))
        else:
            loose.append(stroke)
    loose, doubles = _without_copies(loose)
    if doubles:
        notes.append(f"{what}: {doubles} lines are drawn twice; one of each was taken")
    chains, widest = _chained(loose, what, close_mm)
    if widest > FLATTEN_MM:
        notes.append(f"{what}: ends up to {format_mm(round(widest, 3))} mm apart were joined")
    rings += [_ring(chain, what, close_mm, notes) for chain in chains]
    return _different(rings, what, notes), notes


def open_line(strokes: Sequence[Stroke], what: str, close_mm: float) -> Floats:
    """One open line (n, 2) of strokes that follow one another. Raises DrawingRefused."""
    tidy = [s for s in (_tidy(s, close_mm) for s in strokes) if s is not None]
    if any(s.closed for s in tidy):
        raise DrawingRefused(f"the {what} is a closed shape; a line with two ends is wanted", strokes=tidy)
    lines, _ = _without_copies(tidy)
    while len(lines) > 1:
        first = lines[0]
        after = next((o for o in lines[1:] if _meet(first, o, close_mm)), None)
        if after is None:
            ends = [_place(s.points[at]) for s in lines for at in (0, -1)]
            raise DrawingRefused(f"the {what} is drawn of {len(lines)} lines that don't meet", ends, lines)
        lines = [_joined(first, after), *(s for s in lines[1:] if s is not after)]
    return lines[0].points


def _tidy(stroke: Stroke, close_mm: float) -> Stroke | None:
    """The stroke without doubled points, closed where its ends meet; None for a mere point."""
    points = without_doubles(stroke.points, closed=stroke.closed)
    if len(points) < 2:
        return None
    closed = stroke.closed
    if not closed and len(points) > 3 and np.hypot(*(points[0] - points[-1])) <= close_mm:
        points, closed = _ends_as_one(points), True
    if closed and len(points) < 3:
        return replace(stroke, points=points, closed=False)
    return replace(stroke, points=points, closed=closed)


def _ends_as_one(points: Floats) -> Floats:
    middle = (points[0] + points[-1]) / 2
    return np.concatenate([[middle], points[1:-1]])


def _without_copies(strokes: Sequence[Stroke]) -> tuple[list[Stroke], int]:
    """The strokes less those that another one draws already, whichever way round."""
    seen: set[bytes] = set()
    kept = []
    for stroke in strokes:
        grid = np.round(stroke.points / FLATTEN_MM).astype(np.int64)
        if tuple(grid[0]) > tuple(grid[-1]):
            grid = grid[::-1]
        key = np.ascontiguousarray(grid).tobytes()
        if key not in seen:
            seen.add(key)
            kept.append(stroke)
    return kept, len(strokes) - len(kept)


def _chained(strokes: list[Stroke], what: str, close_mm: float) -> tuple[list[Stroke], float]:
    """Open strokes joined end to end to closed ones, and the widest gap that was bridged."""
    if not strokes:
        return [], 0.0
    ends = np.concatenate([[s.points[0], s.points[-1]] for s in strokes])
    partner = _partners(ends, strokes, what, close_mm)
    widest = float(np.max(np.hypot(*(ends - ends[partner]).T)))
    chains = []
    waiting = set(range(len(strokes)))
    while waiting:
        first = min(waiting)
        at, pieces, names = 2 * first, [], strokes[first].names
        while at // 2 in waiting:
            waiting.remove(at // 2)
            points = strokes[at // 2].points
            # From the end at which the stroke was reached to its other one, which gives way to the next.
            pieces.append((points if at % 2 == 0 else points[::-1])[:-1])
            at = int(partner[at ^ 1])
        entity = strokes[first].entity if len(pieces) == 1 else f"{len(pieces)} lines"
        chain = Stroke(np.concatenate(pieces), closed=True, names=names, entity=entity)
        chains.append(chain)
    return chains, widest


def _partners(ends: Floats, strokes: list[Stroke], what: str, close_mm: float) -> Any:
    """For each end the other one that it meets. Raises DrawingRefused for an end that meets none or
    several."""
    from scipy.spatial import cKDTree  # here: the service needs it for nothing else

    pairs = cKDTree(ends).query_pairs(close_mm, output_type="ndarray")
    pairs = pairs[pairs[:, 0] // 2 != pairs[:, 1] // 2]
    apart = np.hypot(*(ends[pairs[:, 0]] - ends[pairs[:, 1]]).T)
    partner = np.full(len(ends), -1)
    # The nearest first: lines shorter than the tolerance meet their neighbours, not the ones after.
    for one, other in pairs[np.lexsort((pairs[:, 1], pairs[:, 0], np.round(apart, 6)))]:
        if partner[one] < 0 and partner[other] < 0:
            partner[one], partner[other] = other, one
    left = np.flatnonzero(partner < 0)
    crowded = [at for at in left if np.any(pairs == at)]
    if crowded:
        places = list(dict.fromkeys(_place(ends[at]) for at in crowded))
        raise DrawingRefused(
            f"the {what} branches: more than two lines meet at {places_words(places)}; which way it goes on "
            "can't be known",
            places,
            strokes,
        )
    if len(left):
        raise DrawingRefused(
            f"the {what} is open: {_ends_apart(ends[left])}; up to {format_mm(close_mm)} mm would have been "
            "closed. Close it in the drawing, or say --close with more",
            [_place(ends[at]) for at in left],
            strokes,
        )
    return partner


def _ends_apart(ends: Floats) -> str:
    places = [_place(end) for end in ends]
    if len(ends) == 2:
        apart = float(np.hypot(*(ends[0] - ends[1])))
        return f"two ends are {format_mm(round(apart, 2))} mm apart, at {places_words(places)}"
    return f"{len(ends)} ends meet nothing, at {places_words(places)}"


def _ring(stroke: Stroke, what: str, close_mm: float, notes: list[str]) -> Ring:
    polygon = Polygon(stroke.points)
    if polygon.buffer(0).area < close_mm**2:
        place = _place(stroke.points[0])
        raise DrawingRefused(f"the {what} encloses nothing ({stroke.entity})", [place], [stroke])
    if not polygon.is_valid:
        polygon = _untangled(stroke, polygon, what, close_mm, notes)
    return Ring(orient(polygon), stroke.names, stroke.entity)


def _untangled(stroke: Stroke, polygon: Polygon, what: str, close_mm: float, notes: list[str]) -> Polygon:
    """The shape without loops that are nowhere wider than the tolerance. Raises DrawingRefused for others."""
    noded = shapely.node(LinearRing(polygon.exterior.coords))
    faces = sorted(shapely.get_parts(shapely.polygonize(shapely.get_parts(noded))), key=lambda f: -f.area)
    loops = [f for f in faces[1:] if not f.buffer(-close_mm / 2).is_empty]
    if not faces or loops:
        places = crossings(polygon.exterior)
        raise DrawingRefused(
            f"the {what} crosses itself at {places_words(places)} ({stroke.entity})", places, [stroke]
        )
    notes.append(f"{what}: {len(faces) - 1 or 1} loops narrower than {format_mm(close_mm)} mm were dropped")
    return Polygon(faces[0].exterior)


def crossings(ring: LineString) -> list[Place]:
    """Where a closed line meets itself beside at its own corners: at most MOST_PLACES places."""
    points = shapely.get_coordinates(ring)
    edges = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
    one, other = shapely.STRtree(edges).query(edges, predicate="intersects")
    last = len(edges) - 1
    apart = (other > one + 1) & ~((one == 0) & (other == last))
    places: dict[Place, None] = {}
    for a, b in zip(one[apart], other[apart], strict=True):
        middle = edges[a].intersection(edges[b]).centroid
        places.setdefault((round(middle.x, 1), round(middle.y, 1)))
        if len(places) >= MOST_PLACES:
            break
    return list(places)


def _different(rings: list[Ring], what: str, notes: list[str]) -> list[Ring]:
    """The rings less those that are drawn twice."""
    if len(rings) < 2:
        return rings
    tree = shapely.STRtree([ring.polygon.centroid for ring in rings])
    kept: list[Ring] = []
    for at, ring in enumerate(rings):
        near = tree.query(ring.polygon.centroid, predicate="dwithin", distance=CLOSE_MM)
        if any(other < at and _same(ring.polygon, rings[other].polygon) for other in near):
            notes.append(f"{what}: {ring.entity} is drawn twice; one was taken")
        else:
            kept.append(ring)
    return kept


def _same(one: Polygon, other: Polygon) -> bool:
    """Whether two shapes are one, drawn twice: nowhere farther apart than ends that are joined."""
    return bool(shapely.hausdorff_distance(one.exterior, other.exterior) <= CLOSE_MM)


def _meet(one: Stroke, other: Stroke, close_mm: float) -> bool:
    return any(np.hypot(*(one.points[a] - other.points[b])) <= close_mm for a in (0, -1) for b in (0, -1))


def _joined(one: Stroke, other: Stroke) -> Stroke:
    """Two strokes whose nearest ends become one point."""
    a, b = min(
        ((a, b) for a in (0, -1) for b in (0, -1)),
        key=lambda ends: float(np.hypot(*(one.points[ends[0]] - other.points[ends[1]]))),
    )
    first = one.points if a == -1 else one.points[::-1]
    second = other.points if b == 0 else other.points[::-1]
    return replace(one, points=np.concatenate([first, second[1:]]), closed=False)


def _place(point: Floats) -> Place:
    return round(float(point[0]), 2), round(float(point[1]), 2)


def places_words(places: Sequence[Place]) -> str:
    """Places as people write them.

    >>> places_words([(1.0, 2.5), (3.0, 4.0)])
    '(1, 2.5) and (3, 4)'
    """
    shown = [f"({format_mm(x)}, {format_mm(y)})" for x, y in places[:4]]
    if len(places) > 4:
        return f"{', '.join(shown)} and {len(places) - 4} more places"
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def simplified(polygon: Polygon) -> Polygon:
    """The polygon less corners that lie on the line between their neighbours within FLATTEN_MM."""
    return orient(polygon.simplify(FLATTEN_MM))
