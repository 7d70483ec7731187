"""The estimate learned from records: what is found again, what is not believed."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

import numpy as np
import pytest

from layout.burn.pace import CATALOGUE, LEAST_FACTOR, MOST_FACTOR, Burned, Pace, fitted, learn


def some_turns(
    count: int,
    pace: Pace,
    *,
    seed: int = 1,
    noise: float = 0.05,
    breaks: float = 0.0,
    unit_s: tuple[float, float] = (8.0, 60.0),
) -> list[Burned]:
    """Turns of 1-12 units burned at that pace; in a share of them nobody pressed `finish` for long."""
    chance = Random(seed)
    turns = []
    for number in range(count):
        units = chance.randint(1, 12)
        estimated = sum(chance.uniform(*unit_s) for _ in range(units))
        measured = pace.seconds(estimated, units=units) * chance.gauss(1, noise)
        away = chance.uniform(600, 3600) if number < breaks * count else 0.0
        turns.append(Burned(estimated, measured + away, units))
    chance.shuffle(turns)
    return turns


@pytest.mark.parametrize("pace", [Pace(1.3), Pace(0.8, 3.0), Pace(1.0, 6.0), Pace(2.0, 1.0)])
def test_a_known_pace_is_found_within_two_percent_though_a_fifth_of_the_records_are_wrong(pace: Pace) -> None:
    found = learn(some_turns(400, pace, breaks=0.2)).pace

    for seconds in (10.0, 30.0, 60.0):
        assert found.seconds(seconds) == pytest.approx(pace.seconds(seconds), rel=0.02)


@pytest.mark.parametrize("wrong", [0.0, 0.2])
def test_a_factor_alone_is_found_where_all_units_are_alike(wrong: float) -> None:
    found = learn(some_turns(400, Pace(1.3), breaks=wrong, unit_s=(30.0, 31.0))).pace

    assert found.factor == pytest.approx(1.3, rel=0.02) and found.handling_s == 0


def test_without_records_the_catalogue_is_believed() -> None:
    found = learn([])

    assert (found.pace, found.records, found.error_learned_s, found.spread) == (CATALOGUE, 0, None, None)


def test_few_records_move_what_was_believed_only_in_part() -> None:
    station = Pace(1.2)
    few = [Burned(60.0, 120.0, 3)] * 2

    factors = [learn(few * times, without=station).pace.factor for times in (1, 5, 50)]

    assert factors[0] == pytest.approx((2 * 2.0 + 5 * 1.2) / 7)
    assert 1.2 < factors[0] < factors[1] < factors[2] < 2.0


@pytest.mark.parametrize(("took", "factor"), [(9000.0, MOST_FACTOR), (1.0, LEAST_FACTOR)])
def test_an_absurd_ratio_is_kept_in_bounds(took: float, factor: float) -> None:
    assert fitted([Burned(60.0, took, 2)] * 3) == Pace(factor)


def test_what_can_not_be_a_burn_is_left_out() -> None:
    good = [Burned(60.0, 72.0, 2)] * 20

    assert learn([*good, Burned(0.0, 60.0, 1), Burned(60.0, 5.0, 1), Burned(60.0, -5.0, 0)]) == learn(good)


def test_the_error_gets_smaller_by_learning_and_is_measured_on_turns_left_out() -> None:
    found = learn(some_turns(200, Pace(1.4, 2.0), noise=0.05))

    assert found.error_catalogue_s is not None and found.error_learned_s is not None
    assert found.error_learned_s < 0.2 * found.error_catalogue_s
    assert found.spread == pytest.approx(0.05, rel=0.25)


def test_a_single_record_is_judged_by_what_was_believed_without_it() -> None:
    found = learn([Burned(60.0, 90.0, 2)])

    assert (found.error_catalogue_s, found.error_learned_s) == (30.0, 30.0)


def test_the_same_records_teach_the_same() -> None:
    turns = some_turns(120, Pace(1.1, 1.0), breaks=0.1)

    assert learn(turns) == learn(list(turns))


# --- against the definition ---


def sen(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the American
    Statistical Association 63 (1968): the median of (y_j - y_i) / (x_j - x_i) over all pairs with x_i other
    than x_j. The intercept is the median of y - slope x."""
    slopes = [(y[j] - y[i]) / (x[j] - x[i]) for j in range(len(x)) for i in range(j) if x[i] != x[j]]
    slope = float(np.median(slopes))
    return slope, float(np.median(np.array(y) - slope * np.array(x)))


@pytest.mark.parametrize("seed", range(6))
def test_the_fit_is_sens_definition_by_brute_force(seed: int) -> None:
    turns = some_turns(80, Pace(1.2, 4.0), seed=seed, breaks=0.05)

    slope, rest = sen(
        [one.estimated_s / one.units for one in turns], [one.measured_s / one.units for one in turns]
    )

    found = fitted(turns)
    assert (found.factor, found.handling_s) == (pytest.approx(slope), pytest.approx(rest))


def test_sens_own_worked_example() -> None:
    """The example of Sen's paper, from memory: x = 1, 2, 3, 4, 10, 12, 18 and y = 9, 15, 19, 20, 45, 55, 78
    have the slope 4 (the median of 21), and 6 is the median of what is left. Here y is a quarter, so that the
    factor is one that a burn can have."""
    x, y = [1.0, 2, 3, 4, 10, 12, 18], [9.0, 15, 19, 20, 45, 55, 78]

    found = fitted([Burned(a, b / 4, 1) for a, b in zip(x, y, strict=True)])

    assert sen(x, y) == (4.0, 6.0)
    assert found == Pace(1.0, 1.5)
