"""Holds: what a line waits for, since when, and who may end that by which act.

A line may wait for several things at once: the desk's look at what the check found doubtful, the buyer's
approval, an answer to a change that the buyer asked for. Single units of an accepted line may wait as well,
because the judge refused them or nothing in the shop takes them any more. Each is a hold of its own, and one
table says which act ends it: a look by the desk never stands for the buyer's yes, and nobody's yes stands for
the judge's. Holds are read off the rows; nothing is kept twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any

from sqlalchemy.orm import Session

from layout.shop.findings import Verdict
from service.intake import order_rows as rows
from service.records.ids import JOB, public
from service.records.states import OPEN_JOBS, JobState
from service.records.tables import Job, Order, OrderLine
from service.stock import holds

#: Why a whole line waits, what can't be engraved before what may be.
FINDINGS, CHANGE, REVIEW = "findings", "change_requested", "review"
BUYER, LATE = "buyer_approval", "ship_by_past"
DIFFERS = "differs_from_preview"

#: The acts: other words; a look by the desk; the buyer's yes (by link, or given to the desk); calling it off.
AMEND, LOOK, AGREE, CANCEL = "amend", "approve", "agree", "cancel"

_CALLED_OFF = {AMEND: ("store", "desk"), CANCEL: ("store", "desk")}
#: Who may end which hold by which act. The owner may do what any of them may.
WAYS_OUT: Mapping[str, Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        FINDINGS: _CALLED_OFF,
        CHANGE: {AGREE: ("buyer", "desk"), **_CALLED_OFF},
        REVIEW: {LOOK: ("desk",), **_CALLED_OFF},
        DIFFERS: {LOOK: ("desk",), AGREE: ("buyer", "desk"), **_CALLED_OFF},
        BUYER: {AGREE: ("buyer", "desk"), **_CALLED_OFF},
        LATE: {LOOK: ("desk",), CANCEL: ("store", "desk")},
        holds.JUDGE_REFUSED: _CALLED_OFF,
        holds.NO_PLACE_LEFT: _CALLED_OFF,
        holds.NO_LONGER_FITS: _CALLED_OFF,
        holds.DOES_NOT_FIT: {LOOK: ("desk",), **_CALLED_OFF},
    }
)


@dataclass(frozen=True, slots=True)
class Hold:
    """One thing that a line, or some of its units, waits for. `details` are JSON-ready: `findings`, the
    buyer's `wish`, `why` a preview differs, or the `jobs` held and the reasons noted then (`said`)."""

    reason: str
    since: datetime
    details: Mapping[str, Any] = field(default_factory=dict)
    ways_out: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def reasons(order: Order, line: OrderLine) -> list[str]:
    """Why the whole line waits for a person, the weightiest first; empty when it does not wait."""
    checked_at = line.checked_at or order.created_at
    is_reviewed = line.reviewed_revision == line.words_revision
    is_approved = line.approved_revision == line.words_revision
    waits = {
        FINDINGS: line.verdict == Verdict.REFUSE.value,
        CHANGE: line.wish is not None,
        REVIEW: line.verdict == Verdict.REVIEW.value and not is_reviewed,
        DIFFERS: line.preview is not None and not is_reviewed and not is_approved,
        BUYER: order.proof == "buyer"
        and bool(line.checked)  # nothing is set where nothing is engraved
        and not is_approved,
        LATE: order.ship_by < checked_at and not is_reviewed,
    }
    if waits[FINDINGS]:
        return [FINDINGS]  # nothing else can be settled about words that will not be engraved
    return [reason for reason, is_waiting in waits.items() if is_waiting]


def unit_reasons(line: OrderLine) -> dict[str, list[Job]]:
    """Units of an accepted line that are held for reasons of their own, by reason."""
    waiting: dict[str, list[Job]] = {}
    for job in line.jobs:
        if JobState(job.state) is JobState.HELD and job.hold_reason in holds.OF_UNITS:
            waiting.setdefault(job.hold_reason, []).append(job)
    return waiting


def holds_of(session: Session, order: Order, line: OrderLine) -> list[Hold]:
    """Everything that the line waits for; empty when no unit of it is held."""
    if not any(JobState(job.state) is JobState.HELD for job in line.jobs):
        return []
    is_begun = not may_still_change(line)
    listed = []
    for reason in reasons(order, line):
        since, details = line.checked_at or order.created_at, _details(line, reason)
        if reason == CHANGE:
            since = line.wish_at or since
        listed.append(Hold(reason, since, details, _ways(reason, is_begun=is_begun)))
    for reason, jobs in unit_reasons(line).items():
        moves = [move for job in jobs for move in rows.history(session, "job", job.id) if _is_hold(move)]
        since = max((move.at for move in moves), default=order.created_at)
        reasons_given = list(dict.fromkeys(move.why for move in moves[-len(jobs) :]))
        details = {"jobs": [public(JOB, job.id) for job in jobs], "said": reasons_given}
        listed.append(Hold(reason, since, details, _ways(reason, is_begun=is_begun)))
    return listed


def _is_hold(move: Any) -> bool:
    return bool(move.move_to == JobState.HELD.value)


def _ways(reason: str, *, is_begun: bool) -> Mapping[str, tuple[str, ...]]:
    """The ways out that are open: what is engraved in part can be neither amended nor called off."""
    ways = WAYS_OUT[reason]
    return {act: by for act, by in ways.items() if not (is_begun and act in {AMEND, CANCEL})}


def _details(line: OrderLine, reason: str) -> Mapping[str, Any]:
    if reason == CHANGE:
        return {"wish": line.wish}
    if reason == DIFFERS:
        return {"why": (line.preview or {}).get("why")}
    severities = {FINDINGS: Verdict.REFUSE.value, REVIEW: Verdict.REVIEW.value}
    if reason in severities:
        return {"findings": [f for f in line.findings if f.get("severity") == severities[reason]]}
    return {}


def may_still_change(line: OrderLine) -> bool:
    """Whether no unit of the line is under way or has a face engraved."""
    return bool(line.units) and all(
        JobState(job.state) in OPEN_JOBS and not job.faces_done for job in line.units
    )
