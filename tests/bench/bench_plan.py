"""The plan of a long backlog: two stations, two plates, eight kinds of units."""

from __future__ import annotations

from layout.inspect_plan import inspect_plan
from layout.plan import plan
from tests.bench.timing import figure, input_line, median_seconds
from tests.planning import a_busy_backlog


def main() -> None:
    small, large = (
        a_busy_backlog(count, seed=1, days=days) for count, days in ((10_000, 60), (100_000, 600))
    )
    seconds = median_seconds(lambda: plan(small), rounds=3)
    figure("plan_10k_s", seconds)
    made = plan(small)
    figure("plan_10k_loads_over_bound", made.score.loads / made.bound.loads)
    figure("plan_judge_10k_s", median_seconds(lambda: inspect_plan(small, made), rounds=3))
    input_line("plan", f"{len(small.jobs)} jobs, {made.rule}", repr(made.score))
    figure("plan_growth_100k", median_seconds(lambda: plan(large), rounds=1) / 10 / seconds)


if __name__ == "__main__":
    main()
