"""Plans against the pencil's rule (`tests.references.sort_rule`), part by part."""

from __future__ import annotations

from dataclasses import astuple
from math import inf

import pytest

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog, Plan
from layout.plan.planner import plan
from layout.shop.hours import DAY_S
from tests.planning import a_backlog, a_busy_backlog, a_job, a_kind, a_plan_plate, a_plan_station
from tests.references.demo_mix import a_demo_backlog
from tests.references.shops import a_shop, backlog_of
from tests.references.sort_rule import lateness_of, parts_of, sorted_and_filled


def worst_part(backlog: Backlog, made: Plan, sorted_plan: Plan) -> float:
    """The worst part of a plan's weighted sum over the sort rule's; nothing over nothing is nothing."""
    mine, its = astuple(parts_of(backlog, made)), astuple(parts_of(backlog, sorted_plan))
    return max(a / b if b else inf if a else 0.0 for a, b in zip(mine, its, strict=True))


@pytest.mark.parametrize("count", [40, 100, 357])
def test_a_plan_of_the_demo_mix_is_no_worse_than_the_sorted_one_in_anything(count: int) -> None:
    backlog = a_demo_backlog(count, seed=count)
    sorted_plan = sorted_and_filled(backlog)

    made = plan(backlog)

    assert inspect_plan(backlog, made) == inspect_plan(backlog, sorted_plan) == ()
    assert (made.score.lateness, made.score.loads) == (sorted_plan.score.lateness, sorted_plan.score.loads)
    assert made.score.weighted <= sorted_plan.score.weighted
    assert worst_part(backlog, made, sorted_plan) <= 1.1


def test_the_score_of_a_plan_is_what_is_read_off_it() -> None:
    backlog = a_demo_backlog(60, seed=3, tight=True)

    made = plan(backlog, rounds=2_000)

    parts, score = parts_of(backlog, made), made.score
    assert score.lateness == lateness_of(backlog, made)
    assert (score.changes, score.turned, score.split, score.walking) == (
        parts.changes,
        parts.turned,
        parts.split,
        parts.walking,
    )
    assert (score.waiting, score.near_cutoff) == pytest.approx((parts.waiting, parts.near_cutoff))


@pytest.mark.parametrize("number", [4, 7, *(pytest.param(n, marks=pytest.mark.long) for n in (3, 6, 10, 12))])
def test_plans_of_other_shops_are_no_worse_than_the_sorted_ones(number: int) -> None:
    """Invented shops of other mixes; those with more work than hours are told by lateness alone."""
    backlog = backlog_of(a_shop(number, 50)) if number % 2 else a_busy_backlog(70, seed=number, days=9)
    sorted_plan = sorted_and_filled(backlog)

    made = plan(backlog)

    assert inspect_plan(backlog, sorted_plan) == ()
    assert made.score <= sorted_plan.score


def test_the_sort_rule_worked_by_hand() -> None:
    # One station, one plate of two slots; four units of process a (one of them due first) and one of b: the
    # rule fills by process, then by ship-by time: (a0 a3) (a1 a2) (b0). One change, between the last two.
    kinds = {name: a_kind(name, process=name) for name in "ab"}
    dues = {"a0": 2, "a1": 5, "a2": 6, "a3": 4, "b0": 1}
    jobs = [
        a_job(name, kinds[name[0]], due=days * DAY_S, seconds=100, order="a0 b0" if "0" in name else name)
        for name, days in dues.items()
    ]
    station = a_plan_station(process_change_seconds=50.0)
    backlog = a_backlog(*jobs, stations=(station,), plates=(a_plan_plate(copies=2),))

    made = sorted_and_filled(backlog)

    assert [set(load.jobs) for load in made.loads] == [{"a0", "a3"}, {"a1", "a2"}, {"b0"}]
    assert [load.ends for load in made.loads] == [200.0, 400.0, 550.0]
    assert (made.score.changes, made.score.split, made.score.turned) == (1, 1, 0)
    waiting = 200 / 2 + 200 / 4 + 400 / 5 + 400 / 6 + 550 / 1
    assert made.score.waiting == pytest.approx(waiting / DAY_S)
