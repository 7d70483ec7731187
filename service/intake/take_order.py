"""Take, amend or change an order: check its words outside a transaction, then store them in one.

How an order is stored is in `taking`, what may be done with it afterwards in `orders`; the answer to a check
without an order is in `check`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from itertools import zip_longest
from typing import Any

import structlog
from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.findings import Finding, Severity, Verdict
from layout.shop.inscriptions import Inscription
from service.intake import as_before, orders
from service.intake import check as checks
from service.intake.order_answers import OrderAnswer, etag_of, order_answer, taken_order_answer
from service.intake.same_size import at_height, height_of_set, levelled, must_name_lines
from service.intake.shown_before import Compared, compared
from service.intake.taking import is_of_one_product, take
from service.plan import in_force_rows, promises
from service.records import new_rows
from service.records.errors import BadRequest, CheckersBusy, IdempotencyKeyReused
from service.records.ids import ORDER, public
from service.records.tables import Order
from service.records.who import By, Who
from service.requests import idempotency_rows, sessions
from service.requests.idempotency import Answer, answer_once, created, fingerprint_of, key_of
from service.requests.order_in import LineWanted, Notes, OrderWanted
from service.shop.geometry_workers import InForce
from service.shop.stores import shop_for
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

_ROUTE = "POST /v1/orders"

_NOT_CHECKED = CheckResult(
    Verdict.REFUSE,
    (
        Finding(
            "not_checked",
            Severity.REFUSE,
            "These words could not be checked; amend the line, with the same or other words, to try again.",
        ),
    ),
)


def take_order(tools: Tools, body: Any, idempotency_key: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/orders` once per key. `body` is a validated `OrderIn`."""
    key = key_of(idempotency_key)
    wanted = _wanted_within_limits(tools, body)
    units = sum(line.quantity for line in wanted.lines)

    def prepare() -> tuple[OrderWanted, list[CheckResult], promises.Safe | None]:
        tools.rates.order(who.client, units)  # here, because an answer given again is no order
        filled = as_before.looked_up(tools, wanted, who=who)
        with tools.database.reading() as session:
            newest, plan_id = in_force_rows.newest_of_all(session)
            in_force = checks.in_force(session, newest)
            outlook = promises.outlook_of_order(tools, session, plan_id)
        results = check_lines(tools, filled, in_force, who=who)
        promised = promises.of_lines(tools, outlook, filled.lines, results, ship_by=wanted.ship_by)
        return filled, results, promised

    def work(
        session: Session,
        prepared: tuple[OrderWanted, list[CheckResult], promises.Safe | None],
        *,
        at_once: bool = False,
    ) -> Answer:
        by = tools.by(who)
        filled, results, promised = prepared
        seen = _held_against_previews(tools, filled, results, by=by)
        shop = tools.catalogue.current
        taken = take(session, filled, results, seen, shop=shop, by=by, promised=promised, at_once=at_once)
        order = taken.order
        headers = {"Location": f"/v1/orders/{public(ORDER, order.id)}", "ETag": etag_of(order)}
        body = taken_order_answer(session, order, taken.promise)
        return created(body, headers, rows=taken.rows, premises=taken.premises)

    return answer_once(
        tools.database,
        tools.clock,
        client=who.client,
        route=_ROUTE,
        key=key,
        fingerprint=order_fingerprint(body),
        prepare=prepare,
        work=work,
        at_once=partial(work, at_once=True) if is_of_one_product(wanted) else None,
    )


def rehearse_order(tools: Tools, body: Any, key: str, *, who: Who) -> OrderAnswer | None:
    """What `take_order` would answer, with nothing stored; None where it would give an earlier answer again.

    Raises as `take_order` does; the units that a store may order in a day are not counted.
    """
    wanted = _wanted_within_limits(tools, body)
    with tools.database.reading() as session:
        earlier = idempotency_rows.find(session, client=who.client, route=_ROUTE, key=key)
        if earlier is not None and earlier.fingerprint != order_fingerprint(body):
            raise IdempotencyKeyReused("this order came before, with other contents")
        if earlier is not None:
            return None
    filled = as_before.looked_up(tools, wanted, who=who)
    results = check_lines(tools, filled, checks.in_force_now(tools), who=who)

    def work(session: Session) -> OrderAnswer:
        by = tools.by(who)
        seen = _held_against_previews(tools, filled, results, by=by)
        taken = take(session, filled, results, seen, shop=tools.catalogue.current, by=by)
        new_rows.put_all(session, taken.rows)
        return taken_order_answer(session, taken.order, None)

    return tools.database.rehearse(work)


def _held_against_previews(
    tools: Tools, wanted: OrderWanted, results: Sequence[CheckResult], *, by: By
) -> list[Compared | None]:
    if not any(line.preview for line in wanted.lines):
        return [None] * len(wanted.lines)
    secret = sessions.secret_of(tools.settings.data)
    return [
        compared(line, result, client=by.who.client, secret=secret, now=by.at)
        for line, result in zip(wanted.lines, results, strict=True)
    ]


def _wanted_within_limits(tools: Tools, body: Any) -> OrderWanted:
    wanted = wanted_of(body)
    most = tools.settings.units_an_order
    if sum(line.quantity for line in wanted.lines) > most:
        raise BadRequest(
            f"an order may have {most} units; send others for the rest", field="lines", most=most
        )
    return wanted


def order_fingerprint(body: Any) -> str:
    """What tells an order from another body under its key. One that was first posted before buyers and notes
    could be sent is still the same order: what is left out does not count."""
    left_out = {name for name in ("buyer", "notes") if getattr(body, name) is None}
    return fingerprint_of(body.model_dump(mode="json", exclude=left_out))


def check_lines(tools: Tools, wanted: OrderWanted, in_force: InForce, *, who: Who) -> list[CheckResult]:
    """Check every line, the words of a set at one height; equal lines are checked once. A store's lines are
    held against what it offers."""
    results: dict[Any, CheckResult] = {}

    def check(line: LineWanted) -> CheckResult:
        if line.as_before is not None:
            return line.as_before.result
        request = (line.sku, line.inscriptions)
        if request not in results:
            results[request] = _check_or_hold(
                tools, line, in_force, refuse=wanted.refuse_unengravable, who=who
            )
        return results[request]

    return list(levelled(wanted.lines, [check(line) for line in wanted.lines], check))


def _check_or_hold(
    tools: Tools, line: LineWanted, in_force: InForce, *, refuse: bool, who: Who
) -> CheckResult:
    """The check, or, when it fails or takes too long, a finding that holds the line: it is paid for."""
    if not line.inscriptions:
        return _plain(tools, line, who=who)
    try:
        return tools.geometry.check(
            line.sku, line.inscriptions, in_force=in_force, client=who.client, store=who.sees_client
        )
    except CheckersBusy:
        raise  # nothing is known against these words: asked again, they are checked
    except Exception as error:
        if refuse:
            raise
        log.error("check_failed", kind=type(error).__name__)
        return _NOT_CHECKED


def _plain(tools: Tools, line: LineWanted, *, who: Who) -> CheckResult:
    """Nothing is engraved: the shop must only have such a product."""
    if line.sku in shop_for(tools.catalogue.current, who.sees_client).products:
        return CheckResult(Verdict.ACCEPT, ())
    unknown = Finding("unknown_product", Severity.REFUSE, f"The shop has no product {line.sku}.")
    return CheckResult(Verdict.REFUSE, (unknown,))


def wanted_of(body: Any) -> OrderWanted:
    refs = [line.line_ref for line in body.lines]
    if len(set(refs)) != len(refs):
        raise BadRequest("two lines have the same line_ref", field="lines.line_ref")
    wanted = OrderWanted(
        order_ref=body.order_ref,
        ship_by=body.ship_by,
        priority=body.priority,
        refuse_unengravable=body.if_unengravable == "refuse",
        proof=body.proof,
        lines=tuple(
            LineWanted(
                line.line_ref,
                line.sku,
                line.quantity,
                tuple(inscription.value() for inscription in line.inscriptions or ()),
                line.preview,
                (line.same_as.order, line.same_as.line_ref) if line.same_as else None,
            )
            for line in body.lines
        ),
        buyer=" ".join(body.buyer.name.split()) if body.buyer else "",
        notes=body.notes.value() if body.notes else Notes(),
    )
    must_name_lines(wanted.lines)
    return wanted


def amend_line(
    tools: Tools, identity: str, line_ref: str, inscriptions: Sequence[Any], etag: str, *, who: Who
) -> tuple[OrderAnswer, str]:
    """Check new words for a line, then store them if the order is still as the caller saw it. Returns the
    amended order and its ETag."""
    values: tuple[Inscription, ...] = tuple(inscription.value() for inscription in inscriptions)
    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=who)
        sku = orders.line_of(order, line_ref).sku
        others = {o.line_ref: (o.inscriptions, o.checked) for o in order.lines if o.line_ref != line_ref}
        in_force = checks.in_force(session)
    check = partial(tools.geometry.check, in_force=in_force, client=who.client, store=who.sees_client)
    result = check(sku, values)
    level = _level_with(values, result, line_ref, others)
    if level != values:
        result = check(sku, level)

    def act(session: Session, order: Order, by: By) -> None:
        orders.amend(session, order, line_ref, values, result, shop=tools.catalogue.current, by=by)

    return change(tools, identity, etag, act, who=who)


def change(
    tools: Tools, identity: str, etag: str, act: Callable[[Session, Order, By], None], *, who: Who
) -> tuple[OrderAnswer, str]:
    """Do one act on an order if it is still as the caller saw it. Returns the order and its ETag.

    Raises NotFound, StaleVersion, and what the act refuses.
    """

    def work(session: Session) -> tuple[OrderAnswer, str]:
        order = orders.changeable(session, identity, etag, who=who)
        act(session, order, tools.by(who))
        return order_answer(session, order), etag_of(order)

    return tools.database.write(work)


def _level_with(
    values: Sequence[Inscription],
    result: CheckResult,
    line_ref: str,
    others: Mapping[str, tuple[Sequence[Any], Sequence[Any]]],
) -> tuple[Inscription, ...]:
    """New words of a line, no taller than the set that they belong to."""
    level = []
    for inscription, checked in zip_longest(values, result.inscriptions):
        height = height_of_set(inscription, line_ref, others)
        size = checked.size_mm if checked is not None else None
        is_taller = height is not None and size is not None and size > height
        level.append(at_height(inscription, height) if is_taller and height is not None else inscription)
    return tuple(level)
