"""The simulation of a shop against queues whose waiting is known in closed form."""

from __future__ import annotations

from math import sqrt
from statistics import fmean, stdev

import pytest

from layout.shop.hours import DAY_S
from service.what_if.simulation import OrderLike, Scenario, simulate
from tests.planning import a_backlog, a_job, a_kind, a_plan_plate

BURN_S = 60.0
ROUNDS, UNITS, WARMING_UP = 10, 700, 150
#: Two-sided 99 % of Student's t with 9 degrees of freedom.
T_99 = 3.25


def one_slot_queue(load: float) -> Scenario:
    """One station, always open, a plate of one slot, every burn the same, single units that come at random
    and are due in the order in which they come."""
    unit = a_job("like", a_kind(slots="A"), seconds=BURN_S)
    per_day = load * DAY_S / BURN_S
    return Scenario(
        backlog=a_backlog(plates=(a_plan_plate(slots="A"),)),
        mix=(OrderLike((unit,), lead_s=30 * DAY_S),),
        orders_per_day=per_day,
        orders_until=UNITS / per_day * DAY_S,
    )


def mean_wait_s(load: float, seed: str) -> float:
    """From the coming of a unit to its burn; the first units, which found an empty shop, are not counted."""
    units = sorted(simulate(one_slot_queue(load), seed).units.values(), key=lambda unit: unit.came)
    return fmean((unit.begun or 0.0) - unit.came for unit in units[WARMING_UP:])


@pytest.mark.parametrize("load", [0.3, 0.6, 0.8])
def test_units_wait_as_long_as_the_formula_of_m_d_1_says(load: float) -> None:
    """Mean wait in the queue M/D/1: load / (2 mu (1 - load)), mu the rate of service (Pollaczek and
    Khinchine; textbooks of queueing theory, from memory). It lies in the 99 % interval of ten seeded
    runs, and the interval is narrow enough to tell it from M/M/1, where units wait twice as long."""
    expected = load * BURN_S / (2 * (1 - load))

    waits = [mean_wait_s(load, f"seed {number}") for number in range(ROUNDS)]

    half = T_99 * stdev(waits) / sqrt(ROUNDS)
    assert abs(fmean(waits) - expected) <= half
    assert half < expected / 2


def test_the_station_burns_the_share_of_the_time_that_is_offered() -> None:
    run = simulate(one_slot_queue(0.6), "seed 1")

    assert run.burned_s["s1"] / run.open_s["s1"] == pytest.approx(0.6, rel=0.1)
    assert run.loads == len(run.units)
