"""What is done at assembly, as both doors do it: one transaction, and what it is about as it is then."""

from __future__ import annotations

from collections.abc import Callable, Collection

from sqlalchemy.orm import Session

from service.assembly import built_units, scans, work_orders
from service.assembly.scans import AssemblyScanAnswer
from service.assembly.work_order_answers import (
    BuiltUnitAnswer,
    WorkOrderAnswer,
    built_unit_answer,
    work_order_answer,
)
from service.assembly.work_order_rows import find
from service.records.tables import BuiltUnit
from service.records.who import By, Who
from service.shop.tools import Tools


def scan(tools: Tools, code: str, *, unit: str | None, bin_name: str | None, who: Who) -> AssemblyScanAnswer:
    """Raises what `scans.scan` raises."""

    def work(session: Session) -> AssemblyScanAnswer:
        shop = tools.catalogue.current
        return scans.scan(session, code, unit=unit, bin_name=bin_name, shop=shop, by=tools.by(who))

    return tools.database.write(work)


def passes(tools: Tools, identity: str, points: Collection[str], *, who: Who) -> BuiltUnitAnswer:
    """Raises what `built_units.passes` raises."""
    shop = tools.catalogue.current
    return _unit(tools, who, lambda s, by: built_units.passes(s, identity, points, shop=shop, by=by))


def fails(tools: Tools, identity: str, reason: str, note: str, *, who: Who) -> BuiltUnitAnswer:
    """Raises what `built_units.fails` raises."""
    shop = tools.catalogue.current
    return _unit(tools, who, lambda s, by: built_units.fails(s, identity, reason, note, shop=shop, by=by))


def give_up(tools: Tools, identity: str, reason: str, note: str, *, who: Who) -> BuiltUnitAnswer:
    """Raises what `built_units.give_up` raises."""
    shop = tools.catalogue.current
    return _unit(tools, who, lambda s, by: built_units.give_up(s, identity, reason, note, shop=shop, by=by))


def put_in(tools: Tools, identity: str, bin_name: str, *, who: Who) -> BuiltUnitAnswer:
    """Raises what `built_units.put_in` raises."""
    return _unit(tools, who, lambda s, by: built_units.put_in(s, identity, bin_name, by=by)[0])


def cancel(tools: Tools, identity: str, if_match: str, why: str, *, who: Who) -> tuple[WorkOrderAnswer, str]:
    """The work order, and its ETag. Raises what `work_orders.cancel` raises."""

    def work(session: Session) -> tuple[WorkOrderAnswer, str]:
        order = work_orders.cancel(session, identity, if_match, why=why, by=tools.by(who))
        return work_order_answer(session, order), work_orders.etag_of(order)

    return tools.database.write(work)


def _unit(tools: Tools, who: Who, act: Callable[[Session, By], BuiltUnit]) -> BuiltUnitAnswer:
    def work(session: Session) -> BuiltUnitAnswer:
        unit = act(session, tools.by(who))
        order = find(session, unit.work_order_id)
        return built_unit_answer(unit, order.sku if order is not None else "")

    return tools.database.write(work)
