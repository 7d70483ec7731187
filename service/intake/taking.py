"""An order stored whole: its lines with their checks, frozen outlines, one job per unit, why it is held.

Called by `take_order` inside its transaction, with the lines already checked; `orders` uses the same pieces
when a line is amended.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from itertools import zip_longest

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.findings import Verdict
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Shop
from service.intake import line_holds, shown_before
from service.intake import order_rows as rows
from service.intake.shown_before import Compared
from service.plan import promises
from service.records import new_rows
from service.records.announcements import order_event, tell_order
from service.records.errors import OrderRefTaken, Unengravable
from service.records.ids import ORDER, public
from service.records.moves import noted
from service.records.outgoing import deliveries_of
from service.records.states import JobState
from service.records.tables import (
    Base,
    Delivery,
    Event,
    FrozenMark,
    History,
    Job,
    Order,
    OrderLine,
    OrderWord,
    Promise,
)
from service.records.who import By
from service.requests.check_answers import checked_answer, finding_answer, findings_answer
from service.requests.idempotency_rows import CLAIM
from service.requests.inscription_answers import inscription_answer
from service.requests.order_in import LineWanted, OrderWanted
from service.stock import reservations as stock
from service.stock import stock_rows


@dataclass(frozen=True, slots=True)
class Taken:
    """A new order, whole, with what was promised. Nothing that is changed of it is written. Its `rows` are
    left to the caller (`new_rows.put_all`), who has more to write with them. `premises`: what they rest on
    where its units are not reserved yet."""

    order: Order
    promise: Promise | None
    rows: new_rows.Filled
    premises: Sequence[new_rows.Premise] = ()


def take(
    session: Session,
    wanted: OrderWanted,
    checks: Sequence[CheckResult],
    seen: Sequence[Compared | None],
    *,
    shop: Shop,
    by: By,
    client: str | None = None,
    promised: promises.Safe | None = None,
    at_once: bool = False,
) -> Taken:
    """Take an order whose lines were checked and held against their previews (one result a line, same
    order), with its jobs, and with what can be promised for it if each has its unit. Units are reserved.
    `client`: the store that it belongs to, where that is not the caller.

    `at_once`, for an order of one product: as if the first bin that has a free unit had all that it needs.
    They are reserved by the statement that writes the order, so that others who want the same product wait
    for that statement alone, and if the bin has fewer nothing is written.

    Raises OrderRefTaken, and Unengravable when the caller asked for refusal instead of hold.
    """
    store = client or by.who.client
    units = sum(line.quantity for line in wanted.lines)
    place = rows.place(session, store, wanted.order_ref, lines=len(wanted.lines), units=units)
    if isinstance(place, int):
        raise OrderRefTaken(
            "this store has posted this order_ref before",
            order=public(ORDER, place),
            url=f"/v1/orders/{public(ORDER, place)}",
        )
    if wanted.refuse_unengravable:
        _refuse_unengravable(wanted, checks)
    order = Order(
        id=place.order,
        client=store,
        order_ref=wanted.order_ref,
        ship_by=wanted.ship_by,
        priority=wanted.priority,
        proof=wanted.proof,
        buyer=wanted.buyer,
        order_note=wanted.notes.order,
        gift_note=wanted.notes.gift,
        bench_note=wanted.notes.bench,
        created_at=by.at,
    )
    order.lines = [
        _line(number, order, line, result, shown, shop=shop, by=by)
        for number, line, result, shown in zip(place.lines, wanted.lines, checks, seen, strict=True)
    ]
    was_held = any(line.as_before is not None and line.as_before.held_why for line in wanted.lines)
    is_held = was_held or any(line.hold_reason for line in order.lines)
    event = order_event(session, _accepted_or_held(is_held=is_held), order, now=by.at)
    event.id = place.event
    numbers = iter(place.jobs)
    reserve = _as_if if at_once else partial(stock.set_aside, session)
    held_whys = [
        _add_jobs(reserve, numbers, order, line, asked, shop=shop, result=result, by=by)
        for line, asked, result in zip(order.lines, wanted.lines, checks, strict=True)
    ]
    history = [noted("order", order.id, "taken", by=by)]
    if approved := [line.line_ref for line in order.lines if line.approved_by]:
        why = f"buyer: by preview, line {', '.join(approved)}"
        history.append(noted("order", order.id, "approved", by=by, why=why))
    for line, held_why in zip(order.lines, held_whys, strict=True):
        for job in line.jobs:
            history.append(noted("job", job.id, job.state, by=by, why=held_why or "order taken"))
    promise = promises.promise_new(order, promised, now=by.at)
    made: dict[type[Base], Sequence[Base]] = {
        Order: [order],
        OrderLine: order.lines,
        FrozenMark: [mark for line in order.lines for mark in line.marks],
        OrderWord: rows.words_of(order),
        Event: [event],
        Delivery: deliveries_of(event, place.callbacks),
        Job: [job for line in order.lines for job in line.jobs],
        History: history,
        Promise: [] if promise is None else [promise],
    }
    return Taken(order, promise, new_rows.filled(made), _reservations(order) if at_once else ())


def is_of_one_product(wanted: OrderWanted) -> bool:
    """Whether an order can be taken at once."""
    return len({line.sku for line in wanted.lines}) == 1


def _as_if(_sku: str, units: int) -> list[str]:
    return ["the first"] * units


def _reservations(order: Order) -> Sequence[new_rows.Premise]:
    """What the rows of an order that is taken at once rest on."""
    units = sum(job.bin is not None for line in order.lines for job in line.jobs)
    return [stock_rows.reserving_in_first(order.lines[0].sku, units, behind=CLAIM)] if units else ()


def _refuse_unengravable(wanted: OrderWanted, checks: Sequence[CheckResult]) -> None:
    refused = [
        {"line_ref": line.line_ref, "findings": findings_answer(result.findings)}
        for line, result in zip(wanted.lines, checks, strict=True)
        if result.verdict is Verdict.REFUSE
    ]
    if refused:
        raise Unengravable("some lines can't be engraved as asked; nothing was stored", lines=refused)


def _line(
    number: int,
    order: Order,
    wanted: LineWanted,
    result: CheckResult,
    seen: Compared | None,
    *,
    shop: Shop,
    by: By,
) -> OrderLine:
    """The line with its check and its outlines, no jobs yet."""
    line = OrderLine(
        id=number,
        order_id=order.id,
        line_ref=wanted.line_ref,
        sku=wanted.sku,
        quantity=wanted.quantity,
        words_revision=1,
        jobs=[],
        marks=[],
    )
    write_check(line, wanted.inscriptions, result, shop, now=by.at)
    if (before := wanted.as_before) is not None:
        line.findings, line.checked = [*before.findings], [*before.checked]
        line.catalogue_version = before.accepted_under
        if before.is_settled:
            line.reviewed_revision = line.approved_revision = line.words_revision
    freeze(line, result, line_id=number)
    shown_before.note(line, seen, asks_buyer=order.proof == "buyer")
    line.hold_reason = hold_reason(order, line)
    return line


def write_check(
    line: OrderLine, inscriptions: Sequence[Inscription], result: CheckResult, shop: Shop, *, now: datetime
) -> None:
    line.inscriptions = [
        inscription_answer(inscription).model_dump(mode="json") for inscription in inscriptions
    ]
    line.verdict = result.verdict.value
    line.findings = [
        finding_answer(finding, is_house=True).model_dump(mode="json") for finding in result.findings
    ]
    line.checked = [checked_answer(checked).model_dump(mode="json") for checked in result.inscriptions]
    line.eligible = sorted([p.station, p.plate, p.slot, p.face] for p in result.eligible)
    line.burn_seconds = result.burn_seconds
    line.catalogue_version = shop.version
    line.checked_at = now


def freeze(line: OrderLine, result: CheckResult, **whose: int) -> None:
    """Keep the outlines of what may be engraved; a refused line has none. `whose`: the `line_id` of a line
    that the session does not keep."""
    if result.verdict is Verdict.REFUSE:
        return
    for position, mark in enumerate(result.marks):
        line.marks.append(FrozenMark.of(mark, position, words_revision=line.words_revision, **whose))


def _add_jobs(
    reserve: Callable[[str, int], list[str]],
    numbers: Iterator[int],
    order: Order,
    line: OrderLine,
    wanted: LineWanted,
    *,
    shop: Shop,
    result: CheckResult,
    by: By,
) -> str | None:
    """A job for each unit of the line, with a boxed unit reserved unless the line waits; gives why they are
    held where that was so before."""
    before = wanted.as_before
    blade = before.blade if before is not None else blade_of(shop, line)
    faces = [*before.faces] if before is not None else faces_of(shop, line.sku, result)
    why_held = before.held_why if before is not None else None
    hold_reason = why_held[0] if why_held is not None and line.hold_reason is None else line.hold_reason
    bins = [] if hold_reason else reserve(line.sku, line.quantity)
    for unit, bin_name in zip_longest(range(1, line.quantity + 1), bins):
        state = JobState.HELD if hold_reason else JobState.READY if bin_name else JobState.SHORT
        line.jobs.append(
            Job(
                id=next(numbers),
                line_id=line.id,
                order_id=order.id,
                unit=unit,
                sku=line.sku,
                blade=blade,
                state=state.value,
                hold_reason=hold_reason,
                bin=bin_name,
                priority=order.priority,
                ship_by=order.ship_by,
                words_revision=line.words_revision,
                faces=faces,
                faces_done=[],
                created_at=by.at,
            )
        )
    return why_held[1] if why_held else None


def blade_of(shop: Shop, line: OrderLine) -> str:
    """The blade that a line's units are engraved on; empty where they are not, or the product is unknown."""
    product = shop.products.get(line.sku)
    return product.blade if product is not None and line.inscriptions else ""


def faces_of(shop: Shop, sku: str, result: CheckResult) -> list[str]:
    """The faces to be engraved, in the order in which the blade lists its faces."""
    if sku not in shop.products:
        return []
    marked = {checked.face for checked in result.inscriptions}
    return [face.face for face in shop.blades[shop.products[sku].blade].faces if face.face in marked]


def hold_reason(order: Order, line: OrderLine) -> str | None:
    """The weightiest reason why a line waits for a person; None when it does not wait."""
    return next(iter(line_holds.reasons(order, line)), None)


def announce(session: Session, order: Order, *, is_held: bool, now: datetime) -> None:
    """Tell the store whether the order is accepted, or some of it waits for a person."""
    tell_order(session, _accepted_or_held(is_held=is_held), order, now=now)


def _accepted_or_held(*, is_held: bool) -> str:
    return "order.held" if is_held else "order.accepted"
