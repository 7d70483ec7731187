"""Orders: taken, held for a person, amended, approved, cancelled. A paid order is never dropped."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Literal

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.findings import Verdict
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Shop
from service.intake import order_rows as rows
from service.intake.order_json import etag_of, state_of
from service.intake.taking import BUYER, announce, faces_of, freeze, hold_reason, write_check
from service.records.announcements import tell_order
from service.records.errors import MoveNotAllowed, NotFound, StaleVersion
from service.records.ids import ORDER, number
from service.records.moves import move_job, write_history
from service.records.states import OPEN_JOBS, JobState
from service.records.tables import Job, Order, OrderLine
from service.records.who import By, Who
from service.stock import holds
from service.stock import reservations as stock


def visible(session: Session, identity: str, *, who: Who) -> Order:
    """The order, if there is one that the caller may see. Raises NotFound."""
    order = rows.find(session, number(ORDER, identity), client=who.sees_client)
    if order is None:
        raise NotFound("no such order", id=identity)
    return order


# --- changes by the desk ---


def changeable(session: Session, identity: str, if_match: str, *, who: Who) -> Order:
    """The order, locked, if it is still as the caller saw it. Raises NotFound, StaleVersion."""
    client = who.sees_client
    order = rows.lock(session, number(ORDER, identity), client=client)
    if order is None:
        raise NotFound("no such order", id=identity)
    if if_match != "*" and etag_of(order) != if_match:
        raise StaleVersion("the order has changed since you last saw it", etag=etag_of(order))
    return order


def amend(
    session: Session,
    order: Order,
    line_ref: str,
    inscriptions: Sequence[Inscription],
    result: CheckResult,
    *,
    shop: Shop,
    by: By,
) -> None:
    """Other words for a line: checked anew, frozen anew, an approval given for the old words is void.

    Raises NotFound, MoveNotAllowed when a unit of the line is in a load or further.
    """
    line = line_of(order, line_ref)
    _all_open(line, "amended")
    line.words_revision += 1
    write_check(line, inscriptions, result, shop)
    freeze(session, line, result)
    line.hold_reason = hold_reason(order, line, now=by.at)
    for job in _living(line):
        job.words_revision = line.words_revision
        job.faces = faces_of(shop, line.sku, result)
        _settle(session, job, line.hold_reason, by=by, why="words changed")
    order.version += 1
    write_history(
        session,
        "order",
        order.id,
        "amended",
        by=by,
        why=f"line {line_ref}",
    )
    announce(session, order, now=by.at)


def approve(
    session: Session,
    order: Order,
    line_refs: Sequence[str],
    *,
    approver: Literal["desk", "buyer"],
    by: By,
) -> None:
    """Let held lines go on: the desk has looked, or the buyer has agreed. What can't be engraved stays held.

    A review by the desk is no agreement of the buyer: a line that waits for both needs both. Units that the
    bench sent to the desk go on as well, and may be tried in every place again. Lines that are cancelled or
    released are left as they are.

    Raises NotFound, MoveNotAllowed when a line can't be engraved as it stands, or nothing is left to approve.
    """
    lines = [line_of(order, ref) for ref in line_refs] or list(order.lines)
    lines = [line for line in lines if _living(line)]
    if not lines:
        raise MoveNotAllowed("there is nothing left to approve")
    for line in lines:
        if line.verdict == Verdict.REFUSE.value:
            raise MoveNotAllowed(
                f"line {line.line_ref} can't be engraved as it stands; amend or cancel it",
                line_ref=line.line_ref,
            )
        if line.hold_reason is None:
            _let_go(session, line, by=by, why=f"approved by {approver}")
            continue  # the rest goes on already, and may be in a load
        if approver == "desk":
            line.reviewed_revision = line.words_revision
        if approver == "buyer" or line.hold_reason == BUYER:
            # The desk passes on what the buyer said by telephone or mail; the history says who did.
            line.approved_revision, line.approved_by = line.words_revision, f"{approver}:{by.who.name}"
        line.hold_reason = hold_reason(order, line, now=by.at)
        for job in _living(line):
            _settle(session, job, line.hold_reason, by=by, why=f"approved by {approver}")
    order.version += 1
    write_history(session, "order", order.id, "approved", by=by, why=approver)
    if not any(line.hold_reason for line in order.lines):
        announce(session, order, now=by.at)


def _let_go(session: Session, line: OrderLine, *, by: By, why: str) -> None:
    """Units of an accepted line that the bench sent to the desk: they fitted nowhere, or were refused."""
    for job in _living(line):
        if JobState(job.state) is JobState.HELD:
            if job.hold_reason == holds.NO_PLACE_LEFT:
                raise MoveNotAllowed(
                    f"line {line.line_ref} has no place left; amend it, and it is checked anew",
                    line_ref=line.line_ref,
                )
            rows.forget_misfits(session, job.id)
            stock.make_ready(session, job, by=by, why=why)


def cancel(session: Session, order: Order, line_refs: Sequence[str], *, by: By, why: str) -> None:
    """Cancel lines (all, when none is named), until their load has started. All of them or nothing.

    Raises NotFound, MoveNotAllowed.
    """
    from service.loads import load as loads

    lines = [line_of(order, ref) for ref in line_refs] or list(order.lines)
    if not any(_not_undone(line) for line in lines):
        raise MoveNotAllowed("there is nothing left to cancel")
    for line in lines:
        for job in _not_undone(line):
            if JobState(job.state) is JobState.LOADED:
                loads.remove_job(session, job, reason="cancelled", by=by)
            _must_be_open(line, job, "cancelled")
            stock.unreserve(session, job)
            if job.unit_in_hand:  # fetched for a load: the bench puts it back (`service.stock.put_backs`)
                write_history(
                    session,
                    "job",
                    job.id,
                    "to_put_back",
                    move_from=job.state,
                    by=by,
                    why=f"{job.sku} from {job.pulled_from}: cancelled after it was pulled",
                )
            move_job(session, job, JobState.CANCELLED, by=by, why=why, hold_reason=None)
        line.hold_reason = None
        stock.serve_short(session, line.sku, by=by)
    order.version += 1
    named = ", ".join(line.line_ref for line in lines)
    write_history(
        session,
        "order",
        order.id,
        "cancelled",
        by=by,
        why=f"line {named}: {why}" if line_refs else why,
    )
    _announce_rest(session, order, now=by.at)


def _announce_rest(session: Session, order: Order, *, now: datetime) -> None:
    """After a cancellation: the order is cancelled only when nothing of it is left, and its release may have
    waited for nothing but what was cancelled."""
    told = {JobState.CANCELLED: "order.cancelled", JobState.RELEASED: "order.released"}
    name = told.get(state_of(order))
    if name is not None:
        tell_order(session, name, order, now=now)


def line_of(order: Order, line_ref: str) -> OrderLine:
    """The line of that reference. Raises NotFound."""
    for line in order.lines:
        if line.line_ref == line_ref:
            return line
    raise NotFound("this order has no such line", line_ref=line_ref)


def _living(line: OrderLine) -> list[Job]:
    done_with = {JobState.SCRAPPED, JobState.CANCELLED, JobState.RELEASED}
    return [job for job in line.jobs if JobState(job.state) not in done_with]


def _all_open(line: OrderLine, what: str) -> None:
    jobs = _not_undone(line)
    if not jobs:
        raise MoveNotAllowed(f"line {line.line_ref} is cancelled", line_ref=line.line_ref)
    for job in jobs:
        _must_be_open(line, job, what)


def _not_undone(line: OrderLine) -> list[Job]:
    """Jobs of the line that are neither cancelled nor replaced; released ones are among them."""
    return [job for job in line.jobs if JobState(job.state) not in {JobState.SCRAPPED, JobState.CANCELLED}]


def _must_be_open(line: OrderLine, job: Job, what: str) -> None:
    """A job between two visits is ready, but has a finished face: no words of it can change any more."""
    if JobState(job.state) not in OPEN_JOBS or job.faces_done:
        state = "half engraved" if job.faces_done else job.state
        raise MoveNotAllowed(
            f"a unit of line {line.line_ref} is {state}; it is too late for the line to be {what}",
            line_ref=line.line_ref,
            state=job.state,
        )


def _settle(session: Session, job: Job, reason: str | None, *, by: By, why: str) -> None:
    """Bring an open job to held, or to ready or short."""
    if reason is not None:
        stock.unreserve(session, job)
        if JobState(job.state) is not JobState.HELD:
            move_job(session, job, JobState.HELD, by=by, why=why, hold_reason=reason)
        else:
            job.hold_reason = reason
            job.version += 1
        return
    before = JobState(job.state)
    if stock.make_ready(session, job, by=by, why=why) is before:
        job.version += 1


# --- as JSON ---
