"""Registration: from a face to its slot, to the plate, to the station; calibration from measured points.

A mark is drawn in its face's frame and burned in the station's. Between the two lie the slot's pose, known
from how the plate was made, and the plate's own place under the laser, known from the station's description
(`nominal`) or, better, measured (`calibrate`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from layout.shop.affine import Affine
from layout.shop.measure import Floats
from layout.shop.plates import Plate, Pose
from layout.shop.stations import Calibration, Station

Model = Literal["rigid", "similarity", "affine"]
FEWEST = {"rigid": 2, "similarity": 2, "affine": 3}
#: Numbers that each model fits: a turn and a shift, with one scale, with a free matrix.
FREEDOMS = {"rigid": 3, "similarity": 4, "affine": 6}
MOST_POINTS = 9


def nominal(station: Station, plate: Plate, copy: str) -> Calibration:
    """Where the plate lies by the station's description, when no copy was measured: turned, moved to its
    datum, then scaled and flipped as the station's own axes are. A measured calibration has all that in it.

    Raises KeyError when the station can't mount the plate.
    """
    x, y, turn = station.plates[plate.plate]
    there = Affine.turned(turn, to=(x, y)).scaled(*station.axes)
    return Calibration("nominal", station.station, copy, there.matrix, 0.0)


def place_points(points: Any, pose: Pose, calibration: Calibration) -> Floats:
    """Points (n, 2) of a face's frame in station coordinates."""
    on_plate = Affine.turned(pose.turn_deg, to=(pose.x_mm, pose.y_mm))
    return to_station(on_plate(points), calibration)


def to_station(points: Any, calibration: Calibration) -> Floats:
    """Points (n, 2) of a plate's frame in station coordinates."""
    return Affine(*calibration.matrix)(points)


def calibrate(
    name: str,
    station: str,
    copy: str,
    *,
    plate_points: Sequence[tuple[float, float]],
    measured: Sequence[tuple[float, float]],
    model: Model,
    axes: tuple[float, float] = (1.0, 1.0),
) -> Calibration:
    """Least-squares transform from plate to station. The residual is the root mean square distance in mm.

    `axes` are the station's own (see `Station`): the plate is fitted as it lies, and then scaled and flipped
    as they are. Rigid and similarity by S. Umeyama, "Least-squares estimation of transformation parameters
    between two point patterns", IEEE PAMI 13 (1991), reflections excluded. A small residual says little about
    the error at a blade: use three or more fiducials far apart.

    Raises ValueError for too few or too many points or points in one place or line.
    """
    source, target = np.array(plate_points, dtype=float), _unscaled(measured, axes)
    if source.shape != target.shape or not FEWEST[model] <= len(source) <= MOST_POINTS:
        raise ValueError(f"{model} needs {FEWEST[model]} to {MOST_POINTS} pairs of points")
    matrix, shift = _affine(source, target) if model == "affine" else _similar(source, target, model)
    off = target - (source @ matrix.T + shift)
    residual = float(np.sqrt((off**2).sum(axis=1).mean()))
    (a, b), (c, d) = matrix.tolist()
    there = Affine(a, b, c, d, float(shift[0]), float(shift[1])).scaled(*axes)
    return Calibration(name, station, copy, there.matrix, residual)


def _unscaled(points: Any, axes: tuple[float, float]) -> Floats:
    """Station coordinates as millimetres on the plate's table: without the station's own scale and flip."""
    return np.asarray(np.asarray(points, dtype=np.float64) / np.array(axes), dtype=np.float64)


def _similar(source: Floats, target: Floats, model: Model) -> tuple[Floats, Floats]:
    mean_s, mean_t = source.mean(axis=0), target.mean(axis=0)
    spread = float(((source - mean_s) ** 2).sum(axis=1).mean())
    if spread == 0:
        raise ValueError("the points lie in one place")
    covariance = (target - mean_t).T @ (source - mean_s) / len(source)
    u, sizes, vt = np.linalg.svd(covariance)
    sign = np.diag([1.0, np.sign(np.linalg.det(u) * np.linalg.det(vt))])
    rotation = u @ sign @ vt
    scale = float(np.trace(np.diag(sizes) @ sign)) / spread if model == "similarity" else 1.0
    matrix = scale * rotation
    return matrix, mean_t - matrix @ mean_s


def _affine(source: Floats, target: Floats) -> tuple[Floats, Floats]:
    design = np.column_stack([source, np.ones(len(source))])
    if np.linalg.matrix_rank(design) < 3:
        raise ValueError("the points lie in one line")
    solution, *_ = np.linalg.lstsq(design, target, rcond=None)
    return np.asarray(solution[:2].T, dtype=np.float64), np.asarray(solution[2], dtype=np.float64)


def off_mm(
    calibration: Calibration,
    plate_points: Sequence[tuple[float, float]],
    measured: Sequence[tuple[float, float]],
    *,
    axes: tuple[float, float] = (1.0, 1.0),
) -> tuple[float, ...]:
    """Distance of each measured point from where the calibration puts it, mm on the table."""
    off = _unscaled(measured, axes) - _unscaled(to_station(plate_points, calibration), axes)
    return tuple(float(d) for d in np.hypot(off[:, 0], off[:, 1]))


@dataclass(frozen=True, slots=True)
class Lie:
    """How a plate lies on a station's table, the station's own scale and flip taken off: its origin, its turn
    counter-clockwise, the scale along its x and y (a negative one: mirrored), how far from square."""

    shift_mm: tuple[float, float]
    turn_deg: float
    scale: tuple[float, float]
    skew_deg: float

    def turned_from(self, other: Lie) -> float:
        """Degrees from the other plate's turn to this one, -180 to 180."""
        return (self.turn_deg - other.turn_deg + 180) % 360 - 180


def lie_of(calibration: Calibration, *, axes: tuple[float, float] = (1.0, 1.0)) -> Lie:
    """The parts of a calibration's matrix: turned, sheared, then scaled along the plate's own axes."""
    a, b, c, d, tx, ty = calibration.matrix
    (a, b, tx), (c, d, ty) = (
        (float(v) for v in row) for row in np.array([[a, b, tx], [c, d, ty]]) / np.array(axes)[:, None]
    )
    along = math.hypot(a, c)
    square = (a * d - b * c) / along
    skew = math.degrees(math.atan2((a * b + c * d) / along, abs(square)))
    return Lie((tx, ty), math.degrees(math.atan2(c, a)), (along, square), skew)


def error_at(
    calibration: Calibration,
    points: Sequence[tuple[float, float]],
    at: tuple[float, float],
    *,
    model: Model = "rigid",
) -> float:
    """Predicted error (mm, root mean square) of a registration at a plate point, from its residual.

    Rigid by Fitzpatrick, West and Maurer, "Predicting error in rigid-body point-based registration", IEEE TMI
    17 (1998), for the plane (from memory): FLE² = FRE² / (1 - 3/(2N)), TRE² = FLE²/N (1 + d²/(2 f²)),
    with d the distance from the fiducials' centre and f their root mean square distance from it. A scale of
    its own adds as much as the turn does; of a free matrix it is the leverage of ordinary least squares.
    Infinite when the model leaves no residual that could say anything (rigid: two points).
    """
    source = np.array(points, dtype=float)
    count = len(source)
    spare = 1 - FREEDOMS[model] / (2 * count)
    if spare < 1e-9 or count < 3:
        return math.inf
    fle2 = calibration.residual_mm**2 / spare
    centre = source.mean(axis=0)
    away = np.array(at) - centre
    if model == "affine":
        spread = (source - centre).T @ (source - centre)
        return math.sqrt(fle2 * (1 / count + float(away @ np.linalg.solve(spread, away))))
    f2 = float(((source - centre) ** 2).sum(axis=1).mean())
    turned = 2 if model == "rigid" else 1
    return math.sqrt(fle2 / count * (1 + float((away**2).sum()) / (turned * f2)))
