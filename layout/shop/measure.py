"""Units, tolerances, the one rounding rule and the one number formatter.

Lengths are millimetres, angles degrees (counter-clockwise from +x), times seconds, y up.
"""

from __future__ import annotations

import math
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
#: Lengths (in steps) that are certainly written as they round: clear of a tie, and in few digits.
_HALF_A_STEP, _PLAIN_STEPS = 0.499_999, 1e11

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


def format_all_mm(values: Floats) -> str:
    """What `format_mm` writes of each of those lengths (any shape), with a space between: many times faster.

    Raises ValueError for a number that is not finite.
    """
    lengths = np.ravel(values)
    steps = lengths * FROZEN_STEPS_PER_MM
    whole = np.rint(steps)
    # Multiplied, a length half a step from the next may round the other way; and a very long one is written
    # with an exponent.
    is_plain = np.isfinite(lengths).all() and (np.abs(steps) < _PLAIN_STEPS).all()
    if not is_plain or (np.abs(steps - whole) > _HALF_A_STEP).any():
        return " ".join(map(format_mm, lengths.tolist()))
    written = repr((whole / FROZEN_STEPS_PER_MM + 0.0).tolist())[1:-1].replace(",", "")
    return (written + " ").replace(".0 ", " ")[:-1]
