"""Learning: what recorded burns say of the estimate, robustly.

The model is a straight line per unit: seconds on the bench = factor x estimated seconds + handling. The
factor is what the head really does, the handling what every unit costs besides (settling, the way from slot
to slot). A unit is the measure because checks, plans and loads all reckon in units.

The line is Theil and Sen's: the median of the slopes of all pairs of records, and the median of what is then
left. It stands up to 29 % of records that tell of something else (a lunch break, a finish that nobody
pressed). Where the records' estimates are too much alike to tell slope from intercept, only the factor is
learned, as the median ratio. Few records say little: what they say is mixed with what is believed without
them (a group's with its station's, a station's with the catalogue's), as if that were `TRUST` records more.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

#: What is believed without a group's own records weighs as much as so many of them.
TRUST = 5
#: Records from which a slope is looked for, and how much of itself its 95 % interval may leave open.
LEAST_RECORDS, OPEN = 6, 0.2
#: A finish pressed so soon says nothing of the laser: under this share of the estimate a turn is left out.
LEAST_SHARE = 0.1
#: A learned factor stays between these: one odd station must not turn a plan over.
LEAST_FACTOR, MOST_FACTOR = 0.5, 3.0
#: The error is measured on records that were left out of the learning, in so many rounds.
ROUNDS = 5


@dataclass(frozen=True, slots=True)
class Burned:
    """One turn as it burned: what all its units together were estimated at, and what they took."""

    estimated_s: float
    measured_s: float
    units: int


@dataclass(frozen=True, slots=True)
class Pace:
    """How estimates become seconds on the bench.

    >>> Pace(1.5, 2.0).seconds(60.0, units=3)
    96.0
    """

    factor: float = 1.0
    handling_s: float = 0.0

    def seconds(self, estimated_s: float, *, units: int = 1) -> float:
        """Expected seconds for units whose estimates total `estimated_s`."""
        return self.factor * estimated_s + self.handling_s * units


#: A shop without records trusts its catalogue.
CATALOGUE = Pace()


@dataclass(frozen=True, slots=True)
class Learned:
    """A pace and how good it is.

    The errors are medians of |expected - measured| of a turn, with the catalogue's figures and with learned
    ones, each turn left out of the learning by which it was expected. `spread` is half the distance between
    the 16th and 84th percentile of ln(measured / expected): the standard deviation, if that were normal.
    None where there are no records.
    """

    pace: Pace
    records: int
    error_catalogue_s: float | None = None
    error_learned_s: float | None = None
    spread: float | None = None


def learn(records: Sequence[Burned], *, without: Pace = CATALOGUE) -> Learned:
    """The pace of a group of turns; `without` is what is believed of it without records."""
    usable = _usable(records)
    if not usable:
        return Learned(without, 0)
    expected = expected_seconds(usable, without=without)
    left = [math.log(record.measured_s / seconds) for record, seconds in zip(usable, expected, strict=True)]
    low, high = np.quantile(left, (0.16, 0.84))
    return Learned(
        pace=_mixed(usable, without),
        records=len(usable),
        error_catalogue_s=_error(usable, [record.estimated_s for record in usable]),
        error_learned_s=_error(usable, expected),
        spread=float(high - low) / 2,
    )


def expected_seconds(records: Sequence[Burned], *, without: Pace = CATALOGUE) -> list[float]:
    """What each turn would have been expected to take by what the others teach (a fifth left out at a
    time)."""
    expected = [0.0] * len(records)
    for first in range(ROUNDS):
        rest = [record for number, record in enumerate(records) if number % ROUNDS != first]
        pace = _mixed(rest, without)
        for number in range(first, len(records), ROUNDS):
            expected[number] = pace.seconds(records[number].estimated_s, units=records[number].units)
    return expected


def fitted(records: Sequence[Burned]) -> Pace:
    """What the records say by themselves. Raises ValueError without any."""
    if not records:
        raise ValueError("nothing was recorded")
    estimated = np.array([record.estimated_s / record.units for record in records])
    measured = np.array([record.measured_s / record.units for record in records])
    if len(records) >= LEAST_RECORDS and np.ptp(estimated) > 0:
        from scipy.stats import theilslopes  # here: it takes a tenth of the time the service needs to start

        slope, rest, low, high = theilslopes(measured, estimated, 0.95, method="joint")
        if LEAST_FACTOR <= slope <= MOST_FACTOR and high - low <= OPEN * slope and rest >= 0:
            return Pace(float(slope), float(rest))
    ratio = statistics.median((measured / estimated).tolist())
    return Pace(min(max(ratio, LEAST_FACTOR), MOST_FACTOR))


def _usable(records: Sequence[Burned]) -> list[Burned]:
    return [
        record
        for record in records
        if record.units > 0
        and record.estimated_s > 0
        and record.measured_s > LEAST_SHARE * record.estimated_s
    ]


def _mixed(records: Sequence[Burned], without: Pace) -> Pace:
    if not records:
        return without
    own, weight = fitted(records), len(records) / (len(records) + TRUST)
    return Pace(
        weight * own.factor + (1 - weight) * without.factor,
        weight * own.handling_s + (1 - weight) * without.handling_s,
    )


def _error(records: Sequence[Burned], expected: Sequence[float]) -> float:
    return statistics.median(
        abs(record.measured_s - seconds) for record, seconds in zip(records, expected, strict=True)
    )
