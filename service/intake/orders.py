"""What is done with a stored order: looked up, amended, approved, cancelled. A paid order is never dropped.

`take_order` has taken it, and brings the checked words for an amendment. These functions work in their
caller's transaction and do no geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Literal

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Shop
from service.intake import line_holds
from service.intake import order_rows as rows
from service.intake.line_holds import AGREE, LOOK, WAYS_OUT
from service.intake.order_answers import etag_of
from service.intake.taking import announce, blade_of, faces_of, freeze, hold_reason, write_check
from service.loads import contents, load_rows
from service.loads import load as loads
from service.records.announcements import tell_order
from service.records.errors import BadRequest, MoveNotAllowed, NotFound, StaleVersion
from service.records.ids import ORDER, number
from service.records.moves import move_job, write_history
from service.records.states import ENDED_JOBS, OPEN_JOBS, JobState, OrderState
from service.records.tables import Job, Order, OrderLine
from service.records.who import By, Who
from service.requests.order_in import Notes
from service.stock import holds
from service.stock import reservations as stock

#: In the history of an order, a wish of the buyer.
CHANGE_ASKED = "change_asked"
NOTES_CHANGED = "notes_changed"
#: In the history of an order, another place in the queue.
PRIORITY_CHANGED = "priority_changed"


def visible(session: Session, identity: str, *, who: Who) -> Order:
    """The order, if the caller may see it. Raises NotFound."""
    order = rows.find(session, number(ORDER, identity), client=who.sees_client)
    if order is None:
        raise NotFound("no such order", id=identity)
    return order


def must_have_words(order: Order) -> None:
    """Raises NotFound for an order whose words were erased: there is no picture of them any more."""
    if order.erased_at is not None:
        raise NotFound("the words of this order were erased; there is no picture of them any more")


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
    line.wish = line.wish_at = line.preview = None  # other words are the answer to it
    write_check(line, inscriptions, result, shop, now=by.at)
    rows.write_words_anew(session, order)
    freeze(line, result)
    line.hold_reason = hold_reason(order, line)
    for job in _living(line):
        job.words_revision = line.words_revision
        job.blade, job.faces = blade_of(shop, line), faces_of(shop, line.sku, result)
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
    announce(session, order, is_held=_waits(order), now=by.at)


def approve(
    session: Session,
    order: Order,
    line_refs: Sequence[str],
    *,
    approver: Literal["desk", "buyer"],
    by: By,
    said_by: str = "",
) -> None:
    """End what this act may end of what lines wait for: the desk has looked, or the buyer agrees
    (`approver`).

    A look by the desk is no agreement of the buyer, nor the other way about: a line that waits for both needs
    both, and `line_holds.WAYS_OUT` says which act ends what. A yes that reached the desk is written down
    with who gave it (`said_by`); it also answers a change that was asked for. Units that fitted in no slot
    go on by a look, and may be tried in every place again. Lines that are cancelled, released or wait for
    nothing are left as they are.

    Raises NotFound, MoveNotAllowed when this act ends nothing of what a line waits for, or something stands
    in its way; BadRequest when nobody is named who agreed.
    """
    lines = [line_of(order, ref) for ref in line_refs] or list(order.lines)
    lines = [line for line in lines if _living(line)]
    if not lines:
        raise MoveNotAllowed("there is nothing left to approve")
    if approver == "buyer" and not said_by.strip():
        raise BadRequest("say who agreed, and how: by telephone, by mail", field="said_by")
    act = LOOK if approver == "desk" else AGREE
    why = f"approved by {approver}" + (f": {said_by}" if said_by else "")
    for line in lines:
        waits = line_holds.reasons(order, line)
        units = line_holds.unit_reasons(line)
        if not waits and not units:
            continue  # it goes on already, and may be in a load
        _must_be_the_way_out(line, act, [*waits, *units])
        if act == LOOK:
            line.reviewed_revision = line.words_revision
        else:
            line.approved_revision = line.words_revision
            line.approved_by = f"{by.who.role.value}:{by.who.name}: {said_by}"
            line.wish = line.wish_at = None
        line.hold_reason = hold_reason(order, line)
        if waits:
            for job in _living(line):
                if JobState(job.state) is JobState.HELD and job.hold_reason not in units:
                    _settle(session, job, line.hold_reason, by=by, why=why)
        if line.hold_reason is None and act == LOOK:
            _try_again(session, units.get(holds.DOES_NOT_FIT, []), by=by, why=why)
    order.version += 1
    approved_by = f"{approver}: {said_by}" if said_by else approver
    write_history(session, "order", order.id, "approved", by=by, why=approved_by)
    if not any(line_holds.reasons(order, line) or line_holds.unit_reasons(line) for line in order.lines):
        announce(session, order, is_held=_waits(order), now=by.at)


def _waits(order: Order) -> bool:
    """Whether some of it waits for a person, as its rows have it."""
    return any(line.hold_reason or line_holds.unit_reasons(line) for line in order.lines)


def _must_be_the_way_out(line: OrderLine, act: str, waits: Sequence[str]) -> None:
    """Raises MoveNotAllowed unless the act ends something of what the line waits for; a look must not pass
    over what the check, the judge or the buyer said."""
    above = [reason for reason in waits if act == LOOK and reason in _ABOVE_A_LOOK]
    if above or not any(act in WAYS_OUT[reason] for reason in waits):
        reason = (above or waits)[0]
        raise MoveNotAllowed(
            f"line {line.line_ref} {_WAITS[reason]}", line_ref=line.line_ref, holds=list(waits)
        )


#: What the desk can't pass over by looking.
_ABOVE_A_LOOK = frozenset(
    {line_holds.FINDINGS, line_holds.CHANGE, holds.JUDGE_REFUSED, holds.NO_PLACE_LEFT, holds.NO_LONGER_FITS}
)
_WAITS = {
    line_holds.FINDINGS: "can't be engraved as it stands; amend or cancel it",
    line_holds.CHANGE: "has a change that the buyer asked for; change the words, or ask the buyer again",
    line_holds.REVIEW: "needs a look by the desk; the buyer's approval doesn't stand for it",
    line_holds.DIFFERS: "is not what its preview showed; compare the two, or ask the buyer",
    line_holds.BUYER: "awaits the buyer's approval; a look by the desk doesn't stand for it",
    line_holds.LATE: "came after its ship-by time; the desk must say that it is engraved all the same",
    holds.JUDGE_REFUSED: "has a unit that the last check refused; amend or cancel it",
    holds.NO_PLACE_LEFT: "has no place left; amend it, and it is checked anew",
    holds.NO_LONGER_FITS: "no longer fits since the shop's description changed; amend or cancel it",
    holds.DOES_NOT_FIT: "has a unit that fitted no slot; the desk decides",
}


def _try_again(session: Session, jobs: Sequence[Job], *, by: By, why: str) -> None:
    """Units that the bench sent to the desk because they fitted no slot may be tried in every place again."""
    for job in jobs:
        rows.forget_misfits(session, job.id)
        stock.make_ready(session, job, by=by, why=why)


def wish(session: Session, order: Order, wanted: str, *, by: By) -> None:
    """The buyer asks for a change: every line that can still be changed waits for an answer.

    Raises MoveNotAllowed when nothing of the order can be changed any more.
    """
    lines = [line for line in order.lines if any(_is_changeable(session, job) for job in _living(line))]
    if not lines:
        raise MoveNotAllowed("this is being engraved already; please call us")
    for line in lines:
        line.wish, line.wish_at = wanted, by.at
        line.hold_reason = hold_reason(order, line)
        for job in _living(line):
            if not _is_changeable(session, job):
                continue
            if JobState(job.state) is JobState.LOADED:
                loads.remove_job(session, job, reason="a change was asked for", by=by)
            if job.hold_reason not in holds.OF_UNITS:
                _settle(session, job, line.hold_reason, by=by, why="the buyer asks for a change")
    # The order's version stays: what the desk has open is not void because the buyer wrote something.
    write_history(session, "order", order.id, CHANGE_ASKED, by=by, why=wanted)


def _is_changeable(session: Session, job: Job) -> bool:
    """Whether nothing of the unit is engraved and its load, if it is in a load, has not started."""
    if job.faces_done:
        return False
    if JobState(job.state) is JobState.LOADED:
        claim = load_rows.active_claim(session, job.id)
        load = load_rows.find(session, claim.load_id) if claim is not None else None
        return load is not None and contents.is_unstarted(load)
    return JobState(job.state) in OPEN_JOBS


def cancel(session: Session, order: Order, line_refs: Sequence[str], *, by: By, why: str) -> None:
    """Cancel lines (all, when none is named), until their load has started. All of them or nothing.

    Raises NotFound, MoveNotAllowed.
    """
    lines = [line_of(order, ref) for ref in line_refs] or list(order.lines)
    if not any(line.units for line in lines):
        raise MoveNotAllowed("there is nothing left to cancel")
    for line in lines:
        for job in line.units:
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
        line.hold_reason = line.wish = line.wish_at = None
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


def prioritise(session: Session, order: Order, priority: int, *, by: By, why: str) -> None:
    """Let an order go before others, or after them. Units that replace spoiled ones stay first in the queue;
    a plan follows when it is next looked at, and a load in hand stays as it is.

    Raises BadRequest when nobody says why, MoveNotAllowed when nothing of the order waits any more.
    """
    if not why.strip():
        raise BadRequest("say why its priority changes", field="reason")
    living = [job for line in order.lines for job in _living(line)]
    if not living:
        raise MoveNotAllowed("nothing in this order is waiting")
    for job in living:
        if job.replaces is None:
            job.priority = priority
    before, order.priority = order.priority, priority
    order.version += 1
    write_history(
        session, "order", order.id, PRIORITY_CHANGED, by=by, why=f"{before} → {priority}: {why.strip()}"
    )


def annotate(session: Session, order: Order, *, buyer: str, notes: Notes, by: By) -> None:
    """Other words about an order: who the buyer is, and what is noted for desk, card and bench. What they
    said before is kept nowhere. Raises MoveNotAllowed for an order that was erased."""
    if order.erased_at is not None:
        raise MoveNotAllowed("the words of this order were erased; nothing is noted of it any more")
    order.buyer = " ".join(buyer.split())
    order.order_note, order.gift_note, order.bench_note = notes.order, notes.gift, notes.bench
    rows.write_words_anew(session, order)
    order.version += 1
    write_history(session, "order", order.id, NOTES_CHANGED, by=by)


def _announce_rest(session: Session, order: Order, *, now: datetime) -> None:
    """Tell the store after a cancellation: the order is cancelled when nothing of it is left, and released
    when the cancelled units were all it still waited for."""
    events = {OrderState.CANCELLED: "order.cancelled", OrderState.RELEASED: "order.released"}
    event_type = events.get(order.state)
    if event_type is not None:
        tell_order(session, event_type, order, now=now)


def line_of(order: Order, line_ref: str) -> OrderLine:
    """The line of that reference. Raises NotFound."""
    for line in order.lines:
        if line.line_ref == line_ref:
            return line
    raise NotFound("this order has no such line", line_ref=line_ref)


def _living(line: OrderLine) -> list[Job]:
    return [job for job in line.jobs if JobState(job.state) not in ENDED_JOBS]


def _all_open(line: OrderLine, what: str) -> None:
    jobs = line.units
    if not jobs:
        raise MoveNotAllowed(f"line {line.line_ref} is cancelled", line_ref=line.line_ref)
    for job in jobs:
        _must_be_open(line, job, what)


def _must_be_open(line: OrderLine, job: Job, what: str) -> None:
    """Raise MoveNotAllowed unless the job is open. One between two visits is ready but has a finished face:
    its words can't change any more."""
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
        elif job.hold_reason != reason:
            job.hold_reason = reason
            job.version += 1
        return
    before = JobState(job.state)
    if stock.make_ready(session, job, by=by, why=why) is before:
        job.version += 1
