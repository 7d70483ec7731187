"""Registration: from a face to its slot, to the plate, to the station; calibration from measured points."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np

from layout.measure import Floats
from layout.parts import Calibration, Plate, Pose, Station

Model = Literal["rigid", "similarity", "affine"]
FEWEST = {"rigid": 2, "similarity": 2, "affine": 3}
MOST_POINTS = 9


class ResidualTooLarge(ValueError):
    """The measured points don't agree with the plate; `residual_mm` and `limit_mm` say by how much."""

    def __init__(self, residual_mm: float, limit_mm: float) -> None:
        super().__init__(f"residual {residual_mm:.3f} mm is over the limit of {limit_mm:.3f} mm")
        self.residual_mm = residual_mm
        self.limit_mm = limit_mm


def nominal(station: Station, plate: Plate, copy: str) -> Calibration:
    """Where the plate lies by the station's description, when no copy was measured: turned, moved to its
    datum, then scaled and flipped as the station's own axes are. A measured calibration has all that in it.

    Raises KeyError when the station can't mount the plate.
    """
    x, y, turn = station.plates[plate.plate]
    across, up = station.axes
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    matrix = (across * cos, -across * sin, up * sin, up * cos, across * x, up * y)
    return Calibration("nominal", station.station, copy, matrix, 0.0)


def place_points(points: Any, pose: Pose, calibration: Calibration) -> Floats:
    """Points (n, 2) of a face's frame in station coordinates."""
    cos, sin = math.cos(math.radians(pose.turn_deg)), math.sin(math.radians(pose.turn_deg))
    plate = _transformed(points, (cos, -sin, sin, cos, pose.x_mm, pose.y_mm))
    return to_station(plate, calibration)


def to_station(points: Any, calibration: Calibration) -> Floats:
    """Points (n, 2) of a plate's frame in station coordinates."""
    return _transformed(points, calibration.matrix)


def _transformed(points: Any, matrix: tuple[float, float, float, float, float, float]) -> Floats:
    # Written out, not as a matrix product, whose last bit differs from one processor's kernel to another's.
    a, b, c, d, tx, ty = matrix
    given = np.asarray(points, dtype=np.float64)
    x, y = given[:, 0], given[:, 1]
    return np.column_stack([a * x + b * y + tx, c * x + d * y + ty])


def calibrate(
    name: str,
    station: str,
    copy: str,
    *,
    plate_points: Sequence[tuple[float, float]],
    measured: Sequence[tuple[float, float]],
    model: Model,
    limit_mm: float,
) -> Calibration:
    """Least-squares transform from plate to station. The residual is the root mean square distance in mm.

    Rigid and similarity by S. Umeyama, "Least-squares estimation of transformation parameters between two
    point patterns", IEEE PAMI 13 (1991), reflections excluded. A small residual says little about the error
    at a blade: use three or more fiducials far apart.

    Raises ValueError for too few or too many points or points in one place or line; ResidualTooLarge.
    """
    source, target = np.array(plate_points, dtype=float), np.array(measured, dtype=float)
    if source.shape != target.shape or not FEWEST[model] <= len(source) <= MOST_POINTS:
        raise ValueError(f"{model} needs {FEWEST[model]} to {MOST_POINTS} pairs of points")
    matrix, shift = _affine(source, target) if model == "affine" else _similar(source, target, model)
    off = target - (source @ matrix.T + shift)
    residual = float(np.sqrt((off**2).sum(axis=1).mean()))
    if residual > limit_mm:
        raise ResidualTooLarge(residual, limit_mm)
    (a, b), (c, d) = matrix.tolist()
    return Calibration(name, station, copy, (a, b, c, d, float(shift[0]), float(shift[1])), residual)


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


def error_at(
    calibration: Calibration, points: Sequence[tuple[float, float]], at: tuple[float, float]
) -> float:
    """Predicted error (mm, root mean square) of a rigid registration at a plate point, from its residual.

    Fitzpatrick, West and Maurer, "Predicting error in rigid-body point-based registration", IEEE TMI 17
    (1998), for the plane (from memory): FLE² = FRE² / (1 - 3/(2N)), TRE² = FLE²/N (1 + d²/(2 f²)),
    with d the distance from the fiducials' centre and f their root mean square distance from it. Infinite
    for two points.
    """
    source = np.array(points, dtype=float)
    count = len(source)
    if count < 3:
        return math.inf
    fle2 = calibration.residual_mm**2 / (1 - 3 / (2 * count))
    centre = source.mean(axis=0)
    f2 = float(((source - centre) ** 2).sum(axis=1).mean())
    d2 = float(((np.array(at) - centre) ** 2).sum())
    return math.sqrt(fle2 / count * (1 + d2 / (2 * f2)))
