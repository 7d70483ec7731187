"""Units that wait, in the order of the apparent tardiness cost."""

from __future__ import annotations

from math import log

import pytest

from layout.plan.search.problem import Problem
from layout.plan.search.rules import Rule, queues_of
from tests.references.shops import a_shop, backlog_of


@pytest.mark.parametrize("spans", [0, 2, 9])
def test_queues_are_in_the_order_in_which_sorting_anew_would_put_them(spans: int) -> None:
    shop = a_shop(105, 200)
    problem, now = Problem(backlog_of(shop)), spans * shop.span_s
    mean = sum(unit.seconds for unit in shop.units) / len(shop.units)
    queues = queues_of(problem, Rule("", lookahead=2.0))

    queues.press(now)

    def cost(number: int) -> float:
        unit = shop.units[number]
        slack = max(0, shop.open_s(unit.due) - unit.seconds - now)
        return log(unit.seconds / unit.weight) + slack / (2.0 * mean)

    left = [queue[first:] for queue, first in zip(queues.waiting, queues.first, strict=True)]
    for queue in left:
        costs = [cost(unit) for unit in queue]
        assert costs == pytest.approx(sorted(costs))
    assert sorted(unit for queue in left for unit in queue) == list(range(200))


def test_units_taken_leave_their_queues_wherever_they_stand() -> None:
    problem = Problem(backlog_of(a_shop(105, 40)))
    queues = queues_of(problem, Rule("", lookahead=2.0))
    longest = max(range(len(queues.waiting)), key=lambda number: len(queues.waiting[number]))
    before = list(queues.waiting[longest])

    queues.take((before[-1], before[0]), 600.0)

    assert queues.waiting[longest][queues.first[longest] :] == before[1:-1]
