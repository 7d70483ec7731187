"""What is done at packing, as both doors do it: one transaction, and the order as it is then."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.packing import scans
from service.packing.hand_over import hand_over as end
from service.packing.hand_over import take_back
from service.packing.packing_answers import PackingOrderAnswer, PackingScanAnswer, order_at_packing
from service.packing.pick_ups import PickUps
from service.records.who import Who
from service.shop.tools import Tools
from service.supplies import supplies


def scan(tools: Tools, code: str, *, is_open: str | None, who: Who) -> PackingScanAnswer:
    """Something was scanned. Raises what `scans.scan` raises."""

    def work(session: Session) -> PackingScanAnswer:
        return scans.scan(session, code, is_open=is_open, shop=tools.catalogue.current, by=tools.by(who))

    return tools.database.write(work)


def hand_over(tools: Tools, identity: str, *, who: Who) -> PackingOrderAnswer:
    """The carrier has the order. Raises what `hand_over.hand_over` raises."""

    def work(session: Session) -> PackingOrderAnswer:
        by = tools.by(who)
        shop = tools.catalogue.current
        order, is_new = end(session, identity, by=by)
        if is_new:
            supplies.use_for_order(session, shop, order, by=by)
        return order_at_packing(session, order, PickUps.of(shop, now=by.at))

    return tools.database.write(work)


def take_back_hand_over(tools: Tools, identity: str, *, who: Who) -> PackingOrderAnswer:
    """The order is still here. Raises what `hand_over.take_back` raises."""

    def work(session: Session) -> PackingOrderAnswer:
        by = tools.by(who)
        shop = tools.catalogue.current
        order, is_new = take_back(session, identity, shop=shop, by=by)
        if is_new:
            supplies.give_back(session, shop, order, by=by)
        return order_at_packing(session, order, PickUps.of(shop, now=by.at))

    return tools.database.write(work)
