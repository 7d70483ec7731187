"""From a photo to millimetres: scale and perspective from a rectangle of known size that lies beside the
blade, or scale alone from a ruler.

Everything on the rectangle's plane is mapped by one homography (R. Hartley and A. Zisserman, "Multiple View
Geometry in Computer Vision", 2nd edition, section 4.1: four points give it, more by least squares on
normalised coordinates). What lies above that plane is seen too large, and what the lens bends stays bent: so
the error is estimated, and known distances that were clicked as well say whether it can be believed.

Two points of a ruler give the scale and nothing else: the picture is taken for one from straight above. What
that may be off by is worked out for cameras that looked aslant by so many degrees, whichever way.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import LineString, MultiPoint

from layout.drawing.strokes import DrawingRefused, Stroke
from layout.shop.measure import Floats

Point = tuple[float, float]

#: By how much a person misses what they point at, in the picture's own dots (root mean square; common
#: practice,
#: no source).
CLICK_PX = 1.0
#: At a corner the outline turns by more than this; elsewhere it runs through the points as a curve.
CORNER_DEG = 40.0
#: A camera held by hand is easily off by so much (common practice, no source).
BY_HAND_DEG = 5.0
#: Focal length of a phone's usual lens, as a part of the picture's longer side: 26 mm where the picture is
#: 36 mm wide (common practice, no source).
PHONE_LENS = 26 / 36
#: Ways in which a camera may look aslant, and traced points whose distances are compared.
_WAYS, _MOST_COMPARED = 24, 48
_STEPS = 16
_SIMPLE_MM = 0.005


@dataclass(frozen=True, slots=True)
class Flat:
    """The plane of the rectangle: picture dots (y down) to mm (y up) by a matrix of homogeneous
    coordinates."""

    matrix: Floats

    def to_mm(self, points_px: Sequence[Point] | Floats) -> Floats:
        """Points (n, 2) of the picture, in mm. Raises DrawingRefused for a point beyond the horizon."""
        return _mapped(self.matrix, points_px)

    def to_px(self, points_mm: Sequence[Point] | Floats) -> Floats:
        """Points (n, 2) in mm, in the picture."""
        return _mapped(np.asarray(np.linalg.inv(self.matrix), dtype=np.float64), points_mm)


@dataclass(frozen=True, slots=True)
class KnownDistance:
    """Two places in the picture, and how far apart they are known to be (mm)."""

    begin: Point
    end: Point
    mm: float


@dataclass(frozen=True, slots=True)
class TracedShape:
    """What was traced on the picture: its part by name (outline, hole, zone, ...), its corners in dots,
    whether it is closed, and whether it runs through them as a curve."""

    part: str
    points_px: tuple[Point, ...]
    closed: bool
    smooth: bool


@dataclass(frozen=True, slots=True)
class Honest:
    """How far off what was traced may be (mm): by the size of a dot and a shaky hand (19 of 20 points lie
    within), by each known distance (measured less known), and altogether. `dot_mm`: what one dot of the
    picture covers, at most."""

    click_mm: float
    off_mm: tuple[float, ...]
    dot_mm: float

    @property
    def is_checked(self) -> bool:
        return bool(self.off_mm)

    @property
    def about_mm(self) -> float:
        """The larger of what clicks and known distances say."""
        return max([self.click_mm, *map(abs, self.off_mm)])


def rectangle(corners_px: Sequence[Point], width_mm: float, height_mm: float) -> list[Point]:
    """The corners (mm) of a rectangle that was clicked corner by corner, the first two along its width.

    Either way round: nothing in a photo is mirrored. Raises DrawingRefused for corners that are no such
    round.
    """
    turns = _turns(corners_px)
    if len(corners_px) != 4 or not (min(turns) > 0 or max(turns) < 0):
        raise DrawingRefused(
            "the four corners are clicked one after the other round the rectangle, the first two along its "
            "width"
        )
    up = height_mm if min(turns) > 0 else -height_mm
    return [(0.0, 0.0), (width_mm, 0.0), (width_mm, up), (0.0, up)]


def flat_from(points_px: Sequence[Point], points_mm: Sequence[Point]) -> Flat:
    """The plane through four or more points, by least squares in mm. Raises DrawingRefused where they
    determine none."""
    px, mm = np.array(points_px, dtype=float), np.array(points_mm, dtype=float)
    if px.shape != mm.shape or len(px) < 4:
        raise DrawingRefused("four points at least are wanted")
    from_px, from_mm = _normalising(px), _normalising(mm)
    a, b = _mapped(from_px, px), _mapped(from_mm, mm)
    zero, one = np.zeros(len(a)), np.ones(len(a))
    x, y, u, v = a[:, 0], a[:, 1], b[:, 0], b[:, 1]
    rows = np.concatenate(
        [
            np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u]),
            np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v]),
        ]
    )
    _, sizes, vt = np.linalg.svd(rows)
    if sizes[7] < 1e-6 * sizes[0]:
        raise DrawingRefused("three of the points lie in one line: click the corners of a rectangle")
    matrix = np.linalg.inv(from_mm) @ vt[8].reshape(3, 3) @ from_px
    return Flat(_refined(matrix / np.linalg.norm(matrix), px, mm) if len(px) > 4 else matrix)


def flat_by_ruler(ruler: KnownDistance) -> Flat:
    """The plane of a picture from straight above, by two points of a ruler: y up, nothing turned. Raises
    DrawingRefused where they lie in one place."""
    (x, y), mm = ruler.begin, ruler.mm
    apart = math.dist(ruler.begin, ruler.end)
    if apart < 1:
        raise DrawingRefused("the two points of the ruler lie in one place")
    scale = mm / apart
    return Flat(np.array([[scale, 0.0, -scale * x], [0.0, -scale, scale * y], [0.0, 0.0, 1.0]]))


def off_when_aslant(
    ruler: KnownDistance,
    traced_px: Sequence[Point],
    *,
    tilt_deg: float,
    middle_px: Point,
    focal_px: float,
) -> float:
    """By how much (mm) a length between two of the traced points is off at worst, where a ruler gave the
    scale and the camera did not look straight down but aslant by `tilt_deg`, the worst way.

    A pinhole camera of that focal length whose axis meets `middle_px` (Hartley and Zisserman, section 6.1):
    each point is where its ray meets the tilted plane, and the ruler's true length gives the size of it all.
    """
    traced = _far_apart(np.array(traced_px, dtype=float).reshape(-1, 2))
    if len(traced) < 2:
        return 0.0
    at = np.vstack([traced, [ruler.begin, ruler.end]]) - middle_px
    rays = np.column_stack([at[:, 0], -at[:, 1], np.full(len(at), focal_px)])
    taken_for = ruler.mm / math.dist(ruler.begin, ruler.end) * _distances(rays)
    tilt, worst = math.radians(tilt_deg), 0.0
    for way in np.linspace(0, 2 * math.pi, _WAYS, endpoint=False):
        normal = np.array([math.sin(tilt) * math.cos(way), math.sin(tilt) * math.sin(way), math.cos(tilt)])
        nearness = rays @ normal
        if nearness.min() <= 0:
            raise DrawingRefused("seen so much aslant, a part of the photo lies beyond the horizon")
        true = _distances(rays / nearness[:, None])
        true *= ruler.mm / true[-1, -2]
        worst = max(worst, float(np.abs(taken_for - true)[:-2, :-2].max()))
    return worst


def honest_by_ruler(
    ruler: KnownDistance,
    traced_px: Sequence[Point],
    known: Sequence[KnownDistance] = (),
    *,
    click_px: float = CLICK_PX,
    shrunk: float = 1.0,
) -> Honest:
    """How far off what was traced may be by shaky hands and dots, where a ruler gives the scale: a length as
    long as what was traced is off by the ruler's two points and by its own two. What a camera that looked
    aslant adds is not in it: `off_when_aslant`."""
    flat = flat_by_ruler(ruler)
    apart = math.dist(ruler.begin, ruler.end)
    dot = ruler.mm / apart
    traced = np.array(traced_px, dtype=float).reshape(-1, 2)
    long_px = float(np.hypot(*(traced.max(axis=0) - traced.min(axis=0)))) if len(traced) else 0.0
    # Of a point's error the part along the line counts, of either end: click times the root of 2.
    own = math.sqrt(2) * click_px * math.hypot(1.0, long_px / apart)
    off = [shrunk * _apart(flat, k) - k.mm for k in known]
    return Honest(2 * own * dot * shrunk if len(traced) else 0.0, tuple(off), dot if len(traced) else 0.0)


def honest(
    corners_px: Sequence[Point],
    corners_mm: Sequence[Point],
    traced_px: Sequence[Point],
    known: Sequence[KnownDistance] = (),
    *,
    click_px: float = CLICK_PX,
    shrunk: float = 1.0,
) -> Honest:
    """How far off the points that were traced may be. `shrunk`: what measured lengths are multiplied by,
    because the blade lies nearer to the camera than the paper."""
    flat = flat_from(corners_px, corners_mm)
    traced = np.array(traced_px, dtype=float).reshape(-1, 2)
    at = flat.to_mm(traced)
    step = 0.1
    variance = np.zeros(len(traced))
    for corner in range(len(corners_px)):
        for axis in range(2):
            moved = np.array(corners_px, dtype=float)
            moved[corner, axis] += step
            variance += (((flat_from(moved.tolist(), corners_mm).to_mm(traced) - at) / step) ** 2).sum(axis=1)
    dots = np.zeros(len(traced))
    for aside in ((step, 0.0), (0.0, step)):
        dots = np.maximum(dots, np.hypot(*((flat.to_mm(traced + aside) - at) / step).T))
    own = 2 * dots**2
    worst = click_px * float(np.sqrt((variance + own).max())) if len(traced) else 0.0
    off = [shrunk * _apart(flat, k) - k.mm for k in known]
    return Honest(2 * worst * shrunk, tuple(off), float(dots.max()) if len(traced) else 0.0)


def strokes_of(flat: Flat, shapes: Sequence[TracedShape], *, shrunk: float = 1.0) -> list[Stroke]:
    """What was traced, as lines of a drawing in mm, named by part. Raises DrawingRefused."""
    strokes = []
    for number, shape in enumerate(shapes, start=1):
        fewest = 3 if shape.closed else 2
        if len(shape.points_px) < fewest:
            raise DrawingRefused(f"{shape.part}: {fewest} points at least are wanted")
        points = shrunk * flat.to_mm(shape.points_px)
        if np.any(np.hypot(*np.diff(points, axis=0).T) < 1e-6):
            raise DrawingRefused(f"{shape.part}: two of its points lie in one place")
        if shape.smooth and len(points) > 2:
            points = _curved(points, closed=shape.closed)
        strokes.append(Stroke(points, shape.closed, (shape.part,), f"traced line {number}"))
    return strokes


def shrink(above_mm: float, camera_mm: float) -> float:
    """What lengths on a surface above the paper are multiplied by: it lies nearer to the camera.

    >>> shrink(5, 500)
    0.99
    """
    if not 0 <= above_mm < camera_mm:
        raise DrawingRefused("the blade's surface lies between the paper and the camera")
    return 1 - above_mm / camera_mm


def _apart(flat: Flat, known: KnownDistance) -> float:
    a, b = flat.to_mm([known.begin, known.end])
    return float(np.hypot(*(a - b)))


def _far_apart(points: Floats) -> Floats:
    """Those that lie outermost: between two of them the longest distances lie."""
    if len(points) > _MOST_COMPARED:
        outer = MultiPoint(points).convex_hull
        points = np.asarray(outer.boundary.coords if outer.geom_type == "Polygon" else outer.coords)
        points = points[:: max(1, math.ceil(len(points) / _MOST_COMPARED))]
    return points


def _distances(points: Floats) -> Floats:
    """Of each point from each."""
    apart: Floats = np.linalg.norm(points[:, None] - points[None, :], axis=2)
    return apart


def _mapped(matrix: Floats, points: Sequence[Point] | Floats) -> Floats:
    given = np.asarray(points, dtype=float).reshape(-1, 2)
    x, y, w = (np.column_stack([given, np.ones(len(given))]) @ matrix.T).T
    # Beyond the horizon of the plane the divisor changes its sign: no such place is on the paper.
    if len(w) and not (np.all(w > 0) or np.all(w < 0)):
        raise DrawingRefused("some points lie beyond the horizon of the rectangle: were its corners clicked?")
    return np.column_stack([x / w, y / w])


def _normalising(points: Floats) -> Floats:
    """Moves the middle of points to the origin and makes their mean distance from it the square root of 2."""
    middle = points.mean(axis=0)
    spread = np.hypot(*(points - middle).T).mean()
    if spread == 0:
        raise DrawingRefused("the points lie in one place")
    scale = math.sqrt(2) / spread
    return np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])


def _refined(matrix: Floats, px: Floats, mm: Floats) -> Floats:
    """The matrix whose points lie nearest to theirs in mm: Gauss and Newton's steps from the linear one."""
    from scipy.optimize import least_squares

    fixed = int(np.argmax(np.abs(matrix)))
    matrix = matrix / matrix.ravel()[fixed]
    free = [at for at in range(9) if at != fixed]

    def full(values: Floats) -> Floats:
        every = np.ones(9)
        every[free] = values
        return every.reshape(3, 3)

    solved = least_squares(
        lambda values: (_mapped(full(values), px) - mm).ravel(),
        matrix.ravel()[free],
        x_scale=np.maximum(np.abs(matrix.ravel()[free]), 1e-12),
        method="lm",
    )
    return full(solved.x)


def _turns(points: Sequence[Point]) -> list[float]:
    """Twice the areas of the corners' triangles, positive counter-clockwise with y up (a picture's runs
    down)."""
    ring = [(float(x), -float(y)) for x, y in points]
    return [
        (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
        for a, b, c in zip(ring, ring[1:] + ring[:1], ring[2:] + ring[:2], strict=True)
    ]


def _curved(points: Floats, *, closed: bool) -> Floats:
    """A cubic spline through the points (C. de Boor, "A Practical Guide to Splines"; by chord length), broken
    at corners."""
    count = len(points)
    ahead = np.roll(points, -1, axis=0) - points
    behind = points - np.roll(points, 1, axis=0)
    turn = np.degrees(
        np.abs(
            np.arctan2(behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0], (behind * ahead).sum(axis=1))
        )
    )
    corners = [at for at in range(count) if turn[at] > CORNER_DEG and (closed or 0 < at < count - 1)]
    if not closed:
        cuts = [0, *corners, count - 1]
        parts = [points[a : b + 1] for a, b in itertools.pairwise(cuts)]
    elif corners:
        around = np.concatenate([points[corners[0] :], points[: corners[0] + 1]])
        cuts = [*(at - corners[0] for at in corners), count]
        parts = [around[a : b + 1] for a, b in itertools.pairwise(cuts)]
    else:
        parts = [np.concatenate([points, points[:1]])]
    drawn = np.concatenate([_spline(part, periodic=closed and not corners) for part in parts])
    line = np.asarray(LineString(drawn).simplify(_SIMPLE_MM).coords)
    return line[:-1] if closed and np.allclose(line[0], line[-1]) else line


def _spline(points: Floats, *, periodic: bool) -> Floats:
    from scipy.interpolate import CubicSpline  # here: it takes memory that hardly any process needs

    if len(points) == 2:
        return points
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if periodic:
        points = points.copy()
        points[-1] = points[0]
    ends = "periodic" if periodic else "natural"
    curve = CubicSpline(along, points, bc_type=ends)
    steps = np.concatenate([np.linspace(a, b, _STEPS, endpoint=False) for a, b in itertools.pairwise(along)])
    return np.asarray(curve(np.append(steps, along[-1])))
