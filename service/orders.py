"""Orders: taken, held for a person, amended, approved, cancelled. A paid order is never dropped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy.orm import Session

from layout.checks import CheckResult
from layout.findings import Finding, Severity, Verdict
from layout.parts import Inscription, Shop
from service import holds, stock
from service.answers import checked_json, finding_json
from service.errors import MoveNotAllowed, NotFound, OrderRefTaken, StaleVersion, Unengravable
from service.ids import ORDER, number, public
from service.inscriptions import to_json
from service.models import FrozenMark, Job, Order, OrderLine
from service.repositories import orders as rows
from service.repositories.moves import move_job, write_history
from service.states import OPEN_JOBS, JobState, derived_state
from service.telling import tell_order
from service.who import Who

#: Why a line is held, the first that applies: what can't be engraved comes before what may be.
FINDINGS, REVIEW, BUYER, LATE = "findings", "review", "buyer_approval", "ship_by_past"


@dataclass(frozen=True, slots=True)
class LineWanted:
    line_ref: str
    sku: str
    quantity: int
    inscriptions: tuple[Inscription, ...]


@dataclass(frozen=True, slots=True)
class OrderWanted:
    order_ref: str
    ship_by: datetime
    priority: int
    refuse_unengravable: bool
    proof: Literal["none", "buyer"]
    lines: tuple[LineWanted, ...]


def take(
    session: Session,
    wanted: OrderWanted,
    checks: Sequence[CheckResult],
    *,
    shop: Shop,
    who: Who,
    now: datetime,
) -> Order:
    """Store an order whose lines were checked (one result a line, same order), with its jobs.

    Raises OrderRefTaken, and Unengravable when the caller asked for refusal instead of hold.
    """
    known = rows.by_ref(session, who.client, wanted.order_ref)
    if known is not None:
        raise OrderRefTaken(
            "this store has posted this order_ref before", order=public(ORDER, known.id),
            url=f"/v1/orders/{public(ORDER, known.id)}",
        )  # fmt: skip
    if wanted.refuse_unengravable:
        _refuse_unengravable(wanted, checks)
    order = Order(
        client=who.client, order_ref=wanted.order_ref, ship_by=wanted.ship_by, priority=wanted.priority,
        proof=wanted.proof, created_at=now,
    )  # fmt: skip
    session.add(order)
    session.flush()
    write_history(session, "order", order.id, move_from=None, move_to="taken", who=who, now=now)
    for line, result in zip(wanted.lines, checks, strict=True):
        _add_line(session, order, line, result, shop=shop, who=who, now=now)
    _announce(session, order, now=now)
    return order


def _refuse_unengravable(wanted: OrderWanted, checks: Sequence[CheckResult]) -> None:
    refused = [
        {"line_ref": line.line_ref, "findings": [finding_json(f) for f in result.findings]}
        for line, result in zip(wanted.lines, checks, strict=True)
        if result.verdict is Verdict.REFUSE
    ]
    if refused:
        raise Unengravable("some lines can't be engraved as asked; nothing was stored", lines=refused)


def _add_line(
    session: Session,
    order: Order,
    wanted: LineWanted,
    result: CheckResult,
    *,
    shop: Shop,
    who: Who,
    now: datetime,
) -> None:
    line = OrderLine(
        order=order, line_ref=wanted.line_ref, sku=wanted.sku, quantity=wanted.quantity, verdict="",
        findings=[], inscriptions=[], checked=[], eligible=[], catalogue_version=shop.version,
    )  # fmt: skip
    session.add(line)
    _write_check(line, wanted.inscriptions, result, shop)
    session.flush()
    _freeze(session, line, result)
    line.hold_reason = hold_reason(order, line, now=now)
    for unit in range(1, wanted.quantity + 1):
        _add_job(session, order, line, unit, shop=shop, result=result, who=who, now=now)


def _write_check(
    line: OrderLine, inscriptions: Sequence[Inscription], result: CheckResult, shop: Shop
) -> None:
    line.inscriptions = [to_json(inscription) for inscription in inscriptions]
    line.verdict = result.verdict.value
    line.findings = [finding_json(finding) for finding in result.findings]
    line.checked = [checked_json(one) for one in result.inscriptions]
    line.eligible = sorted([p.station, p.plate, p.slot, p.face] for p in result.eligible)
    line.burn_seconds = result.burn_seconds
    line.catalogue_version = shop.version


def _freeze(session: Session, line: OrderLine, result: CheckResult) -> None:
    """Keep the outlines of what may be engraved; what was refused has none to keep."""
    if result.verdict is Verdict.REFUSE:
        return
    for position, mark in enumerate(result.marks):
        line.marks.append(
            FrozenMark(
                words_revision=line.words_revision, position=position, zone=mark.zone, face=mark.face,
                material=mark.surface.material, finish=mark.surface.finish,
                outline=mark.outline.to_record(), digest=mark.outline.digest,
            )
        )  # fmt: skip
    session.flush()


def _add_job(
    session: Session, order: Order, line: OrderLine, unit: int, *, shop: Shop, result: CheckResult, who: Who,
    now: datetime,
) -> None:  # fmt: skip
    product = shop.products.get(line.sku)
    job = Job(
        line=line, order_id=order.id, unit=unit, sku=line.sku, blade=product.blade if product else "",
        state=JobState.HELD.value, hold_reason=line.hold_reason, priority=order.priority,
        ship_by=order.ship_by, words_revision=line.words_revision, faces=faces_of(shop, line.sku, result),
        faces_done=[], created_at=now,
    )  # fmt: skip
    session.add(job)
    session.flush()
    if line.hold_reason is None:
        job.state = (JobState.READY if stock.reserve(session, job) else JobState.SHORT).value
        session.flush()
    write_history(
        session, "job", job.id, move_from=None, move_to=job.state, who=who, now=now, why="order taken"
    )


def faces_of(shop: Shop, sku: str, result: CheckResult) -> list[str]:
    """The faces to be engraved, in the order in which the blade lists its faces."""
    if sku not in shop.products:
        return []
    asked = {one.face for one in result.inscriptions}
    return [face.face for face in shop.blades[shop.products[sku].blade].faces if face.face in asked]


def hold_reason(order: Order, line: OrderLine, *, now: datetime) -> str | None:
    """Why a line must wait for a person; None when it need not."""
    if line.verdict == Verdict.REFUSE.value:
        return FINDINGS
    if line.verdict == Verdict.REVIEW.value and line.reviewed_revision != line.words_revision:
        return REVIEW
    if order.proof == "buyer" and line.approved_revision != line.words_revision:
        return BUYER
    if order.ship_by < now and line.reviewed_revision != line.words_revision:
        return LATE
    return None


def _announce(session: Session, order: Order, *, now: datetime) -> None:
    held = [line.line_ref for line in order.lines if line.hold_reason]
    name = "order.held" if held else "order.accepted"
    tell_order(session, name, order, now=now)


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
    who: Who,
    now: datetime,
) -> None:
    """Other words for a line: checked anew, frozen anew, an approval given for the old words is void.

    Raises NotFound, MoveNotAllowed when a unit of the line is in a load or further.
    """
    line = line_of(order, line_ref)
    _all_open(line, "amended")
    line.words_revision += 1
    _write_check(line, inscriptions, result, shop)
    _freeze(session, line, result)
    line.hold_reason = hold_reason(order, line, now=now)
    for job in _living(line):
        job.words_revision = line.words_revision
        job.faces = faces_of(shop, line.sku, result)
        _settle(session, job, line.hold_reason, who=who, now=now, why="words changed")
    order.version += 1
    write_history(
        session,
        "order",
        order.id,
        move_from=None,
        move_to="amended",
        who=who,
        now=now,
        why=f"line {line_ref}",
    )
    _announce(session, order, now=now)


def approve(
    session: Session,
    order: Order,
    line_refs: Sequence[str],
    *,
    by: Literal["desk", "buyer"],
    who: Who,
    now: datetime,
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
            _let_go(session, line, who=who, now=now, why=f"approved by {by}")
            continue  # the rest goes on already, and may be in a load
        if by == "desk":
            line.reviewed_revision = line.words_revision
        if by == "buyer" or line.hold_reason == BUYER:
            # The desk passes on what the buyer said by telephone or mail; the history says who did.
            line.approved_revision, line.approved_by = line.words_revision, f"{by}:{who.name}"
        line.hold_reason = hold_reason(order, line, now=now)
        for job in _living(line):
            _settle(session, job, line.hold_reason, who=who, now=now, why=f"approved by {by}")
    order.version += 1
    write_history(session, "order", order.id, move_from=None, move_to="approved", who=who, now=now, why=by)
    if not any(line.hold_reason for line in order.lines):
        _announce(session, order, now=now)


def _let_go(session: Session, line: OrderLine, *, who: Who, now: datetime, why: str) -> None:
    """Units of an accepted line that the bench sent to the desk: they fitted nowhere, or were refused."""
    for job in _living(line):
        if JobState(job.state) is JobState.HELD:
            if job.hold_reason == holds.NO_PLACE_LEFT:
                raise MoveNotAllowed(
                    f"line {line.line_ref} has no place left; amend it, and it is checked anew",
                    line_ref=line.line_ref,
                )
            rows.forget_misfits(session, job.id)
            stock.make_ready(session, job, who=who, now=now, why=why)


def cancel(
    session: Session, order: Order, line_refs: Sequence[str], *, who: Who, now: datetime, why: str
) -> None:
    """Cancel lines (all, when none is named), until their load has started. All of them or nothing.

    Raises NotFound, MoveNotAllowed.
    """
    from service import loads

    lines = [line_of(order, ref) for ref in line_refs] or list(order.lines)
    if not any(_not_undone(line) for line in lines):
        raise MoveNotAllowed("there is nothing left to cancel")
    for line in lines:
        for job in _not_undone(line):
            if JobState(job.state) is JobState.LOADED:
                loads.remove_job(session, job, reason="cancelled", who=who, now=now)
            _must_be_open(line, job, "cancelled")
            stock.unreserve(session, job)
            if job.unit_in_hand:  # it was fetched for a load: the bench puts it back (`service.put_backs`)
                write_history(
                    session, "job", job.id, move_from=job.state, move_to="to_put_back", who=who, now=now,
                    why=f"{job.sku} from {job.pulled_from}: cancelled after it was pulled",
                )  # fmt: skip
            move_job(session, job, JobState.CANCELLED, who=who, now=now, why=why, hold_reason=None)
        line.hold_reason = None
        stock.serve_short(session, line.sku, who=who, now=now)
    order.version += 1
    named = ", ".join(line.line_ref for line in lines)
    write_history(
        session, "order", order.id, move_from=None, move_to="cancelled", who=who, now=now,
        why=f"line {named}: {why}" if line_refs else why,
    )  # fmt: skip
    _announce_rest(session, order, now=now)


def _announce_rest(session: Session, order: Order, *, now: datetime) -> None:
    """After a cancellation: the order is cancelled only when nothing of it is left, and its release may have
    waited for nothing but what was cancelled."""
    told = {JobState.CANCELLED: "order.cancelled", JobState.RELEASED: "order.released"}
    name = told.get(_state_of(order))
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
            line_ref=line.line_ref, state=job.state,
        )  # fmt: skip


def _settle(session: Session, job: Job, reason: str | None, *, who: Who, now: datetime, why: str) -> None:
    """Bring an open job to held, or to ready or short."""
    if reason is not None:
        stock.unreserve(session, job)
        if JobState(job.state) is not JobState.HELD:
            move_job(session, job, JobState.HELD, who=who, now=now, why=why, hold_reason=reason)
        else:
            job.hold_reason = reason
            job.version += 1
        return
    before = JobState(job.state)
    if stock.make_ready(session, job, who=who, now=now, why=why) is before:
        job.version += 1


# --- as JSON ---


def etag_of(order: Order) -> str:
    """Changes with everything that the order's answer shows: its own version and those of its jobs."""
    return f'"{order.version}.{sum(job.version for line in order.lines for job in line.jobs)}"'


def _state_of(order: Order) -> JobState:
    return derived_state(JobState(job.state) for line in order.lines for job in line.jobs)


def order_json(order: Order) -> dict[str, Any]:
    return {
        "id": public(ORDER, order.id),
        "order_ref": order.order_ref,
        "client": order.client,
        "state": _state_of(order).value,
        "ship_by": order.ship_by.isoformat(),
        "priority": order.priority,
        "proof": order.proof,
        "created_at": order.created_at.isoformat(),
        "lines": [line_json(line) for line in order.lines],
    }


def line_json(line: OrderLine) -> dict[str, Any]:
    said: dict[str, Any] = {
        "line_ref": line.line_ref,
        "sku": line.sku,
        "quantity": line.quantity,
        "state": derived_state(JobState(job.state) for job in line.jobs).value,
        "hold_reason": line.hold_reason,
        "verdict": line.verdict,
        "inscriptions": line.inscriptions,
        "findings": [*line.findings, *_later_findings(line)],
        "checked": line.checked,
        "burn_seconds": line.burn_seconds,
        "jobs": [_job_in_line(job, line) for job in line.jobs],
    }
    return {key: value for key, value in said.items() if key != "hold_reason" or value is not None}


def _later_findings(line: OrderLine) -> list[dict[str, Any]]:
    """What has come up since the line was checked, about its own units."""
    homeless = [
        public("J", job.id)
        for job in line.jobs
        if JobState(job.state) is JobState.HELD and job.hold_reason == holds.NO_PLACE_LEFT
    ]
    if not homeless:
        return []
    message = f"The shop has no place any more for which {', '.join(homeless)} was accepted."
    return [finding_json(Finding(holds.NO_PLACE_LEFT, Severity.REFUSE, message))]


def _job_in_line(job: Job, line: OrderLine) -> dict[str, Any]:
    """A unit that the bench sent to the desk says itself why it is held; its line is not."""
    said: dict[str, Any] = {"id": public("J", job.id), "state": job.state}
    if job.hold_reason is not None and job.hold_reason != line.hold_reason:
        said["hold_reason"] = job.hold_reason
    return said


def job_json(job: Job, moves: Sequence[Any] = ()) -> dict[str, Any]:
    return {
        "id": public("J", job.id),
        "order": public(ORDER, job.order_id),
        "sku": job.sku,
        "unit": job.unit,
        "take": job.take,
        "replaces": public("J", job.replaces) if job.replaces else None,
        "state": job.state,
        "hold_reason": job.hold_reason,
        "ship_by": job.ship_by.isoformat(),
        "priority": job.priority,
        "faces": job.faces,
        "faces_done": job.faces_done,
        "bin": job.bin,
        "unit_in_hand": job.unit_in_hand,
        "history": [
            {"from": m.move_from, "to": m.move_to, "who": m.who, "why": m.why, "at": m.at.isoformat()}
            for m in moves
        ],
    }
