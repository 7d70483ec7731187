"""Orders, lines and jobs as the service answers them."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy.orm import Session, object_session

from layout.shop.findings import Finding, Severity
from service.intake import line_holds
from service.plan import plan_rows as rows
from service.plan.promises import promise_of
from service.records.ids import ORDER, public
from service.records.states import JobState, derived_state
from service.records.tables import Job, Order, OrderLine
from service.requests.check_json import finding_json
from service.stock import holds


def etag_of(order: Order) -> str:
    """Changes with everything that the order's answer shows: its own version and those of its jobs."""
    return f'"{order.version}.{sum(job.version for line in order.lines for job in line.jobs)}"'


def state_of(order: Order) -> JobState:
    return derived_state(JobState(job.state) for line in order.lines for job in line.jobs)


def without_promise(order: Order) -> dict[str, Any]:
    return {
        "id": public(ORDER, order.id),
        "order_ref": order.order_ref,
        "client": order.client,
        "state": state_of(order).value,
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
        "holds": [hold.as_json() for hold in line_holds.holds_of(_session_of(line), line.order, line)],
        "verdict": line.verdict,
        "inscriptions": line.inscriptions,
        "findings": [*line.findings, *_later_findings(line)],
        "checked": line.checked,
        "burn_seconds": line.burn_seconds,
        "jobs": [_job_in_line(job, line) for job in line.jobs],
    }
    return {key: value for key, value in said.items() if key != "hold_reason" or value is not None}


def _session_of(line: OrderLine) -> Session:
    session = object_session(line)
    assert session is not None, "an order is shown within the transaction that read it"
    return session


def _later_findings(line: OrderLine) -> list[dict[str, Any]]:
    """What has come up since the line was checked, about its own units."""
    said = {
        holds.NO_PLACE_LEFT: "The shop has no place any more for which %s was accepted.",
        holds.NO_LONGER_FITS: "The shop's description has changed; %s no longer fits where it was accepted.",
    }
    return [
        finding_json(Finding(reason, Severity.REFUSE, said[reason] % _named(jobs)))
        for reason, jobs in line_holds.unit_reasons(line).items()
        if reason in said
    ]


def _named(jobs: Sequence[Job]) -> str:
    return ", ".join(public("J", job.id) for job in jobs)


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


def order_json(session: Session, order: Order) -> dict[str, Any]:
    """An order with what is promised for it."""
    return {**without_promise(order), "promise": promise_of(order, rows.promise(session, order.id))}


def page_json(session: Session, page: Sequence[Order]) -> list[dict[str, Any]]:
    """The same for several orders."""
    known = rows.promises(session, [order.id for order in page])
    return [{**without_promise(order), "promise": promise_of(order, known.get(order.id))} for order in page]
