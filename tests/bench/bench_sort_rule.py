"""Plans against the pencil's rule (`tests.references.sort_rule`): the weighted sum, and its worst part, over
that rule's, on five lengths of the demo's mix and on invented shops of other mixes; and processor seconds."""

from __future__ import annotations

import time
from dataclasses import astuple

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog
from layout.plan.planner import plan, prepare
from tests.bench.timing import figure, input_line
from tests.planning import a_busy_backlog
from tests.references.demo_mix import a_demo_backlog
from tests.references.sort_rule import parts_of, sorted_and_filled

SIZES = (40, 100, 357, 1_000, 10_000)


def ratios(name: str, backlog: Backlog) -> tuple[float, float] | None:
    """The weighted sum and the worst part over the rule's; None where the rule's plan is worse first."""
    rule = sorted_and_filled(backlog)
    began = time.process_time()
    made = plan(backlog)
    took_s = time.process_time() - began
    assert inspect_plan(backlog, made) == ()
    input_line(
        "sort_rule", f"{name}, {took_s:.2f} s of processor time, {made.rule}, {made.score}", repr(rule.score)
    )
    if (rule.score.lateness, rule.score.loads) != (made.score.lateness, made.score.loads):
        assert made.score < rule.score
        return None
    parts = zip(astuple(parts_of(backlog, made)), astuple(parts_of(backlog, rule)), strict=True)
    worst = max(mine / its if its else float("inf") if mine else 0.0 for mine, its in parts)
    return made.score.weighted / rule.score.weighted, worst


def main() -> None:
    prepare()
    shops = [(f"demo mix, {count} units", a_demo_backlog(count, seed=count)) for count in SIZES]
    shops += [(f"another mix, {n}", a_busy_backlog(60 + 20 * n, seed=n, days=9)) for n in range(6)]
    found = [both for name, backlog in shops if (both := ratios(name, backlog)) is not None]
    figure("plan_vs_sort_rule", max(total for total, _ in found))
    figure("plan_part_vs_sort_rule", max(part for _, part in found))


if __name__ == "__main__":
    main()
