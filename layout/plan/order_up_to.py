"""How many units assembly should build each week, so that what usually sells, and the next release, can be
met at a chosen service level.

The order-up-to rule of periodic review: once a week the stock of each product, with what is promised taken
off, is brought up to what sells in the time until the next week's building is on the shelf, and a safety
stock beside it:

    level = mean * T + z * spread * sqrt(T)        T = 1 week between reviews + weeks that building takes

with mean and standard deviation of what sold in a week, and z the normal quantile of the service level
(Silver, Pyke and Peterson, Inventory Management and Production Planning and Scheduling, 3rd edition, section
7.9, the (R, S) system; from memory). Of few units a week the sample says little, so the spread is never
taken for less than that of orders that come by chance alone, the root of the mean (a Poisson count's).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist, fmean, stdev

#: A level that is a whole number but for the last bits of its sum is that number.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected to sell in a week, and how much weeks differ (its standard deviation), in units."""

    mean: float = 0.0
    spread: float = 0.0

    def level(self, weeks: float, service: float) -> int:
        """Units that are enough for so many weeks, with that probability.

        Sold in five weeks: 6, 18, 12, 2 and 22. Mean 12; standard deviation, by n - 1, the root of
        (36 + 36 + 0 + 100 + 100) / 4 = 8.246; for 95 % z is 1.645 (the normal table): in two weeks
        24 + 1.645 * 8.246 * 1.414 = 43.2, so 44 units.

        >>> forecast([6, 18, 12, 2, 22]).level(2, 0.95)
        44
        """
        units = self.mean * weeks + NormalDist().inv_cdf(service) * self.spread * math.sqrt(weeks)
        return max(0, math.ceil(units - _ROUNDING))


def forecast(sold: Sequence[int]) -> Forecast:
    """Of units sold in past weeks."""
    if not sold:
        return Forecast()
    mean = fmean(sold)
    return Forecast(mean, max(stdev(sold) if len(sold) > 1 else 0.0, math.sqrt(mean)))


def with_release(usual: Forecast, release: Forecast) -> Forecast:
    """Of a week with a release day in it, whose sales don't depend on the others'."""
    return Forecast(usual.mean + release.mean, math.hypot(usual.spread, release.spread))


@dataclass(frozen=True, slots=True)
class Item:
    """One product: units that nobody waits for (less than nought where more are promised than boxed), the
    level that they are brought up to, and what sells in a week."""

    free: int
    level: int
    weekly: float


def build_by_week(items: Mapping[str, Item], *, most: Sequence[int | None]) -> list[dict[str, int]]:
    """Units to build in each of the coming weeks, by product: at first what is missing from its level, later
    what will have sold. `most` says week by week how many can be built, None: as many as are wanted.

    Where that is not enough for all, the unit comes first whose product would else last the shortest: what is
    promised and not there before everything, then by weeks of cover. What is left over is wanted again the
    week after.
    """
    free = {sku: float(item.free) for sku, item in items.items()}
    plan: list[dict[str, int]] = []
    for can_be_built in most:
        wanted = {sku: max(0, math.ceil(item.level - free[sku] - _ROUNDING)) for sku, item in items.items()}
        built = _shared_out(items, free, wanted, can_be_built)
        plan.append({sku: count for sku, count in built.items() if count})
        for sku, item in items.items():
            free[sku] += built[sku] - item.weekly
    return plan


def _shared_out(
    items: Mapping[str, Item], free: Mapping[str, float], wanted: Mapping[str, int], most: int | None
) -> dict[str, int]:
    if most is None or sum(wanted.values()) <= most:
        return dict(wanted)
    built = dict.fromkeys(items, 0)

    def cover(sku: str) -> tuple[bool, float, str]:
        """Promised units first; then what lasts the shortest, by how much of its level there is where nothing
        sells."""
        there, item = free[sku] + built[sku], items[sku]
        return there >= 0, there / (item.weekly or max(item.level, 1)), sku

    for _ in range(most):
        built[min((sku for sku in items if built[sku] < wanted[sku]), key=cover)] += 1
    return built
