"""From a font's curves to regions: flattening with a stated tolerance, merging by the non-zero rule."""

# ruff: noqa: N802  (the pen's methods have the names that fontTools calls)

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from fontTools.pens.basePen import BasePen
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from layout.shop.measure import Floats

#: A glyph that draws more than this is no letter but an attack or an accident.
MOST_OPERATIONS = 20_000
#: The same of the corners that its curves are cut into.
MOST_CORNERS = 200_000
#: How often edges of contours may cross. A letter of overlapping strokes has dozens of crossings, a star of
#: 600 points has 180,000, which takes gigabytes to take apart.
MOST_CROSSINGS = 5_000
#: The work of telling inside from outside: areas into which contours cut the plane, times their edges.
MOST_FACES_TIMES_EDGES = 100_000_000
#: Pairs of edges, or of points and edges, that are looked at together.
_PAIRS_AT_ONCE = 500_000


_Point = tuple[float, float]


class TooComplex(ValueError):
    """Something draws more segments, or needs more corners, than it may."""


@dataclass(frozen=True, eq=False)  # no slots: cached properties need a dictionary
class Curves:
    """Closed contours of lines and Bézier curves, to be cut into chords at any tolerance.

    `controls` (n, 4, 2): each segment's points, those that its degree does not use repeating the last;
    `degrees` (n,): 0 for the point at which a contour begins, 1 line, 2 quadratic, 3 cubic.
    """

    controls: Floats
    degrees: Any

    def rings(self, tolerance: float, *, most: int = MOST_CORNERS) -> list[Floats]:
        """Each contour as an (n, 2) ring, first point not repeated; none of those without an inside.

        The number of chords follows Wang's formula, which bounds the distance between a Bézier curve and its
        chords by `tolerance` (G. Wang, "The subdivision method for finding the intersection between two
        Bézier curves or surfaces", Zhejiang University Journal, 1984; from memory). Raises TooComplex for
        more than `most` corners, ValueError for points that are no numbers.
        """
        return [ring for _, ring in self._numbered_rings(tolerance, most)]

    def _numbered_rings(self, tolerance: float, most: int) -> list[tuple[int, Floats]]:
        """The rings, each with the number of its contour."""
        points, starts = self._corners(tolerance, most)
        distinct, encloses = _by_contour(points, starts)
        if not encloses.any():
            return []
        if not distinct.all():
            starts = np.cumsum(distinct)[starts] - distinct[starts]  # before how many that stay each begins
            points, encloses = points[distinct], encloses[distinct]
        ends = [*starts[1:].tolist(), len(points)]
        bounds = enumerate(zip(starts.tolist(), ends, strict=True))
        return [(number, points[a:b]) for number, (a, b) in bounds if b > a and encloses[a]]

    def lines(self, tolerance: float, *, most: int = MOST_CORNERS) -> list[Floats]:
        """Each contour as an open line (n, 2), whatever it encloses. Raises as `rings` does."""
        points, starts = self._corners(tolerance, most)
        return [part for part in np.split(points, starts[1:]) if len(part)]

    def extremes(self, tolerances: Sequence[float]) -> Floats:
        """The corners (n, 2) of the rings at each of some tolerances, all at once. Raises as `rings` does."""
        points, starts = self._corners(np.array(tolerances)[:, None], MOST_CORNERS)
        distinct, encloses = _by_contour(points, starts)
        return np.asarray(points[distinct & encloses])

    def has_rings(self, tolerance: float) -> bool:
        """Whether there is any ring at a tolerance; mostly the ends of segments show it. Raises as `rings`
        does."""
        self._counts(tolerance, MOST_CORNERS)
        _, encloses = _by_contour(self.controls[:, 3], np.flatnonzero(self.degrees == 0))
        return bool(encloses.any()) or len(self.rings(tolerance)) > 0

    def _corners(self, tolerance: float | Floats, most: int) -> tuple[Floats, Any]:
        """All corners (n, 2) and at which of them the contours begin; for each of some tolerances (k, 1) one
        after the other."""
        counts = self._counts(tolerance, most)
        begins = np.broadcast_to(self.degrees == 0, counts.shape).ravel()
        counts = counts.ravel()
        ends = np.cumsum(counts)
        run = np.repeat(np.arange(len(counts)), counts)
        number = np.arange(len(run)) - np.repeat(ends - counts, counts) + 1
        at = number * (1.0 / counts)[run]
        at[ends - 1] = 1.0
        segment = run % len(self.degrees) if len(run) else run
        corners = self.controls[segment, 3]
        degree, t = self.degrees[segment], at[:, None]
        for is_of, curve in ((degree == 2, _quadratic), (degree == 3, _cubic)):
            if is_of.any():
                corners[is_of] = curve(self.controls[segment[is_of]], t[is_of])
        return corners, (ends - counts)[begins]

    def _counts(self, tolerance: float | Floats, most: int) -> Any:
        """How many corners each segment gets, for each of some tolerances (k, 1)."""
        needed = self._chords(tolerance)
        if (needed.sum(axis=-1) > most).any():
            raise TooComplex(f"its curves need more than {most} points")
        return needed.astype(np.int64)

    def _chords(self, tolerance: float | Floats) -> Floats:
        """How many chords each segment needs, for each of some tolerances (k, 1)."""
        bend, most_bent, cubic = self._bends
        needed = np.where(self.degrees == 2, np.sqrt(bend / (4 * tolerance)), 1.0)
        if len(cubic):
            needed[..., cubic] = np.sqrt(0.75 * most_bent / tolerance)
        return np.asarray(np.maximum(1.0, np.ceil(needed)))

    @cached_property
    def _bends(self) -> tuple[Floats, Floats, Any]:
        """What the number of chords goes by, whatever the tolerance: of every segment its bend, of the cubic
        ones the larger of both of theirs, and which those are. Raises as `rings` does."""
        if not np.isfinite(self.controls).all():
            raise ValueError("a contour has points that are no numbers")
        p0, p1, p2, p3 = (self.controls[:, at] for at in range(4))
        bend, cubic = _length(p0 - 2 * p1 + p2), np.flatnonzero(self.degrees == 3)
        most_bent = np.maximum(bend[cubic], _length(p1[cubic] - 2 * p2[cubic] + p3[cubic]))
        return bend, most_bent, cubic


def rings_each(drawn: Sequence[Curves], tolerance: float) -> list[list[Floats]]:
    """The rings of several curves, all at once. Raises as `Curves.rings` does, and TooComplex where all of
    them together need too many corners."""
    if len(drawn) == 1:
        return [drawn[0].rings(tolerance)]
    together = Curves(
        np.concatenate([curves.controls for curves in drawn]),
        np.concatenate([curves.degrees for curves in drawn]),
    )
    whose = np.repeat(np.arange(len(drawn)), [np.count_nonzero(curves.degrees == 0) for curves in drawn])
    rings: list[list[Floats]] = [[] for _ in drawn]
    for contour, ring in together._numbered_rings(tolerance, MOST_CORNERS):
        rings[whose[contour]].append(ring)
    return rings


def _length(vectors: Floats) -> Floats:
    return np.asarray(np.sqrt(vectors[:, 0] ** 2 + vectors[:, 1] ** 2))


def _quadratic(controls: Floats, t: Floats) -> Floats:
    p0, p1, p2 = (controls[:, at] for at in range(3))
    return np.asarray((1 - t) ** 2 * p0 + 2 * t * (1 - t) * p1 + t**2 * p2)


def _cubic(controls: Floats, t: Floats) -> Floats:
    p0, p1, p2, p3 = (controls[:, at] for at in range(4))
    return np.asarray((1 - t) ** 3 * p0 + 3 * t * (1 - t) ** 2 * p1 + 3 * t**2 * (1 - t) * p2 + t**3 * p3)


def noted_curves(notes: Iterable[tuple[str, tuple[_Point, ...]]]) -> Curves:
    """The curves of what a pen noted that drew one quadratic or cubic curve at a time: what CurvePen makes of
    them, sooner. Raises TooComplex."""
    controls: list[float] = []
    degrees: list[int] = []
    here: _Point = (0.0, 0.0)
    for name, points in notes:
        if name == "lineTo":
            degree, begin, (one,), other = 1, here, points, points[0]
        elif name == "curveTo":
            degree, begin, (one, other, _) = 3, here, points
        elif name == "qCurveTo":
            degree, begin, (one, other) = 2, here, points
        elif name == "moveTo":
            degree, begin, (one,), other = 0, points[0], points, points[0]
        else:  # a contour's end
            continue
        here = points[-1]
        controls += (*begin, *one, *other, *here)
        degrees.append(degree)
    if len(degrees) > MOST_OPERATIONS:
        raise TooComplex(f"it draws more than {MOST_OPERATIONS} segments")
    return Curves(np.array(controls, dtype=np.float64).reshape(-1, 4, 2), np.array(degrees, dtype=np.int64))


def _by_contour(points: Floats, starts: Any) -> tuple[Any, Any]:
    """Of points of contours that begin at `starts` whether each is another than the one before it, and
    whether its contour has more than two such (n,)."""
    if len(starts) == 0:
        return np.ones(len(points), dtype=bool), np.zeros(len(points), dtype=bool)
    counts = np.diff(starts, append=len(points))
    before = np.arange(-1, len(points) - 1)
    before[starts] = starts + counts - 1
    distinct = np.any(points != points[before], axis=1)
    return distinct, np.repeat(np.add.reduceat(distinct, starts, dtype=np.int64) > 2, counts)


class CurvePen(BasePen):  # type: ignore[misc]  # fontTools is untyped
    """Collects what is drawn. Raises TooComplex beyond MOST_OPERATIONS segments."""

    def __init__(self) -> None:
        super().__init__(None)
        self._segments: list[tuple[_Point, _Point, _Point, _Point]] = []
        self._degrees: list[int] = []

    @property
    def curves(self) -> Curves:
        """All that was drawn so far."""
        return Curves(
            np.array(self._segments, dtype=np.float64).reshape(-1, 4, 2),
            np.array(self._degrees, dtype=np.int64),
        )

    def _add(self, degree: int, points: tuple[_Point, _Point, _Point, _Point]) -> None:
        if len(self._degrees) > MOST_OPERATIONS:
            raise TooComplex(f"it draws more than {MOST_OPERATIONS} segments")
        self._segments.append(points)
        self._degrees.append(degree)

    def _moveTo(self, pt: _Point) -> None:
        self._add(0, (pt, pt, pt, pt))

    def _lineTo(self, pt: _Point) -> None:
        self._add(1, (self._getCurrentPoint(), pt, pt, pt))

    def _qCurveToOne(self, pt1: _Point, pt2: _Point) -> None:
        self._add(2, (self._getCurrentPoint(), pt1, pt2, pt2))

    def _curveToOne(self, pt1: _Point, pt2: _Point, pt3: _Point) -> None:
        self._add(3, (self._getCurrentPoint(), pt1, pt2, pt3))


def merged(rings: Sequence[Floats]) -> tuple[Polygon, ...]:
    """The region that rings (n, 2) enclose by the non-zero winding rule, as disjoint polygons.

    Exact in the sense that every face of the noded rings is judged by its winding number; grouping rings
    by their direction is wrong for islands in holes, and even-odd is wrong where strokes overlap.
    Raises TooComplex when the rings cross more often than anything that is drawn to be looked at.
    """
    if len(rings) == 1:
        alone = Polygon(rings[0])
        if alone.is_valid:
            return (orient(alone),)
    faces, windings = _faces(rings)
    if not windings.any():
        return ()
    inside = faces[windings != 0]
    parts = shapely.get_parts(shapely.union_all(inside)) if len(inside) > 1 else inside
    return tuple(orient(part) for part in parts if part.area > 0)


def even_odd_differs(rings: Sequence[Floats]) -> bool:
    """Whether the even-odd rule would leave out something that the non-zero rule fills. Raises TooComplex."""
    _, windings = _faces(rings)
    return bool(np.any((windings != 0) & (windings % 2 == 0)))


def _faces(rings: Sequence[Floats]) -> tuple[Any, Any]:
    """The faces into which rings cut the plane, and the winding number of each."""
    if not rings:
        return np.array([], dtype=object), np.array([], dtype=int)
    counts, corners = [*map(len, rings)], np.concatenate(rings)
    lines = shapely.linearrings(corners, indices=np.repeat(np.arange(len(rings)), counts))
    if not shapely.is_simple(shapely.multilinestrings(lines)):
        limit_crossings(rings)
        lines = shapely.get_parts(shapely.union_all(lines))
    elif len(rings) * len(corners) <= _PAIRS_AT_ONCE:  # most letters: their rings never meet
        return _nested(lines, np.array([ring[0] for ring in rings]))
    faces = shapely.get_parts(shapely.polygonize(lines))
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    if len(faces) * len(corners) > MOST_FACES_TIMES_EDGES:
        raise TooComplex("it has too many areas with too many corners")
    after = np.concatenate([part for ring in rings for part in (ring[1:], ring[:1])])
    return faces, _windings(corners, after, inside)


def _nested(lines: Any, firsts: Floats) -> tuple[Any, Any]:
    """The faces of rings that never meet, each bounded by one ring outside and by those that lie in it and in
    no other within, and their winding numbers; `firsts` (n, 2): a corner of each."""
    inside = shapely.contains_xy(shapely.polygons(lines), firsts[:, :1], firsts[:, 1:]).tolist()
    turns = [1 if is_ccw else -1 for is_ccw in shapely.is_ccw(lines).tolist()]
    # Few rings: lists are quicker than arrays. By ring the others in which it lies.
    around = [[other for other, is_inside in enumerate(row) if is_inside] for row in inside]
    faces = [[ring] for ring in range(len(turns))]
    for ring, others in enumerate(around):
        if others:
            faces[max(others, key=lambda other: len(around[other]))].append(ring)
    order = [ring for face in faces for ring in face]
    whose = [number for number, face in enumerate(faces) for _ in face]
    windings = [
        turn + sum([turns[other] for other in others]) for turn, others in zip(turns, around, strict=True)
    ]
    drawn = shapely.polygons(lines[order], indices=whose)
    return shapely.orient_polygons(drawn, exterior_cw=True), np.array(windings)


def limit_crossings(rings: Sequence[Floats]) -> None:
    """Raise TooComplex where edges of rings meet more than MOST_CROSSINGS times beside at their own ends.

    Counted a few edges at a time, so that what is refused costs little: n edges can cross n²/2 times.
    """
    count = sum(map(len, rings))
    if count * (count - 1) // 2 <= MOST_CROSSINGS:
        return
    ends = np.concatenate([np.stack([ring, np.roll(ring, -1, axis=0)], axis=1) for ring in rings])
    # Edges that meet lie above one another somewhere: mostly too few do.
    begin, end = np.sort(ends[..., 0], axis=1).T
    above = int(np.searchsorted(np.sort(begin), end, side="right").sum()) - count * (count + 1) // 2
    if above - count <= MOST_CROSSINGS:
        return
    edges = shapely.linestrings(ends)
    tree = shapely.STRtree(edges)
    met, at_once = 0, max(1, _PAIRS_AT_ONCE // count)
    for begun in range(0, count, at_once):
        one, other = tree.query(edges[begun : begun + at_once], predicate="intersects")
        met += int(np.count_nonzero(other > one + begun))
        if met - count > MOST_CROSSINGS:
            raise TooComplex(f"its lines cross more than {MOST_CROSSINGS} times")


def _windings(begins: Floats, ends: Floats, points: Floats) -> Any:
    """How often closed rings, of which these are all edges (n, 2 each), wind about each of the points
    (m, 2)."""
    most = max(1, _PAIRS_AT_ONCE // len(begins))
    if len(points) > most:  # in blocks: a table of all points and edges can be larger than the memory
        blocks = np.split(points, range(most, len(points), most))
        return np.concatenate([_windings(begins, ends, block) for block in blocks])
    return _turns(begins, ends, points).sum(axis=1, dtype=np.int64)


def _turns(begins: Floats, ends: Floats, points: Floats) -> Any:
    """Which of the edges (n, 2 each) cross the ray to the right of each of the points (m, 2): 1 upward, -1
    downward, else 0 (m, n)."""
    (x0, y0), (x1, y1) = begins.T, ends.T
    px, py = points[:, :1], points[:, 1:]
    is_below, ends_above = y0 <= py, y1 > py
    left = (x1 - x0) * (py - y0) - (px - x0) * (y1 - y0)
    up = is_below & ends_above & (left > 0)
    down = ~is_below & ~ends_above & (left < 0)
    return up.astype(np.int8) - down
