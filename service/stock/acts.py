"""What is done with boxes by tablet, as both doors do it: one transaction, and the answer."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from sqlalchemy.orm import Session

from service.records.tables import StockCount
from service.records.who import By, Who
from service.requests.idempotency import Answer, create_once, created
from service.shop.tools import Tools
from service.stock import bin_moves, count_rows, counting
from service.stock.stock_answers import BinCountAnswer, MovedAnswer, bin_count_answer


def begin(tools: Tools, bin_name: str, *, who: Who) -> BinCountAnswer:
    """Raises as `counting.begin`."""
    return _counted(tools, who, lambda session, by: counting.begin(session, bin_name, by=by))


def scan(tools: Tools, identity: str, if_match: str, code: str, *, who: Who) -> BinCountAnswer:
    """Raises as `counting.scan`."""
    shop = tools.catalogue.current
    return _counted(
        tools, who, lambda session, _: counting.scan(session, identity, if_match, code, shop=shop)
    )


def say(
    tools: Tools, identity: str, if_match: str, counted: Mapping[str, int | None], *, who: Who
) -> BinCountAnswer:
    """Raises as `counting.say`."""
    shop = tools.catalogue.current
    return _counted(
        tools, who, lambda session, _: counting.say(session, identity, if_match, counted, shop=shop)
    )


def take(tools: Tools, identity: str, if_match: str, sure: Collection[str], *, who: Who) -> BinCountAnswer:
    """Raises as `counting.take`."""
    jump = tools.catalogue.current.policy.count_jump
    return _counted(
        tools,
        who,
        lambda session, by: counting.take(session, identity, if_match, sure=sure, jump=jump, by=by),
    )


def drop(tools: Tools, identity: str, if_match: str, *, who: Who) -> BinCountAnswer:
    """Raises as `counting.drop`."""
    return _counted(tools, who, lambda session, by: counting.drop(session, identity, if_match, by=by))


def move(
    tools: Tools, came_from: str, to: str, sku: str, units: int, idempotency_key: str | None, *, who: Who
) -> Answer:
    """Answer `POST /v1/stock/moves` once per key. Raises as `bin_moves.move`."""

    def work(session: Session) -> Answer:
        here, there = bin_moves.move(session, came_from, to, sku, units, by=tools.by(who))
        boxed = {name: _boxed(session, name, sku) for name in (here, there)}
        moved = MovedAnswer(
            came_from=here, to=there, sku=sku, units=units, left=boxed[here], there=boxed[there]
        )
        return created(moved, {"Location": "/v1/stock"})

    return create_once(
        tools.database,
        tools.clock,
        client=who.client,
        route="POST /v1/stock/moves",
        header=idempotency_key,
        body=[came_from, to, sku, units],
        work=work,
    )


def _boxed(session: Session, bin_name: str, sku: str) -> int:
    return next((row.boxed for row in count_rows.in_bin(session, bin_name) if row.sku == sku), 0)


def _counted(tools: Tools, who: Who, act: Callable[[Session, By], StockCount]) -> BinCountAnswer:
    def work(session: Session) -> BinCountAnswer:
        return bin_count_answer(
            session, act(session, tools.by(who)), tools.catalogue.current.policy.count_jump
        )

    return tools.database.write(work)
