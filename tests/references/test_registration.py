"""Registration against published values, SciPy and a simulated law."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from layout.seating.registration import calibrate, error_at, lie_of, nominal, off_mm, place_points, to_station
from layout.shop.plates import Pose
from tests.golden.turns import a_plate, a_station

SQUARE = [(0.0, 0.0), (100.0, 0.0), (100.0, 50.0), (0.0, 50.0)]


def fitted(plate, measured, model="rigid", **more):
    return calibrate("c", "left", "one", plate_points=plate, measured=measured, model=model, **more)


def moved(points, *, turn_deg=0.0, scale=(1.0, 1.0), by=(0.0, 0.0)):
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return [
        (cos * x * scale[0] - sin * y * scale[1] + by[0], sin * x * scale[0] + cos * y * scale[1] + by[1])
        for x, y in points
    ]


def test_umeyamas_own_example_gives_the_papers_values():
    # S. Umeyama, IEEE PAMI 13 (1991), its worked example of three points; values from memory:
    # R [[.832, .555], [-.555, .832]], c .721, t (-.8, .4).
    found = fitted([(0, 0), (1, 0), (0, 2)], [(0, 0), (-1, 0), (0, 2)], "similarity")

    a, b, c, d, tx, ty = found.matrix
    scale = math.hypot(a, c)
    assert scale == pytest.approx(0.721, abs=5e-4)
    assert (a / scale, b / scale, c / scale, d / scale) == pytest.approx(
        (0.832, 0.555, -0.555, 0.832), abs=5e-4
    )
    assert (tx, ty) == pytest.approx((-0.8, 0.4), abs=5e-4)


@pytest.mark.parametrize("seed", range(5))
def test_a_rigid_fit_is_scipys_best_rotation(seed):
    # scipy.spatial.transform.Rotation.align_vectors, on centred points in the plane; seed in the test's name.
    chance = np.random.default_rng(seed)
    plate = chance.uniform(0, 100, (6, 2))
    measured = np.array(moved(plate, turn_deg=float(chance.uniform(-180, 180)), by=(5, -3)))
    measured += chance.normal(0, 0.3, measured.shape)

    found = fitted(plate.tolist(), measured.tolist())

    flat = [np.column_stack([p - p.mean(axis=0), np.zeros(6)]) for p in (plate, measured)]
    # A far heavier vertical pair keeps SciPy's rotation in the plane.
    upright = np.array([[0.0, 0.0, 1.0]])
    best, _ = Rotation.align_vectors(
        np.vstack([flat[1], upright]), np.vstack([flat[0], upright]), weights=[1.0] * 6 + [1e6]
    )
    assert np.array(found.matrix[:4]).reshape(2, 2) == pytest.approx(best.as_matrix()[:2, :2], abs=1e-5)


@pytest.mark.parametrize("count", [2, 3, 4, 6, 9])
def test_the_mean_square_residual_obeys_the_law_of_fiducials(count):
    # E[FRE2] = (1 - 3/(2N)) FLE2 in the plane: planar form of Sibson's law, after Fitzpatrick (memory).
    chance = np.random.default_rng(20 + count)
    plate = chance.uniform(0, 200, (count, 2))
    trials = [
        fitted(plate.tolist(), (plate + chance.normal(0, 0.05, plate.shape)).tolist()).residual_mm ** 2
        for _ in range(3000)
    ]

    fle2 = 2 * 0.05**2
    assert np.mean(trials) / fle2 == pytest.approx(1 - 3 / (2 * count), rel=0.06)


@pytest.mark.parametrize("model", ["rigid", "similarity", "affine"])
@pytest.mark.parametrize("at", [(50.0, 25.0), (300.0, -80.0)])
def test_the_predicted_error_at_a_target_is_the_one_that_simulation_sees(at, model):
    # FLE 0.05 mm each way, four fiducials: the prediction from many residuals against the true miss.
    chance = np.random.default_rng(7)
    square = np.array(SQUARE)
    fits = [
        fitted(SQUARE, (square + chance.normal(0, 0.05, square.shape)).tolist(), model) for _ in range(3000)
    ]

    missed = [np.sum((to_station([at], fit)[0] - at) ** 2) for fit in fits]

    predicted = np.mean([error_at(fit, SQUARE, at, model=model) ** 2 for fit in fits])
    assert predicted == pytest.approx(np.mean(missed), rel=0.08)


def test_two_points_predict_nothing():
    found = fitted(SQUARE[:2], SQUARE[:2])

    assert error_at(found, SQUARE[:2], (0.0, 0.0)) == math.inf
    three = fitted(SQUARE[:3], SQUARE[:3], "affine")
    assert error_at(three, SQUARE[:3], (0.0, 0.0), model="affine") == math.inf


@pytest.mark.parametrize("model", ["rigid", "similarity", "affine"])
@pytest.mark.parametrize("turn_deg", [0.0, 12.5, 180.0, -97.0])
def test_a_move_without_error_is_found_to_the_nanometre(model, turn_deg):
    measured = moved(SQUARE, turn_deg=turn_deg, by=(-40.0, 7.5))

    found = fitted(SQUARE, measured, model)

    assert to_station(SQUARE, found) == pytest.approx(np.array(measured), abs=1e-6)
    assert found.residual_mm == pytest.approx(0, abs=1e-9)


def test_an_affine_fit_finds_a_scale_per_axis_and_a_flipped_axis():
    measured = moved(SQUARE, turn_deg=5.0, scale=(1.001, -0.999), by=(3.0, 4.0))

    found = fitted(SQUARE, measured, "affine")

    assert to_station(SQUARE, found) == pytest.approx(np.array(measured), abs=1e-9)


def test_a_rigid_fit_never_mirrors_a_plate():
    mirrored = moved(SQUARE, scale=(1.0, -1.0))

    a, b, c, d, _, _ = fitted(SQUARE, mirrored).matrix

    assert a * d - b * c == pytest.approx(1.0)


def test_a_plate_is_fitted_as_it_lies_and_then_scaled_and_flipped_as_the_station_s_axes_are():
    lies = moved(SQUARE, turn_deg=3.0, by=(5.0, -2.0))
    axes = (-1.0, 1.002)
    measured = [(axes[0] * x, axes[1] * y) for x, y in lies]

    found = fitted(SQUARE, measured, axes=axes)

    assert to_station(SQUARE, found) == pytest.approx(np.array(measured), abs=1e-9)
    assert found.residual_mm == pytest.approx(0, abs=1e-9)
    lie = lie_of(found, axes=axes)
    assert (*lie.shift_mm, lie.turn_deg, *lie.scale, lie.skew_deg) == pytest.approx(
        (5.0, -2.0, 3.0, 1.0, 1.0, 0.0), abs=1e-9
    )


def test_a_matrix_is_taken_apart_into_turn_scale_and_skew():
    # By hand: the plate's x is stretched by 1.01, its y leans 2 degrees towards x.
    lean = math.radians(2.0)
    square = [(1.01 * x + math.sin(lean) * y, math.cos(lean) * y) for x, y in SQUARE]

    lie = lie_of(fitted(SQUARE, moved(square, turn_deg=30.0), "affine"))

    assert (lie.turn_deg, *lie.scale, lie.skew_deg) == pytest.approx((30.0, 1.01, math.cos(lean), 2.0))


def test_each_mark_s_own_distance_makes_the_residual():
    measured = [(x + (0.4 if i == 0 else 0.0), y) for i, (x, y) in enumerate(SQUARE)]
    found = fitted(SQUARE, measured)

    off = off_mm(found, SQUARE, measured)

    assert max(off) == off[0]
    assert found.residual_mm == pytest.approx(math.sqrt(np.mean(np.square(off))))


@pytest.mark.parametrize(
    ("points", "model"),
    [
        ([(0.0, 0.0)], "rigid"),
        ([(0.0, 0.0), (1.0, 0.0)], "affine"),
        ([(float(i), 0.0) for i in range(10)], "rigid"),
        ([(1.0, 1.0), (1.0, 1.0)], "rigid"),
        ([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)], "affine"),
    ],
)
def test_points_that_determine_nothing_are_refused(points, model):
    with pytest.raises(ValueError, match=r"points"):
        fitted(points, points, model)


def test_the_nominal_plate_lies_at_its_datum():
    station = a_station(plates={"bench": (10.0, 20.0, 90.0)})

    found = nominal(station, a_plate(), "one")

    assert to_station([(1.0, 0.0)], found) == pytest.approx(np.array([[10.0, 21.0]]))
    assert place_points([(1.0, 0.0)], Pose(5.0, 0.0, 90.0, 0.0), found) == pytest.approx(
        np.array([[9.0, 25.0]])
    )
    assert (found.calibration, found.copy, found.station) == ("nominal", "one", "left")


def test_a_station_s_axes_are_scaled_and_flipped_after_all_else():
    # Elementary: a reflection and a stretch of the point that the turned and moved plate gives.
    plain = a_station(plates={"bench": (10.0, 20.0, 90.0)})
    flipped = a_station(plates={"bench": (10.0, 20.0, 90.0)}, axes=(-1.0, 1.002))
    points = np.array([(1.0, 0.0), (-3.0, 7.5)])

    straight = to_station(points, nominal(plain, a_plate(), "one"))
    turned_over = to_station(points, nominal(flipped, a_plate(), "one"))

    assert turned_over == pytest.approx(straight * np.array([-1.0, 1.002]))
