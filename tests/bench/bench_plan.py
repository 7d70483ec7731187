"""The plan of a long backlog: two stations, two plates, eight kinds of units; and a new order worked into it.

Times are medians; the growth is that of the time per job from 10,000 to 100,000 jobs.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import cycle

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog, Plan, PlanJob
from layout.plan.keep_up import with_jobs
from layout.plan.planner import plan
from tests.bench.timing import figure, input_line, median_seconds
from tests.planning import a_busy_backlog

JOBS, MANY, DAYS = 10_000, 100_000, 60
#: Orders of one to three units, each worked into the same plan.
ORDERS = 12


def new_orders() -> list[tuple[PlanJob, ...]]:
    """Orders that the backlog doesn't hold, due at any time of it, of the backlog's own kinds."""
    more = a_busy_backlog(6 * ORDERS, seed=2, days=DAYS).jobs
    units: dict[str, list[PlanJob]] = {}
    for job in more:
        units.setdefault(job.order, []).append(replace(job, job=f"new-{job.job}", order=f"new-{job.order}"))
    return [tuple(jobs) for jobs in units.values()][:ORDERS]


def main() -> None:
    small, large = a_busy_backlog(JOBS, seed=1, days=DAYS), a_busy_backlog(MANY, seed=1, days=10 * DAYS)
    seconds = median_seconds(lambda: plan(small), rounds=3)
    made = plan(small)
    input_line("plan", f"{JOBS} jobs due within {DAYS} days, {made.rule}, {made.score}", repr(made.loads))
    figure("plan_10k_s", seconds)
    figure("plan_10k_loads_over_bound", made.score.loads / made.bound.loads)
    figure("plan_judge_10k_s", median_seconds(lambda: inspect_plan(small, made), rounds=3))
    replanned(small, made, seconds)
    figure("plan_growth_100k", median_seconds(lambda: plan(large), rounds=1) / (MANY / JOBS) / seconds)


def replanned(backlog: Backlog, made: Plan, all_s: float) -> None:
    """One order worked into the plan, over planning all of it."""
    orders = new_orders()
    kept = [with_jobs(backlog, made, jobs) for jobs in orders]
    assert all(inspect_plan(*both) == () for both in kept)
    units = sum(map(len, orders))
    loads = repr([one.loads for _, one in kept])
    input_line("replan", f"{len(orders)} orders of {units} units, each worked into the plan above", loads)
    turn = cycle(orders)
    one_s = median_seconds(lambda: with_jobs(backlog, made, next(turn)), rounds=2 * len(orders))
    figure("replan_one_vs_all", one_s / all_s)


if __name__ == "__main__":
    main()
