"""Orders, lines and jobs as the service answers them.

An order is shown whole: its lines as the buyer asked for them, what the check found, and the jobs that were
made of them, one a physical unit. States of lines and orders are derived from those of their jobs and kept
nowhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from pydantic import Field
from sqlalchemy.orm import Session, object_session

from layout.shop.findings import Finding, Severity, Verdict
from service.intake import line_holds
from service.intake.line_holds import Hold
from service.intake.shown_before import Why
from service.plan import plan_rows as rows
from service.plan.promises import PromiseAnswer, promise_of
from service.records.db import is_test
from service.records.ids import JOB, ORDER, public
from service.records.states import JobState, OrderState, derived_state
from service.records.tables import History, Job, Order, OrderLine
from service.records.tables import Promise as PromiseRow
from service.requests.answers import (
    AnswerBody,
    EventAnswer,
    Moment,
    MoveAnswer,
    OrLeftOut,
    events_answer,
    moves_answer,
)
from service.requests.check_answers import (
    CheckedAnswer,
    FindingAnswer,
    finding_answer,
    stored_checked,
    stored_finding,
)
from service.requests.inscription_answers import InscriptionAnswer, stored_inscription
from service.stock import holds

_STATE = Field(description="State; of a line that of its least advanced job.", examples=["ready"])
_SHIP_BY = Field(description="When the order must be handed over.")
_PRIORITY = Field(description="Larger goes first, 0 to 100.", examples=[0])
_SKU = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
_HOLD_REASON = Field(
    default=None,
    description="Why it waits for a person: `findings`, `review`, `buyer_approval`, `ship_by_past`,"
    " `differs_from_preview`, or what"
    " the bench found.",
    examples=["review"],
)


class HoldDetailsAnswer(AnswerBody):
    """What there is to know about a hold; what does not apply is left out."""

    findings: OrLeftOut[tuple[FindingAnswer, ...]] = Field(
        default=None, description="What the check found, where that is the reason."
    )
    wish: OrLeftOut[str] = Field(
        default=None, description="What the buyer wants changed.", examples=["Please: Ada, not Eda"]
    )
    why: OrLeftOut[Why] = Field(
        default=None,
        description="How the line and its preview differ: `other_mark` (the check comes to another one now),"
        " `other_product`, `expired`, `other_store` (the token is another store's), `unreadable` (no token of"
        " this service).",
        examples=["other_mark"],
    )
    jobs: OrLeftOut[tuple[str, ...]] = Field(
        default=None, description="Units that wait, where not the whole line does.", examples=[["J42"]]
    )
    said: OrLeftOut[tuple[str, ...]] = Field(
        default=None,
        description="What was written down when they were held, in English; the code of a judge's finding"
        " stands in brackets before its sentence.",
        examples=[["J42 was refused by the judge (outside_zone): it leaves the zone"]],
    )


class WayOutAnswer(AnswerBody):
    """An act that ends a hold."""

    act: str = Field(
        description="`amend`: other words; `approve`: a look by the desk; `agree`: by the buyer; `cancel`.",
        examples=["approve"],
    )
    by: tuple[str, ...] = Field(description="Who may do it; the owner may as well.", examples=[["desk"]])


class HoldAnswer(AnswerBody):
    """One thing that a line, or some of its units, waits for."""

    reason: str = Field(description="Why it waits: a stable name.", examples=["review"])
    since: Moment = Field(description="Since when.")
    details: HoldDetailsAnswer = Field(description="What there is to know about it.")
    ways_out: tuple[WayOutAnswer, ...] = Field(description="What ends it, and who may do that.")


class JobInLineAnswer(AnswerBody):
    """One physical unit of a line."""

    id: str = Field(description="The job.", examples=["J42"])
    state: JobState = _STATE
    hold_reason: OrLeftOut[str] = _HOLD_REASON


class LineAnswer(AnswerBody):
    """One line of an order: what was asked for, what the check found, what became of it."""

    line_ref: str = Field(description="The store's own name of the line.", examples=["1"])
    sku: str = _SKU
    quantity: int = Field(description="Units ordered.", examples=[1])
    state: JobState = _STATE
    hold_reason: OrLeftOut[str] = _HOLD_REASON
    holds: tuple[HoldAnswer, ...] = Field(description="Everything that the line waits for; often nothing.")
    verdict: Verdict = Field(description="What the check came to.", examples=["accept"])
    inscriptions: tuple[InscriptionAnswer, ...] = Field(description="What the buyer asked for.")
    findings: tuple[FindingAnswer, ...] = Field(
        description="What the check has to say, and what has come up since."
    )
    checked: tuple[CheckedAnswer, ...] = Field(description="What was measured, one entry an inscription.")
    burn_seconds: float | None = Field(
        description="Time at the laser to expect for one unit, in seconds.", examples=[31.4]
    )
    jobs: tuple[JobInLineAnswer, ...] = Field(
        description="The line's units, replacements of spoiled ones too."
    )


class BuyerAnswer(AnswerBody):
    """Who ordered."""

    name: str = Field(description="The buyer's name.", examples=["Nan Alder"])


class NotesAnswer(AnswerBody):
    """Notes of people; those that nobody wrote are left out."""

    order: OrLeftOut[str] = Field(
        default=None, description="For the desk.", examples=["Rang twice; wants it before the 4th."]
    )
    gift: OrLeftOut[str] = Field(
        default=None,
        description="What the buyer wants on a card in the box.",
        examples=["Happy birthday, Nan!"],
    )
    bench: OrLeftOut[str] = Field(
        default=None, description="For whoever seats and inspects the units.", examples=["Handle is oiled."]
    )


class UnpromisedOrderAnswer(AnswerBody):
    """An order without what is promised for it."""

    id: str = Field(description="The order.", examples=["O17"])
    order_ref: str = Field(description="The store's own reference.", examples=["AQ-2026-0417"])
    client: str = Field(description="The store that posted it.", examples=["alder-quay"])
    state: OrderState = Field(
        description="State: that of its least advanced job, until packing has handed it over.",
        examples=["ready"],
    )
    ship_by: Moment = _SHIP_BY
    priority: int = _PRIORITY
    proof: Literal["none", "buyer"] = Field(
        description="`buyer`: its words wait for the buyer's approval.", examples=["none"]
    )
    buyer: OrLeftOut[BuyerAnswer] = Field(default=None, description="Who ordered, where that was told.")
    notes: OrLeftOut[NotesAnswer] = Field(default=None, description="Notes of people, where there are any.")
    created_at: Moment = Field(description="When it was taken.")
    handed_over_at: OrLeftOut[Moment] = Field(
        default=None, description="When packing handed it over; left out: it has not."
    )
    test: OrLeftOut[bool] = Field(
        default=None, description="`true` in the sandbox: nothing of it will be made.", examples=[True]
    )
    erased_at: Moment | None = Field(
        description="When its words, names and notes were erased; null: they were not.", examples=[None]
    )
    lines: tuple[LineAnswer, ...] = Field(description="The order's lines, as they were posted.")


class OrderAnswer(UnpromisedOrderAnswer):
    """An order with its lines, findings and jobs."""

    promise: PromiseAnswer = Field(description="By when all its units will be engraved.")


class OrderAndHistoryAnswer(OrderAnswer):
    """An order with everything that happened to it."""

    history: tuple[EventAnswer, ...] = Field(description="What happened to the order, oldest first.")


class OrdersAnswer(AnswerBody):
    """A page of orders."""

    orders: tuple[OrderAnswer, ...] = Field(description="Newest first.")


class ProofLinkAnswer(AnswerBody):
    """The buyer's own link to the proof of an order, good for its present words only."""

    url: str = Field(
        description="Where the buyer sees the proof and answers.",
        examples=["https://ricasso.example/proof/O17.k3..."],
    )
    until: Moment = Field(description="When it ends.")


class JobAnswer(AnswerBody):
    """One physical unit that is to be engraved."""

    id: str = Field(description="The job.", examples=["J42"])
    order: str = Field(description="Its order.", examples=["O17"])
    sku: str = _SKU
    unit: int = Field(description="Which unit of its line it is, from 1.", examples=[1])
    take: int = Field(
        description="1 for the first try; more for replacements of spoiled units.", examples=[1]
    )
    replaces: str | None = Field(description="The spoiled job that it replaces.", examples=["J40"])
    state: JobState = _STATE
    hold_reason: str | None = Field(description="Why it waits for a person.", examples=["no_place_left"])
    ship_by: Moment = _SHIP_BY
    priority: int = _PRIORITY
    faces: tuple[str, ...] = Field(
        description="Faces to be engraved, in order.", examples=[["mark_side", "pile_side"]]
    )
    faces_done: tuple[str, ...] = Field(description="Those that are on the metal.", examples=[["mark_side"]])
    bin: str | None = Field(
        description="Where its boxed unit stands; null: none is reserved, or it is in hand.",
        examples=["A-01"],
    )
    unit_in_hand: bool = Field(description="Whether its unit has been fetched.", examples=[False])
    history: tuple[MoveAnswer, ...] = Field(
        description="What happened to it, oldest first; empty where jobs are listed."
    )
    gathered_at: OrLeftOut[Moment] = Field(
        default=None, description="When packing scanned its box; left out: it has not."
    )
    waits_for_test_card: OrLeftOut[tuple[str, ...]] = Field(
        default=None,
        description="Processes of which any one, once proven by a test card, would let it go on.",
        examples=[["steel-satin"]],
    )


class JobsAnswer(AnswerBody):
    """A page of jobs."""

    jobs: tuple[JobAnswer, ...] = Field(description="In the order in which they were made.")


def etag_of(order: Order) -> str:
    """Changes with everything that the order's answer shows: its own version and those of its jobs."""
    return f'"{order.version}.{sum(job.version for line in order.lines for job in line.jobs)}"'


def unpromised_order_answer(order: Order, *, is_house: bool = False) -> UnpromisedOrderAnswer:
    """An order, without a look at what is promised for it. `is_house`: with what only the shop's own people
    may read."""
    session = object_session(order)
    assert session is not None, "an order is shown within the transaction that read it"
    return UnpromisedOrderAnswer(**_shown(session, order, is_house=is_house))


def _shown(session: Session, order: Order, *, is_house: bool) -> dict[str, Any]:
    """What the answers of an order have in common, by field."""
    return {
        "id": public(ORDER, order.id),
        "order_ref": order.order_ref,
        "client": order.client,
        "state": order.state,
        "ship_by": order.ship_by,
        "priority": order.priority,
        "proof": "buyer" if order.proof == "buyer" else "none",
        "buyer": BuyerAnswer(name=order.buyer) if order.buyer else None,
        "notes": _notes_answer(order),
        "created_at": order.created_at,
        "handed_over_at": order.handed_over_at,
        "test": is_test(session) or None,
        "erased_at": order.erased_at,
        "lines": tuple(_line_answer(session, order, line, is_house=is_house) for line in order.lines),
    }


def order_answer(session: Session, order: Order, *, is_house: bool = False) -> OrderAnswer:
    """An order with what is promised for it."""
    return _with_promise(session, order, rows.promise(session, order.id), is_house=is_house)


def taken_order_answer(session: Session, order: Order, promise: PromiseRow | None) -> OrderAnswer:
    """An order that was just taken, and need not be read for it, with what was promised for it just now."""
    return _with_promise(session, order, promise, is_house=False)


def order_and_history_answer(
    session: Session, order: Order, history: Sequence[History], *, is_house: bool = False
) -> OrderAndHistoryAnswer:
    """An order with what is promised for it and what happened to it."""
    promise = promise_of(order, rows.promise(session, order.id))
    shown = _shown(session, order, is_house=is_house)
    return OrderAndHistoryAnswer(**shown, promise=promise, history=events_answer(history))


def orders_answer(session: Session, page: Sequence[Order]) -> OrdersAnswer:
    """Several orders, their promises read at once."""
    promises = rows.promises(session, [order.id for order in page])
    return OrdersAnswer(
        orders=tuple(_with_promise(session, order, promises.get(order.id), is_house=False) for order in page)
    )


def _line_answer(session: Session, order: Order, line: OrderLine, *, is_house: bool) -> LineAnswer:
    holds = line_holds.holds_of(session, order, line)
    stored = (stored_finding(finding, is_house=is_house) for finding in line.findings)
    return LineAnswer(
        line_ref=line.line_ref,
        sku=line.sku,
        quantity=line.quantity,
        state=derived_state(JobState(job.state) for job in line.jobs),
        hold_reason=line.hold_reason,
        holds=tuple(_hold_answer(hold, is_house=is_house) for hold in holds),
        verdict=Verdict(line.verdict),
        inscriptions=tuple(stored_inscription(stored) for stored in line.inscriptions),
        findings=(*stored, *_later_findings(line)),
        checked=tuple(stored_checked(stored) for stored in line.checked),
        burn_seconds=line.burn_seconds,
        jobs=tuple(_job_in_line(job, line) for job in line.jobs),
    )


def job_answer(
    job: Job, history: Sequence[History] = (), *, waits_for_test_card: tuple[str, ...] | None = None
) -> JobAnswer:
    return JobAnswer(
        id=public(JOB, job.id),
        order=public(ORDER, job.order_id),
        sku=job.sku,
        unit=job.unit,
        take=job.take,
        replaces=public(JOB, job.replaces) if job.replaces else None,
        state=JobState(job.state),
        hold_reason=job.hold_reason,
        ship_by=job.ship_by,
        priority=job.priority,
        faces=tuple(job.faces),
        faces_done=tuple(job.faces_done),
        bin=job.bin,
        unit_in_hand=job.unit_in_hand,
        history=moves_answer(history),
        gathered_at=job.gathered_at,
        waits_for_test_card=waits_for_test_card,
    )


def _notes_answer(order: Order) -> NotesAnswer | None:
    if not (order.order_note or order.gift_note or order.bench_note):
        return None
    return NotesAnswer(
        order=order.order_note or None, gift=order.gift_note or None, bench=order.bench_note or None
    )


def _with_promise(
    session: Session, order: Order, promise: PromiseRow | None, *, is_house: bool
) -> OrderAnswer:
    return OrderAnswer(**_shown(session, order, is_house=is_house), promise=promise_of(order, promise))


def _hold_answer(hold: Hold, *, is_house: bool) -> HoldAnswer:
    findings = hold.details.get("findings")
    if findings is not None:
        findings = tuple(stored_finding(finding, is_house=is_house) for finding in findings)
    return HoldAnswer(
        reason=hold.reason,
        since=hold.since,
        details=HoldDetailsAnswer(
            findings=findings,
            wish=hold.details.get("wish"),
            why=hold.details.get("why"),
            jobs=hold.details.get("jobs"),
            said=hold.details.get("said"),
        ),
        ways_out=tuple(WayOutAnswer(act=act, by=by) for act, by in hold.ways_out.items()),
    )


def _later_findings(line: OrderLine) -> tuple[FindingAnswer, ...]:
    """What has come up since the line was checked, about its own units."""
    sentences = {
        holds.NO_PLACE_LEFT: "The shop has no place any more for which %s was accepted.",
        holds.NO_LONGER_FITS: "The shop's description has changed; %s no longer fits where it was accepted.",
    }
    return tuple(
        finding_answer(Finding(reason, Severity.REFUSE, sentences[reason] % _named(jobs)))
        for reason, jobs in line_holds.unit_reasons(line).items()
        if reason in sentences
    )


def _named(jobs: Sequence[Job]) -> str:
    return ", ".join(public(JOB, job.id) for job in jobs)


def _job_in_line(job: Job, line: OrderLine) -> JobInLineAnswer:
    """A unit that the bench sent to the desk says itself why it is held; its line is not."""
    reason = job.hold_reason if job.hold_reason != line.hold_reason else None
    return JobInLineAnswer(id=public(JOB, job.id), state=JobState(job.state), hold_reason=reason)
