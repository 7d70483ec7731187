"""The largest fit is exact: against closed forms, linear programmes, and a brute-force reference."""

from __future__ import annotations

import math
import os

import numpy as np
import pytest
import shapely
from scipy.optimize import linprog
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from layout.fit import straight as fit
from layout.fit.inner_fit import Copies, certainly_holds, room_of
from layout.fit.inscribed import half_planes, largest_copy
from layout.shop.blades import Slide
from layout.shop.inscriptions import Align
from layout.shop.measure import HEIGHT_STEP_MM, Floats
from tests.regions import a_convex_polygon, a_hollow_polygon, a_hull, a_region, a_zone

SQUARE = np.array([[-0.5, 0.0], [0.5, 0.0], [0.5, 1.0], [-0.5, 1.0]])
SEED = 20260901


def _planes(polygon: Polygon) -> tuple[Floats, Floats]:
    ring = shapely.get_coordinates(shapely.geometry.polygon.orient(polygon).exterior)[:-1]
    return half_planes(ring)


def test_the_largest_square_in_a_triangle_has_side_bh_over_b_plus_h() -> None:
    # Source: gogeometry.com, problem 69 (published): side = b h / (b + h).
    for base, height, apex in ((6.0, 4.0, 2.0), (5.0, 3.0, 4.5), (12.0, 2.0, 6.0)):
        normals, offsets = _planes(Polygon([(0, 0), (base, 0), (apex, height)]))

        found = largest_copy(SQUARE, normals, offsets, most=100)

        assert found is not None
        assert found[0] == pytest.approx(base * height / (base + height), abs=1e-9)


def test_the_largest_circle_in_a_3_4_5_triangle_has_radius_1() -> None:
    # Elementary: inradius = area / half perimeter = 6 / 6. The circle is a polygon of 720 corners here.
    angles = np.radians(np.arange(0, 360, 0.5))
    circle = np.column_stack([np.cos(angles), np.sin(angles)])

    found = largest_copy(circle, *_planes(Polygon([(0, 0), (4, 0), (0, 3)])), most=100)

    assert found == pytest.approx((1.0, 1.0, 1.0), abs=5e-5)


def test_the_linear_programme_agrees_with_highs_on_any_convex_region() -> None:
    # Reference: scipy.optimize.linprog (HiGHS), the same programme written out.
    rng = np.random.default_rng(SEED)
    for _ in range(200):
        hull = a_hull(rng)
        normals, offsets = _planes(a_convex_polygon(rng))
        reach = (normals @ hull.T).max(axis=1)
        theirs = linprog(
            [-1, 0, 0],
            A_ub=np.column_stack([reach, normals]),
            b_ub=offsets,
            bounds=[(None, 40), (None, None), (None, None)],
        )

        ours = largest_copy(hull, normals, offsets, most=40)

        assert ours is not None
        assert ours[0] == pytest.approx(-theirs.fun, abs=1e-7)


def test_no_copy_fits_where_there_is_no_room() -> None:
    normals = np.array([[1.0, 0.0], [-1.0, 0.0]])

    assert largest_copy(SQUARE, normals, np.array([0.0, -1.0]), most=10) is None


def _scale_at(points: Floats, boundary: Floats, normals: Floats, reach: Floats) -> Floats:
    """Largest scale of a hull about each point (m, 2): the least gauge of any boundary point from there."""
    best = np.empty(len(points))
    for index, point in enumerate(points):
        best[index] = ((boundary - point) @ normals.T / reach).max(axis=1).min()
    return best


def brute_force(region: object, hull: Floats, rng: np.random.Generator) -> float:
    """Largest scale by trying positions: a grid, then shrinking neighbourhoods of the best five.

    Independent of the code under test: it measures, from a position, how far the hull may grow before any of
    the boundary's points would be inside it, then asks Shapely whether the hull is covered there. It can only
    be too small, at positions that it never tried.
    """
    inner = hull.mean(axis=0)
    ring = hull - inner
    normals, reach = half_planes(ring)
    boundary = shapely.get_coordinates(shapely.segmentize(region.boundary, 0.15))  # type: ignore[attr-defined]
    x0, y0, x1, y1 = region.bounds  # type: ignore[attr-defined]
    grid = np.array([(x, y) for x in np.linspace(x0, x1, 25) for y in np.linspace(y0, y1, 13)])
    grid = grid[shapely.contains_xy(region, grid[:, 0], grid[:, 1])]
    if len(grid) == 0:
        return 0.0
    scales = _scale_at(grid, boundary, normals, reach)
    best = 0.0
    for start in np.argsort(scales)[-5:]:
        at, scale, step = grid[start], scales[start], np.array([x1 - x0, y1 - y0]) / 24
        for _ in range(16):
            tries = at + rng.uniform(-1, 1, size=(12, 2)) * step
            tries = tries[shapely.contains_xy(region, tries[:, 0], tries[:, 1])]
            found = _scale_at(tries, boundary, normals, reach) if len(tries) else np.array([0.0])
            if found.max() > scale:
                at, scale = tries[found.argmax()], found.max()
            else:
                step = step / 1.8
        best = max(best, _covered_scale(region, hull, inner, at, float(scale)))
    return best


def _covered_scale(region: object, hull: Floats, inner: Floats, at: Floats, scale: float) -> float:
    """The largest scale up to the sampled one at which the region really covers the hull at that place."""
    low, high = 0.0, scale
    for _ in range(18):
        middle = (low + high) / 2
        if region.covers(Polygon((hull - inner) * middle + at)):  # type: ignore[attr-defined]
            low = middle
        else:
            high = middle
    return low


@pytest.mark.parametrize("part", range(6))
def test_a_fit_among_keep_outs_is_never_worse_than_brute_force(part: int) -> None:
    cases = int(os.environ.get("RICASSO_FIT_CASES", "120")) // 6
    rng = np.random.default_rng(SEED + part)
    for number in range(cases):
        polygon, hull = a_hollow_polygon(rng), a_hull(rng)

        found = fit.largest(a_region(polygon), hull, a_zone(polygon), align="centre")

        reference = brute_force(polygon, hull, rng)
        ours = found.height_mm if found else 0.0
        assert ours >= reference - 0.02, (part, number)
        if found is not None:
            block = Polygon(hull * found.height_mm + [found.x_mm, found.y_mm])
            assert polygon.buffer(1e-6).covers(block), (part, number)


def test_one_step_more_than_the_largest_fits_nowhere() -> None:
    rng = np.random.default_rng(SEED)
    for _ in range(40):
        polygon, hull = a_hollow_polygon(rng), a_hull(rng)
        zone = a_zone(polygon)
        found = fit.largest(a_region(polygon), hull, zone, align="centre")
        height = (found.height_mm if found else 0.0) + HEIGHT_STEP_MM

        assert fit.place(a_region(polygon), hull, zone, align="centre", height_mm=height) is None


@pytest.mark.parametrize("slide", ["both", "along", "across", "none"])
@pytest.mark.parametrize("align", ["start", "centre", "end"])
def test_what_fits_at_a_height_fits_at_every_smaller_one(slide: Slide, align: Align) -> None:
    rng = np.random.default_rng(SEED)
    for _ in range(12):
        polygon, hull = a_hollow_polygon(rng), a_hull(rng)
        hull = hull - [{"start": hull[:, 0].min(), "centre": 0.0, "end": hull[:, 0].max()}[align], 0.0]
        zone, region = a_zone(polygon, slide=slide), a_region(polygon)
        found = fit.largest(region, hull, zone, align=align)
        if found is None:
            continue

        for share in (0.95, 0.7, 0.4, 0.1):
            height = found.height_mm * share
            assert fit.place(region, hull, zone, align=align, height_mm=height) is not None


def test_a_smaller_region_never_gives_a_larger_fit() -> None:
    rng = np.random.default_rng(SEED + 7)
    for _ in range(40):
        polygon, hull = a_hollow_polygon(rng), a_hull(rng)
        smaller = polygon.buffer(-rng.uniform(0.05, 1.5))
        zone = a_zone(polygon)

        before = fit.largest(a_region(polygon), hull, zone, align="centre")
        after = fit.largest(a_region(smaller), hull, zone, align="centre")

        assert (after.height_mm if after else 0.0) <= (before.height_mm if before else 0.0)


def test_a_block_with_room_to_spare_goes_to_its_anchor() -> None:
    polygon = box(0, 0, 60, 20)

    start = fit.place(
        a_region(polygon),
        SQUARE + np.array([0.5, 0.0]),
        a_zone(polygon, align="start"),
        align="start",
        height_mm=4.0,
    )
    centre = fit.place(a_region(polygon), SQUARE, a_zone(polygon), align="centre", height_mm=4.0)
    asked = fit.place(
        a_region(polygon), SQUARE, a_zone(polygon, anchor=(10.0, 15.0)), align="centre", height_mm=4.0
    )

    assert start is not None
    assert centre is not None
    assert asked is not None
    assert (start.x_mm, start.y_mm) == pytest.approx((0.0, 8.0))
    assert (centre.x_mm, centre.y_mm) == pytest.approx((30.0, 8.0))
    assert (asked.x_mm, asked.y_mm) == pytest.approx((10.0, 13.0))


def test_a_turned_baseline_turns_the_block() -> None:
    level = box(0, 0, 40, 10)
    turned = affinity.rotate(level, 30, origin=(0, 0))
    zone = a_zone(level)
    along = (math.cos(math.radians(30)), math.sin(math.radians(30)))
    tilted = a_zone(turned, baseline=type(zone.baseline)(((0.0, 0.0), along)))

    flat = fit.largest(a_region(level), SQUARE, zone, align="centre")
    steep = fit.largest(a_region(turned), SQUARE, tilted, align="centre")

    assert flat is not None
    assert steep is not None
    assert steep.turn_deg == pytest.approx(30)
    assert steep.height_mm == flat.height_mm == 10.0


def test_the_binding_constraint_is_named_with_its_point() -> None:
    from layout.fit.region import Region, Source

    hole = Point(30, 5).buffer(2)
    polygon = box(0, 0, 60, 10).difference(hole)
    region = Region(
        polygon,
        0.0,
        0.0,
        (Source("zone", "z", box(0, 0, 60, 10).boundary), Source("keep_out", "hole 1", hole.boundary)),
    )
    wide = np.array([[-2.0, 0.0], [2.0, 0.0], [2.0, 1.0], [-2.0, 1.0]])

    found = fit.largest(region, wide, a_zone(polygon), align="centre")

    assert found is not None
    assert ("keep_out", "hole 1") in {(b.kind, b.name) for b in found.binding}


def test_the_overhang_says_how_much_too_long_and_too_tall() -> None:
    polygon = box(0, 0, 20, 5)

    over = fit.overhang(a_region(polygon), SQUARE * [4.0, 1.0], a_zone(polygon), height_mm=6.0)

    assert over == fit.Overhang(length_mm=pytest.approx(4.0), height_mm=pytest.approx(1.0))


def test_the_roomier_piece_of_a_divided_region_is_used() -> None:
    polygon = shapely.union(box(0, 0, 10, 4), box(20, 0, 50, 8))

    found = fit.largest(a_region(polygon), SQUARE, a_zone(polygon), align="centre")

    assert found is not None
    assert found.height_mm == 8.0
    assert found.x_mm >= 24.0


def _steps_up(polygon: Polygon, hull: Floats) -> float:
    found = fit.largest(a_region(polygon), hull, a_zone(polygon), align="centre")
    return found.height_mm if found else 0.0


@pytest.mark.parametrize("height_mm", [1.0, 3.3, 7.77, 12.0])
@pytest.mark.parametrize("kept_out", [False, True])
def test_what_fits_exactly_is_not_lost_to_rounding(height_mm: float, kept_out: bool) -> None:
    room = box(10.1, 3.7, 10.1 + 1.3 * height_mm, 3.7 + height_mm)
    polygon = shapely.union(room, box(room.bounds[2] - 0.1, 3.9, 90, 4.2)) if kept_out else room
    hull = SQUARE * [1.3, 1.0]

    assert _steps_up(polygon, hull) == pytest.approx(height_mm, abs=1e-9)


@pytest.mark.parametrize(
    ("hull", "expected"),
    [
        (np.array([[0.0, 0.0], [0.0, 1.0]]), 10.0),  # an upright stroke
        (np.array([[-0.5, 0.0], [0.5, 0.0]]), 20.0),  # a dash
    ],
)
def test_strokes_without_any_width_fit_as_their_length_does(hull: Floats, expected: float) -> None:
    polygon = box(0, 0, 20, 10)
    with_hole = polygon.difference(box(4, 4, 5, 5))

    assert _steps_up(polygon, hull) == pytest.approx(expected)
    assert _steps_up(with_hole, hull) == pytest.approx(expected)


def test_an_empty_region_takes_nothing_and_everything_is_over() -> None:
    nothing = shapely.MultiPolygon()
    zone = a_zone(box(0, 0, 10, 10))

    assert fit.largest(a_region(nothing), SQUARE, zone, align="centre") is None
    assert fit.place(a_region(nothing), SQUARE, zone, align="centre", height_mm=1.0) is None
    assert fit.overhang(a_region(nothing), SQUARE, zone, height_mm=2.0) == fit.Overhang(2.0, 2.0)


def test_a_block_too_long_or_too_tall_says_only_that() -> None:
    polygon = box(0, 0, 20, 5)
    wide, tall = SQUARE * [6.0, 1.0], SQUARE * [0.5, 1.0]

    too_long = fit.overhang(a_region(polygon), wide, a_zone(polygon), height_mm=4.0)
    too_tall = fit.overhang(a_region(polygon), tall, a_zone(polygon), height_mm=7.5)
    neither = fit.overhang(a_region(polygon), tall, a_zone(polygon), height_mm=4.0)

    assert too_long == fit.Overhang(length_mm=pytest.approx(4.0, abs=0.01), height_mm=0.0)
    assert too_tall == fit.Overhang(length_mm=0.0, height_mm=pytest.approx(2.5, abs=0.01))
    assert neither == fit.Overhang(0.0, 0.0)


def test_a_block_in_a_slanting_room_could_be_shorter_or_lower_and_then_fits() -> None:
    polygon = Polygon([(0, 0), (60, 0), (50, 12), (10, 12)])
    hull = SQUARE * [10.0, 1.0]
    region, zone = a_region(polygon), a_zone(polygon)

    over = fit.overhang(region, hull, zone, height_mm=5.5)

    shorter = hull * [1 - over.length_mm / 55.0, 1.0]
    lower = hull * [1.0, 1 - over.height_mm / 5.5]
    assert over.length_mm > 0
    assert over.height_mm > 0
    assert fit.place(region, shorter, zone, align="centre", height_mm=5.5) is not None
    assert fit.place(region, lower, zone, align="centre", height_mm=5.5) is not None
    assert fit.place(region, shorter * [1.01, 1.0], zone, align="centre", height_mm=5.5) is None


def test_a_block_both_too_long_and_too_tall_for_a_round_room_is_scaled_to_it() -> None:
    polygon = Point(0, 0).buffer(5.0, quad_segs=64)

    over = fit.overhang(a_region(polygon), SQUARE, a_zone(polygon), height_mm=12.0)

    # The largest square in a circle has the diameter as its diagonal.
    assert over.length_mm == pytest.approx(12 - 10 / math.sqrt(2), abs=0.02)
    assert over.height_mm == pytest.approx(over.length_mm)


def test_what_binds_is_named_on_every_side_beyond_the_margin() -> None:
    from layout.fit.region import region_of
    from layout.shop.blades import Face, KeepOut

    zone = a_zone(box(0, 0, 60, 10), edge_margin_mm=0.4)
    hole = KeepOut("pin", "pivot", box(50, 0, 52, 10))
    face = Face("mark_side", box(-9, -9, 70, 19), (zone,), (hole,), handle_deg=180.0)
    region = region_of(face, zone, line_width_mm=0.2, plays=[])

    found = fit.largest(region, SQUARE * [10.0, 1.0], zone, align="centre")

    assert found is not None
    assert found.height_mm == pytest.approx(4.9)  # 0.5 mm of margin at both ends of 50 mm
    held = {(b.kind, b.name, b.side) for b in found.binding}
    assert held == {("zone", "z", "before"), ("keep_out", "pin", "after")}
    assert all(abs(b.clearance_mm) <= 0.02 for b in found.binding)
    assert found.clearance_mm == pytest.approx(0.0, abs=0.02)


def test_a_keep_out_under_a_long_straight_edge_of_the_block_binds_it() -> None:
    hole = Point(30, 0).buffer(2, quad_segs=32)
    polygon = box(0, 0, 60, 10).difference(hole)
    from layout.fit.region import Region, Source

    region = Region(
        polygon,
        0.0,
        0.0,
        (Source("zone", "z", box(0, 0, 60, 10).boundary), Source("keep_out", "pin", hole.boundary)),
    )

    found = fit.largest(region, SQUARE * [5.0, 1.0], a_zone(polygon), align="centre")

    assert found is not None
    assert found.height_mm == pytest.approx(8.0)
    pin = next(b for b in found.binding if b.name == "pin")
    assert pin.side == "below"
    assert pin.point == pytest.approx((30.0, 2.0), abs=0.3)


def test_whether_a_copy_fits_anywhere_is_what_its_positions_say() -> None:
    rng = np.random.default_rng(SEED)
    said = {True: 0, False: 0, None: 0}
    for _ in range(200):
        room = room_of(next(iter(shapely.get_parts(a_hollow_polygon(rng)))))
        copies = Copies(room, a_hull(rng))
        for scale in copies.bound * rng.uniform(0.2, 1.1, size=4):
            fits = copies.fits_anywhere(float(scale))
            said[fits] += 1
            assert fits is None or fits is not copies.positions(float(scale)).is_empty
    assert min(said[True], said[False]) > 50


def test_a_copy_fits_between_holes_as_exactly_as_its_positions_say() -> None:
    rng = np.random.default_rng(SEED)
    said = {True: 0, False: 0}
    for _ in range(40):
        holes = [Point(x, 5).buffer(rng.uniform(1, 3), quad_segs=16) for x in (8, rng.uniform(14, 32))]
        room, hull = room_of(box(0, 0, 40, 10).difference(shapely.union_all(holes))), a_hull(rng)
        low, high = 0.01, Copies(room, hull).bound
        while high - low > 1e-7:
            middle = (low + high) / 2
            low, high = (low, middle) if Copies(room, hull).positions(middle).is_empty else (middle, high)
        for scale in (low * 0.99999, high * 1.00001):
            fits = Copies(room, hull).fits_anywhere(scale)
            assert fits is not None and fits is not Copies(room, hull).positions(scale).is_empty
            said[fits] += 1
    assert min(said.values()) > 20


def test_a_copy_that_certainly_lies_in_a_room_is_among_its_positions() -> None:
    # Reference: the set of all positions, worked out by itself.
    rng = np.random.default_rng(SEED)
    held = 0
    for _ in range(300):
        room = room_of(next(iter(shapely.get_parts(a_hollow_polygon(rng)))))
        hull, scale = a_hull(rng), float(rng.uniform(0.5, 4.0))
        at = tuple(rng.uniform(room.polygon.bounds[:2], room.polygon.bounds[2:]).tolist())
        if certainly_holds(room, hull, scale, at):
            held += 1
            assert Copies(room, hull).positions(scale).covers(Point(at))
    assert held > 20
