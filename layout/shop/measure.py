"""Units, tolerances, the one rounding rule and the one number formatter.

Lengths are millimetres, angles degrees (counter-clockwise from +x), times seconds, y up.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: One micrometre: independent readers of a job file must agree with the approved geometry to this.
MICROMETRE_MM = 0.001

#: Frozen coordinates are whole multiples of this: 0.1 µm, far below any spot and above float noise.
FROZEN_STEP_MM = 0.0001
FROZEN_STEPS_PER_MM = 10_000
FROZEN_DECIMALS = 4
#: Lengths (mm, and in steps) that are written by a table: not longer than a shop's, and clear of a tie.
_PLAIN_MM, _HALF_A_STEP = 4_096, 0.499_999
_PLAIN_STEPS = _PLAIN_MM * FROZEN_STEPS_PER_MM

#: Largest distance between a font's curve and the chords that stand for it in a frozen outline.
FLATTEN_MM = 0.002

#: Heights are searched and reported to this step.
HEIGHT_STEP_MM = 0.01

#: Two geometries are "inside" one another when they overhang by no more than this; it covers
#: the rounding of frozen coordinates (half a diagonal step) and nothing a laser could show.
CONTAINMENT_MM = 0.0002


def freeze_mm(coordinates: Any) -> Floats:
    """Round coordinates (any shape, mm) to the frozen step; never yields a negative zero."""
    return np.asarray(np.round(np.asarray(coordinates, dtype=np.float64), FROZEN_DECIMALS) + 0.0)


def format_mm(value: float) -> str:
    """Write a length for a file: at most four decimals, no exponent, no trailing or negative zero.

    >>> format_mm(12.5), format_mm(-0.00001), format_mm(3.14159265)
    ('12.5', '0', '3.1416')

    Raises ValueError for a number that is not finite: no file may carry one.
    """
    if not math.isfinite(value):  # several times as fast as NumPy's, for one number
        raise ValueError(f"not a finite length: {value!r}")
    text = f"{value:.{FROZEN_DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def format_each_mm(values: Floats) -> list[str]:
    """What `format_mm` writes of each of those lengths (any shape), in their order: many times faster.

    Raises ValueError for a number that is not finite.
    """
    lengths = np.ravel(values)
    steps = lengths * FROZEN_STEPS_PER_MM
    whole = np.rint(steps)
    # Multiplied, a length half a step from the next may round the other way.
    is_plain = np.isfinite(lengths).all() and (np.abs(whole) < _PLAIN_STEPS).all()
    if not is_plain or (np.abs(steps - whole) > _HALF_A_STEP).any():
        return list(map(format_mm, lengths.tolist()))
    millimetres, rest = np.divmod(np.abs(whole).astype(np.int64), FROZEN_STEPS_PER_MM)
    integers, decimals = _digits()
    written: list[str] = (integers[millimetres] + decimals[rest]).tolist()
    for at in np.flatnonzero(whole < 0).tolist():  # few: a page has its corner at zero
        written[at] = "-" + written[at]
    return written


@cache
def _digits() -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """Whole millimetres as they are written, and the decimals for each number of steps beyond them."""
    steps = (f".{steps:0{FROZEN_DECIMALS}d}".rstrip("0").rstrip(".") for steps in range(FROZEN_STEPS_PER_MM))
    millimetres = map(str, range(_PLAIN_MM))
    return np.array(list(millimetres), dtype=object), np.array(list(steps), dtype=object)
