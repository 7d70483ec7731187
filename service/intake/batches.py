"""Many orders at once: handed in as a batch in one request, taken one by one behind it.

Each order goes through `take_order`, under a key and in a transaction of its own; what became of it is
written after that. A process that dies in between has another take the same order again: its key, and its
`order_ref` for ever, answer what was stored. So a batch needs no lease: whoever comes by goes on where it
stopped, and two at the same order are told so by its key.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Any

import structlog
from pydantic import ValidationError
from sqlalchemy.orm import Session

from service.intake import batch_rows as rows
from service.intake.batch_answers import BatchAnswer, batch_answer
from service.intake.take_order import take_order
from service.records.errors import (
    CheckersBusy,
    CheckTooSlow,
    DatabaseBusy,
    IdempotencyKeyReused,
    NotFound,
    Refusal,
    RequestInFlight,
    TooManyRequests,
    TooManyUnits,
)
from service.records.ids import BATCH, ORDER, number, public
from service.records.states import BatchResult
from service.records.tables import Batch, BatchOrder
from service.records.who import Role, Who
from service.requests.asked import place_of
from service.requests.idempotency import Answer, fingerprint_of, key_of
from service.requests.order_in import OrderIn
from service.requests.problem_answers import Problem, problem_answer, refusal_answer, wrong_fields
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: Orders of a batch, and batches of a store that are not finished.
MOST_ORDERS, MOST_OPEN = 500, 20
#: Orders that are taken of each open batch in turn, so that a long one keeps no short one waiting.
_AT_A_TIME = 10
_MOST_TRIES = 5
_BROKEN = "Something went wrong in the service, several times; its log says what."
#: The shop is busy, or the store's day is full: nothing is known against the order.
_LATER = (DatabaseBusy, CheckersBusy, TooManyUnits)


def hand_in(tools: Tools, orders: Sequence[Any], idempotency_key: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/orders/batch`. What is no order at all is refused at once, the others wait. The same
    key again answers how far the batch is, and lets what was given up be tried again.

    Raises IdempotencyKeyMissing, IdempotencyKeyMalformed, IdempotencyKeyReused, TooManyRequests.
    """
    key, fingerprint = key_of(idempotency_key), fingerprint_of(orders)

    def work(session: Session) -> Answer:
        now = tools.clock()
        whose = {"client": who.client, "role": who.role.value, "name": who.name}
        batch_id = rows.insert(session, **whose, key=key, fingerprint=fingerprint, created_at=now)
        if batch_id is None:
            return _known(session, rows.by_key(session, who.client, key), fingerprint)
        if rows.count_open(session, who.client) > MOST_OPEN:
            raise TooManyRequests(
                f"{MOST_OPEN} batches of this store are not finished yet; nothing was stored",
                retry_after_s=30,
            )
        session.add_all(_read(batch_id, position, order) for position, order in enumerate(orders))
        session.flush()
        rows.finish(session, batch_id, now=now)
        return _answer(session, rows.by_key(session, who.client, key))

    return tools.database.write(work)


def look_up(tools: Tools, identity: str, *, who: Who) -> BatchAnswer:
    """A batch, if the caller may see it. Raises NotFound."""
    with tools.database.reading() as session:
        batch = rows.find(session, number(BATCH, identity), client=who.sees_client)
        if batch is None:
            raise NotFound("no such batch", id=identity)
        return batch_answer(batch, rows.orders(session, batch.id))


def _known(session: Session, batch: Batch, fingerprint: str) -> Answer:
    if batch.fingerprint != fingerprint:
        raise IdempotencyKeyReused("this Idempotency-Key came before, with another body")
    rows.try_again(session, batch)
    session.flush()
    return _answer(session, batch, is_replayed=True)


def _answer(session: Session, batch: Batch, *, is_replayed: bool = False) -> Answer:
    body = batch_answer(batch, rows.orders(session, batch.id)).model_dump_json()
    return Answer(202, body, {"Location": f"/v1/batches/{public(BATCH, batch.id)}"}, replayed=is_replayed)


def _read(batch_id: int, position: int, given: Any) -> BatchOrder:
    """An order as it was handed in: waiting, or refused where it is none."""
    order = BatchOrder(batch_id=batch_id, position=position, order_ref="", tries=0)
    try:
        body = OrderIn.model_validate(given)
    except ValidationError as invalid:
        detail, fields = wrong_fields(invalid.errors(include_input=False, include_url=False))
        problem = problem_answer(422, "invalid_request", detail, errors=fields)
        order.order_ref, order.result = _ref_in(given), BatchResult.REFUSED.value
        order.problem = problem.model_dump(mode="json")
        return order
    order.order_ref, order.result = body.order_ref, BatchResult.WAITING.value
    order.body = body.model_dump(mode="json")
    return order


def _ref_in(given: Any) -> str:
    """The reference in what is no order otherwise, so that its store finds it again."""
    ref = given.get("order_ref") if isinstance(given, dict) else None
    return ref[:100] if isinstance(ref, str) and ref.isprintable() else ""


# --- behind the requests ---


def take_waiting(tools: Tools) -> int:
    """Take the next orders of every open batch; returns of how many it is now known what became of them."""
    with tools.database.reading() as session:
        open_batches = [
            (batch, rows.waiting(session, batch.id, limit=_AT_A_TIME)) for batch in rows.open_batches(session)
        ]
    return sum(_take_some(tools, batch, orders) for batch, orders in open_batches)


def _finish(tools: Tools, batch: Batch) -> None:
    """Finish a batch whose last two orders were settled at once, each beside the other."""
    tools.database.write(lambda session: rows.finish(session, batch.id, now=tools.clock()))


def _take_some(tools: Tools, batch: Batch, orders: Sequence[BatchOrder]) -> int:
    if not orders:
        _finish(tools, batch)
    done = 0
    for order in orders:
        try:
            answer = _take_one(tools, batch, order)
        except RequestInFlight:
            continue  # another process is at it, or died at it just now
        except _LATER:
            break
        except CheckTooSlow as slow:
            _failed(tools, order, refusal_answer(slow))
            continue
        except Refusal as refusal:
            _settle(tools, order, BatchResult.REFUSED, problem=refusal_answer(refusal))
        except Exception as error:
            log.error("batch_order_failed", order=order.id, kind=type(error).__name__, at=place_of(error))
            _failed(tools, order, problem_answer(500, "internal_error", _BROKEN))
            continue
        else:
            told = json.loads(answer.body)
            result = BatchResult.HELD if told["state"] == "held" else BatchResult.TAKEN
            _settle(tools, order, result, order_id=number(ORDER, told["id"]))
        done += 1
    return done


def _take_one(tools: Tools, batch: Batch, order: BatchOrder) -> Answer:
    named = json.dumps([batch.client, batch.key, order.position])
    key = "batch-" + hashlib.sha256(named.encode()).hexdigest()
    who = Who(role=Role(batch.role), client=batch.client, name=batch.name)
    return take_order(tools, OrderIn.model_validate(order.body), key, who=who)


def _settle(tools: Tools, order: BatchOrder, result: BatchResult, **what: Any) -> None:
    problem: Problem | None = what.pop("problem", None)
    tools.database.write(
        lambda session: rows.settle(
            session,
            order,
            result,
            now=tools.clock(),
            problem=problem.model_dump(mode="json") if problem is not None else None,
            **what,
        )
    )


def _failed(tools: Tools, order: BatchOrder, problem: Problem) -> None:
    """Try it again, after the others; several times, then not without being asked to."""
    if order.tries + 1 < _MOST_TRIES:
        tools.database.write(lambda session: rows.count_try(session, order))
        return
    _settle(tools, order, BatchResult.FAILED, problem=problem)
