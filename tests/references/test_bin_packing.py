"""Filling shifts: where a load may burn no longer than a shift, the fewest loads are the fewest bins.

Published: E. Falkenauer's u120 class ("A hybrid grouping genetic algorithm for bin packing", Journal of
Heuristics 2, 1996) from the OR-Library (J. E. Beasley, "OR-Library: distributing test problems by electronic
mail", Journal of the Operational Research Society 41, 1990), with the best numbers of bins known then.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog
from layout.plan.planner import plan
from layout.shop.hours import DAY_S, Hours
from tests.planning import a_backlog, a_job, a_kind, a_plan_plate, a_plan_station

FILE = Path(__file__).parent / "data" / "binpack1.txt"
#: Burning of a unit of weight 1.
UNIT_S = 60.0
#: Two instances for which the file's number is not the best: packings of these were verified, and equal the
#: sum of the weights over the capacity.
BETTER = {"u120_08": 50, "u120_19": 49}


def packing_instances() -> list[tuple[str, int, int, list[int]]]:
    """Name, capacity, best known number of bins, weights."""
    words = iter(FILE.read_text(encoding="ascii").split())
    found = []
    for _ in range(int(next(words))):
        name, capacity, items, best = next(words), int(next(words)), int(next(words)), int(next(words))
        weights = [int(next(words)) for _ in range(items)]
        found.append((name, capacity, BETTER.get(name, best), weights))
    return found


def a_shift_backlog(capacity: int, weights: list[int]) -> Backlog:
    """One shift a day of the capacity, a plate with room for everything that fits into one."""
    slots = "".join(chr(ord("A") + n) for n in range(26))
    kind = a_kind(slots=slots)
    hours = Hours(tuple((day * DAY_S, day * DAY_S + capacity * UNIT_S) for day in range(7)))
    jobs = [a_job(f"{n}", kind, due=900 * DAY_S, seconds=weight * UNIT_S) for n, weight in enumerate(weights)]
    return a_backlog(*jobs, stations=(a_plan_station(hours=hours),), plates=(a_plan_plate(slots=slots),))


def first_fit_decreasing(capacity: int, weights: list[int]) -> int:
    """The textbooks' rule: the heaviest first, each into the first bin that has room."""
    bins: list[int] = []
    for weight in sorted(weights, reverse=True):
        for number, filled in enumerate(bins):
            if filled + weight <= capacity:
                bins[number] += weight
                break
        else:
            bins.append(weight)
    return len(bins)


@pytest.mark.parametrize(
    "instances",
    [
        # First fit needs a bin more than the best in each. The hardest, u120_08, takes ten times as long.
        pytest.param([packing_instances()[number] for number in (0, 2, 5)], id="three"),
        pytest.param(packing_instances(), id="all", marks=pytest.mark.long),
    ],
)
def test_instances_are_packed_as_well_as_is_known_or_once_with_one_more(
    instances: list[tuple[str, int, int, list[int]]],
) -> None:
    """And never worse than by first fit decreasing."""
    over = []
    for name, capacity, best, weights in instances:
        backlog = a_shift_backlog(capacity, weights)

        made = plan(backlog)

        assert inspect_plan(backlog, made) == (), name
        assert best <= made.score.loads <= best + 1, name
        assert made.score.loads <= first_fit_decreasing(capacity, weights), name
        assert -(-sum(weights) // capacity) <= made.bound.loads <= best, name
        if made.score.loads > best:
            over.append(name)

    assert len(over) <= 1, over


def triplets(bins: int, seed: int) -> list[int]:
    """Weights that fill so many bins of 1,000 to the last, three in each: Falkenauer's hardest class, drawn
    as he describes it (from memory)."""
    chance, weights = Random(seed), list[int]()
    for _ in range(bins):
        first = chance.randint(380, 490)
        second = chance.randint(250, (1_000 - first) // 2)
        weights += [first, second, 1_000 - first - second]
    return weights


@pytest.mark.parametrize(("bins", "seed"), [(20, 1), (40, 2), (83, 3)])
def test_shifts_that_can_be_filled_to_the_last_are(bins: int, seed: int) -> None:
    made = plan(a_shift_backlog(1_000, triplets(bins, seed)))

    assert made.score.loads == bins == made.bound.loads


def fewest_bins(capacity: int, weights: tuple[int, ...]) -> int:
    """By trying every way to put the heaviest first into a bin begun or a new one."""

    def bins_for(left: tuple[int, ...], filled: tuple[int, ...]) -> int:
        if not left:
            return len(filled)
        tries = [bins_for(left[1:], (*filled, left[0]))]
        for number, load in enumerate(filled):
            if load + left[0] <= capacity and load not in filled[:number]:
                tries.append(bins_for(left[1:], (*filled[:number], load + left[0], *filled[number + 1 :])))
        return min(tries)

    return bins_for(tuple(sorted(weights, reverse=True)), ())


@pytest.mark.parametrize("seed", range(12))
def test_small_shifts_are_packed_best_and_the_bound_is_never_above(seed: int) -> None:
    chance = Random(seed)
    weights = [chance.randint(15, 70) for _ in range(8)]
    best = fewest_bins(100, tuple(weights))

    made = plan(a_shift_backlog(100, weights))

    assert made.bound.loads <= best == made.score.loads
