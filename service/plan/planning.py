"""The plan of the rows as they are: made, judged, and made again when they have moved. What benches follow
is kept in the database (`service.plan.in_force`)."""

from __future__ import annotations

import threading
import traceback
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

import structlog
from sqlalchemy.orm import Session

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog, Plan, PlanJob, PlannedLoad
from layout.plan.backlog_change import Moved, moved
from layout.plan.keep_up import with_jobs, without_jobs
from layout.plan.planner import plan
from layout.plan.promise import safe_ends
from layout.shop.findings import Finding
from layout.shop.shop import Shop
from service.plan import paces as learning
from service.plan import plan_rows as rows
from service.plan.backlog import WallClock, backlog_of
from service.plan.paces import Paces
from service.proving import test_cards
from service.records.db import Database
from service.records.errors import CheckTooSlow, PlanFailed, PlanRefused, Refusal
from service.records.ids import JOB, number
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

T = TypeVar("T")

#: A plan of the same rows is good for so long: estimates of what burns now run off.
GOOD_FOR = timedelta(seconds=60)
#: A plan is kept up while no more than one in so many of its jobs came or left. A small plan is made anew in
#: no time, better than kept up, and with the sharp bound.
ONE_IN = 10


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan with what it was made from. `mark` changes when a row of the queue moves."""

    backlog: Backlog
    plan: Plan
    safe: dict[str, float]
    clock: WallClock
    paces: Paces
    made_at: datetime
    mark: str
    catalogue_version: str

    def moment(self, seconds: float) -> datetime:
        return self.clock.moment(seconds)

    def late(self) -> list[PlanJob]:
        """Jobs that are done after their ship-by time, overdue ones among them."""
        done = self.plan.done
        return [job for job in self.backlog.jobs if job.job in done and done[job.job] > job.due]

    def late_to_come(self) -> list[PlanJob]:
        """Those of them that were not overdue yet when the plan was made."""
        return [job for job in self.late() if job.due >= self.backlog.now]


_kept: WeakKeyDictionary[Database, Planned] = WeakKeyDictionary()
#: Held while this process makes a plan.
_making = threading.Lock()


def current(tools: Tools, *, seconds: float | None = None) -> Planned:
    """The plan of the rows as they are, made now if this process has not made it yet. Where only a few jobs
    came or left within a minute, the plan before is kept up and not made anew.

    One plan is made at a time: a request whose time ends takes the workers with it, and must not end the
    plan that the background is making.

    Raises PlanRefused when the judge finds fault, PlanFailed when the planner breaks, CheckTooSlow when
    planning takes longer than `seconds` (None: than a request may).
    """
    if (good := _good(tools)) is not None:
        return good
    if not _making.acquire(timeout=tools.geometry.timeout_seconds if seconds is None else seconds):
        raise CheckTooSlow("the plan is still being made; try again soon")
    try:
        return _made(tools, seconds=seconds)
    finally:
        _making.release()


def _good(tools: Tools) -> Planned | None:
    """The plan that this process has, if it is that of the rows as they are."""
    kept = _kept.get(tools.database)
    if kept is None:
        return None
    with tools.database.reading() as session:
        mark = mark_of(session, tools.catalogue.current)
    return kept if _is_good(kept, mark, tools.clock()) else None


def _made(tools: Tools, *, seconds: float | None) -> Planned:
    now, shop = tools.clock(), tools.catalogue.current
    kept = _kept.get(tools.database)
    with tools.database.reading() as session:
        mark = mark_of(session, shop)
        if kept is not None and _is_good(kept, mark, now):
            return kept
        now_proven = test_cards.proven(session, shop)
        backlog, clock = backlog_of(session, now_proven, now=now)
        unproven = test_cards.waiting(session, now_proven)
        paces = learning.paces(session)
    new: Planned | None = None
    if (
        kept is not None
        and _is_young(kept, now)
        and (kept.catalogue_version, kept.paces) == (shop.version, paces)
    ):
        new = _kept_up(tools, kept, backlog, mark, seconds=seconds)
    if new is None:
        made, findings = _worked(tools, planned, backlog, seconds=seconds)
        if findings:
            codes = dict(Counter(finding.code for finding in findings))
            log.error("plan_refused", codes=codes)
            raise PlanRefused("the plan did not pass its judge; nothing is promised by it", codes=codes)
        safe = dict(safe_ends(backlog, made, spread=paces.spread))
        new = Planned(backlog, made, safe, clock, paces, now, mark, shop.version)
    new = replace(new, plan=_with_reasons(new.plan, unproven))
    _kept[tools.database] = new
    return new


def _worked(tools: Tools, function: Callable[..., T], *arguments: Any, seconds: float | None = None) -> T:
    """What the planner makes of it, in a geometry process: one odd backlog must not take pages and benches
    with it. Raises CheckTooSlow, CheckersBusy, and PlanFailed for a planner that breaks."""
    try:
        return tools.geometry.work(function, *arguments, seconds=seconds)
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
    said = {
        job: f"waits for a test card of {' and '.join(wanted)}"
        for job in made.unplanned
        if (wanted := unproven.get(number(JOB, job)))
    }
    return replace(made, unplanned={**made.unplanned, **said})


def _is_good(kept: Planned, mark: str, now: datetime) -> bool:
    return _is_young(kept, now) and kept.mark == mark


def _is_young(kept: Planned, now: datetime) -> bool:
    return timedelta(0) <= now - kept.made_at <= GOOD_FOR


def _kept_up(
    tools: Tools, kept: Planned, backlog: Backlog, mark: str, *, seconds: float | None
) -> Planned | None:
    """The plan before with the jobs that came since and without those that left, as old as it was; None when
    much or anything else has moved, or when the judge finds fault with it."""
    change = moved(kept.backlog, backlog)
    if change is None or ONE_IN * (len(change.left) + len(change.came)) > len(kept.backlog.jobs):
        return None
    whole, made, findings = _worked(tools, kept_up, kept.backlog, kept.plan, change, seconds=seconds)
    if findings:
        log.error("kept_up_plan_refused", codes=dict(Counter(finding.code for finding in findings)))
        return None
    safe = dict(safe_ends(whole, made, spread=kept.paces.spread))
    return replace(kept, backlog=whole, plan=made, safe=safe, mark=mark)


def planned(backlog: Backlog) -> tuple[Plan, tuple[Finding, ...]]:
    """A plan and what its judge says; runs in a geometry process."""
    made = plan(backlog)
    return made, inspect_plan(backlog, made)


def kept_up(backlog: Backlog, before: Plan, change: Moved) -> tuple[Backlog, Plan, tuple[Finding, ...]]:
    """A backlog and its plan with what came and without what left, and what the judge says of them; runs in a
    geometry process."""
    whole, made = backlog, before
    if change.left:
        whole, made = without_jobs(whole, made, change.left)
    if change.came:
        whole, made = with_jobs(whole, made, change.came)
    return whole, made, inspect_plan(whole, made)


# --- as JSON ---


def plan_json(found: Planned) -> dict[str, Any]:
    """The plan with its bound: no plan at all could be better than that."""
    score, bound = found.plan.score, found.plan.bound
    return {
        "made_at": found.made_at.isoformat(),
        "rule": found.plan.rule,
        "score": {
            "late_working_days": score.lateness,
            "loads": score.loads,
            "changes": score.changes,
            "orders_split": score.split,
            "walking": score.walking,
        },
        "bound": {"late_working_days": bound.lateness, "loads": bound.loads},
        "loads": [_load_json(found, load) for load in found.plan.loads],
        "unplanned": [{"job": job, "reason": why} for job, why in sorted(found.plan.unplanned.items())],
    }


def _load_json(found: Planned, load: PlannedLoad) -> dict[str, Any]:
    return {
        "station": load.station,
        "plate": load.plate,
        "copy": load.copy,
        "prepared_from": found.moment(load.prepares).isoformat(),
        "begins": found.moment(load.begins).isoformat(),
        "ends": found.moment(load.ends).isoformat(),
        "changes": load.changes,
        "turns": [
            [
                {"slot": f.slot, "face": f.face, **({"job": f.job} if f.job is not None else {"lot": f.lot})}
                for f in turn
            ]
            for turn in load.turns
        ],
    }


def backlog_json(found: Planned, short: list[tuple[str, int, datetime]]) -> dict[str, Any]:
    """Hours of work by ship-by day (the shop's days), what will be late, what no unit is boxed for."""
    days: dict[str, dict[str, float]] = {}
    late = found.late()
    names = {job.job for job in late}
    for job in found.backlog.jobs:
        day = found.moment(job.due).astimezone(found.clock.zone).date().isoformat()
        entry = days.setdefault(day, {"units": 0, "seconds": 0.0, "late": 0})
        entry["units"] += 1
        entry["seconds"] += job.seconds * len(job.kind.faces)
        entry["late"] += job.job in names
    late_json = [
        {
            "job": job.job,
            "order": job.order,
            "ship_by": found.moment(job.due).isoformat(),
            "engraved_by": found.moment(found.plan.done[job.job]).isoformat(),
        }
        for job in late
    ]
    return {
        "made_at": found.made_at.isoformat(),
        "days": [
            {
                "day": day,
                "units": int(entry["units"]),
                "hours": round(entry["seconds"] / 3600, 3),
                "late": int(entry["late"]),
            }
            for day, entry in sorted(days.items())
        ],
        "late": sorted(late_json, key=lambda one: (one["ship_by"], one["job"])),
        "short": [{"sku": sku, "units": n, "needed_by": by.isoformat()} for sku, n, by in short],
        "unplanned": [{"job": job, "reason": why} for job, why in sorted(found.plan.unplanned.items())],
    }
