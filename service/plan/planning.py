"""The plan of the rows as they are: the one in force carried on, or a better one, judged.

It is made in the background alone, and this is where. What was made is kept and read in
`service.plan.in_force`, what it promises to stores is in `service.plan.promises`, and the days ahead as a
page shows them are in `service.plan.outlook`.
"""

from __future__ import annotations

import traceback
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, TypeVar

import structlog
from sqlalchemy.orm import Session

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog, Plan, PlanJob, PlannedLoad
from layout.plan.keep_up import is_too_much_new, kept_or_better, kept_up
from layout.plan.planner import plan
from layout.plan.promise import latest_ready
from layout.shop.findings import Finding
from layout.shop.shop import Shop
from service.plan import plan_rows as rows
from service.plan.backlog import WallClock, backlog_of
from service.proving import test_cards
from service.records.errors import PlanFailed, PlanRefused, Refusal
from service.records.ids import JOB, ORDER, number, public
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with what it was made from. `mark` changes when a row of the queue moves; `numbers` are
    those that its loads go by; `is_compared`: it was held against one made from nothing."""

    backlog: Backlog
    plan: Plan
    clock: WallClock
    made_at: datetime
    mark: str
    catalogue_version: str
    numbers: tuple[int, ...] = ()
    is_compared: bool = True

    def moment(self, seconds: float) -> datetime:
        return self.clock.moment(seconds)

    def late(self) -> list[PlanJob]:
        """Jobs that are ready too late to be shipped in time, overdue ones among them."""
        done = self.plan.done
        return [job for job in self.backlog.jobs if job.job in done and done[job.job] > job.due]

    def late_to_come(self) -> list[PlanJob]:
        """Those of them that were not overdue yet when the plan was made."""
        return [job for job in self.late() if job.shipped_by >= self.backlog.now]


def renewed(
    tools: Tools, loads: Sequence[PlannedLoad] = (), *, fresh: bool = True, seconds: float | None = None
) -> Planned:
    """A plan of the rows as they are that stays as near to those planned loads as it can; held against
    one made from nothing where that is asked for, and made from nothing where they can't be carried on.

    Raises PlanRefused when the judge finds fault, PlanFailed when the planner breaks, CheckTooSlow when
    planning takes longer than `seconds` (None: than a request may).
    """
    now, shop = tools.clock(), tools.catalogue.current
    with tools.database.reading() as session:
        mark = mark_of(session, shop)
        now_proven = test_cards.proven(session, shop)
        backlog, clock = backlog_of(session, now_proven, now=now)
        unproven = test_cards.waiting(session, now_proven)
        backlog = _with_promises(session, backlog, clock)
    # Where more is new than can be worked in there is nothing to hold a plan made from nothing against, and
    # one plan is enough: those of a long backlog take many seconds each.
    is_compared = fresh and not (loads and is_too_much_new(backlog, loads))
    if is_compared:
        made, findings = _worked(tools, planned, backlog, loads, seconds=seconds)
    else:
        made, findings = _worked(tools, carried_on, backlog, loads, seconds=seconds)
    if findings and loads:
        log.error("kept_up_plan_refused", codes=dict(Counter(finding.code for finding in findings)))
        made, findings = _worked(tools, planned, backlog, seconds=seconds)
    if findings:
        codes = dict(Counter(finding.code for finding in findings))
        log.error("plan_refused", codes=codes)
        raise PlanRefused("the plan did not pass its judge; nothing is promised by it", codes=codes)
    made = _with_reasons(made, unproven)
    return Planned(backlog, made, clock, now, mark, shop.version, is_compared=is_compared)


def _worked(tools: Tools, function: Callable[..., T], *arguments: Any, seconds: float | None = None) -> T:
    """What the planner makes of it, in a geometry process: one odd backlog must not take pages and benches
    with it. Raises CheckTooSlow, CheckersBusy, and PlanFailed for a planner that breaks."""
    try:
        return tools.geometry.plan(function, *arguments, seconds=seconds)
    except Refusal:
        raise
    except Exception as error:
        at = traceback.extract_tb(error.__traceback__)[-1]
        log.error("plan_failed", kind=type(error).__name__, at=f"{at.filename}:{at.lineno} {at.name}")
        raise PlanFailed("the plan could not be made; the log says why") from error


def mark_of(session: Session, shop: Shop) -> str:
    """The rows a plan would be made from now, by name: another name when any of them has moved."""
    return ":".join([shop.version, *map(str, rows.mark(session))])


def _with_reasons(made: Plan, unproven: Mapping[int, tuple[str, ...]]) -> Plan:
    """The plan with what the planner can't know: that a unit fits nowhere for want of a test card."""
    reasons = {
        job: f"waits for a test card of {' and '.join(wanted)}"
        for job in made.unplanned
        if (wanted := unproven.get(number(JOB, job)))
    }
    return replace(made, unplanned={**made.unplanned, **reasons})


def _with_promises(session: Session, backlog: Backlog, clock: WallClock) -> Backlog:
    """The backlog, its jobs with what was promised for their orders."""
    promises = rows.promises(session, sorted({number(ORDER, job.order) for job in backlog.jobs}))
    days = {promise.ready_by for promise in promises.values()}
    latest = {day: latest_ready(backlog, clock.seconds(day)) for day in days}
    promised = {public(ORDER, order): latest[promise.ready_by] for order, promise in promises.items()}
    return replace(
        backlog, jobs=tuple(replace(job, promised=promised.get(job.order)) for job in backlog.jobs)
    )


def planned(backlog: Backlog, loads: Sequence[PlannedLoad] = ()) -> tuple[Plan, tuple[Finding, ...]]:
    """Those loads carried on, or a plan made from nothing where that is clearly better, and what the judge
    says of it; runs in a geometry process."""
    made = kept_or_better(backlog, loads, plan)
    return made, inspect_plan(backlog, made)


def carried_on(backlog: Backlog, loads: Sequence[PlannedLoad]) -> tuple[Plan, tuple[Finding, ...]]:
    """Those loads carried on, or, where that can't be done, a plan made from nothing, and what the judge
    says of it; runs in a geometry process."""
    made = kept_up(backlog, loads) or plan(backlog)
    return made, inspect_plan(backlog, made)
