"""Work orders: so many units of a product, to be built by a time, their blades' house mark before that."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.blades import Product
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Shop
from service.assembly import work_order_rows as rows
from service.assembly.work_order_answers import work_order_answer
from service.intake import check as checks
from service.loads import lots
from service.records.errors import BadRequest, NotFound, StaleVersion
from service.records.ids import WORK_ORDER, number, public
from service.records.moves import move_unit, move_work_order, write_history
from service.records.states import ENDED_UNITS, UnitState, WorkOrderState
from service.records.tables import BuiltUnit, WorkOrder
from service.records.who import By, Who
from service.requests.idempotency import Answer, answer_once, created, fingerprint_of, key_of
from service.shop.tools import Tools

#: Units of one work order: each has a label and a row.
MOST = 500


@dataclass(frozen=True, slots=True)
class MarkWanted:
    """The house mark for the bare blades of a work order, as a lot of their own."""

    inscriptions: tuple[Inscription, ...]
    due: datetime


@dataclass(frozen=True, slots=True)
class WorkOrderWanted:
    """`seen` is how many units of the product the caller saw being built: asked for from the build plan, two
    people must not both fill the same gap. None: it does not matter."""

    sku: str
    quantity: int
    due: datetime
    mark: MarkWanted | None = None
    seen: int | None = None


def make(tools: Tools, wanted: WorkOrderWanted, idempotency_key: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/work-orders` once per key. The house mark is checked outside a transaction.

    Raises BadRequest, StaleVersion, and what `lots.open_lot` raises.
    """
    key = key_of(idempotency_key)
    shop = tools.catalogue.current

    def prepare() -> CheckResult | None:
        product = _product(shop, wanted.sku)
        if wanted.mark is None:
            return None
        if product.built_from is None:
            raise BadRequest(f"{product.name} names no bare blade that it is built from", field="mark")
        in_force = checks.in_force_now(tools)
        return tools.geometry.check(product.built_from, wanted.mark.inscriptions, in_force=in_force)

    def work(session: Session, result: CheckResult | None) -> Answer:
        order = _store(session, wanted, result, shop=shop, by=tools.by(who))
        at = f"/v1/work-orders/{public(WORK_ORDER, order.id)}"
        return created(work_order_answer(session, order), {"Location": at, "ETag": etag_of(order)})

    return answer_once(
        tools.database,
        tools.clock,
        client=who.client,
        route="POST /v1/work-orders",
        key=key,
        fingerprint=fingerprint_of(asdict(wanted)),
        prepare=prepare,
        work=work,
    )


def cancel(session: Session, identity: str, if_match: str, *, why: str, by: By) -> WorkOrder:
    """Build no more of a work order. Units that were inspected before go on to their bins, or are given up;
    the lot of its blades is cancelled by itself. Raises NotFound, StaleVersion, MoveNotAllowed."""
    order = locked(session, number(WORK_ORDER, identity))
    if if_match not in {"*", etag_of(order)}:
        raise StaleVersion("the work order has changed since you last saw it", etag=etag_of(order))
    move_work_order(session, order, WorkOrderState.CANCELLED, by=by, why=why)
    for unit in rows.units(session, order.id):
        if unit.state == UnitState.TO_BUILD.value:
            move_unit(session, unit, UnitState.CANCELLED, by=by)
    return order


def unit_moved(session: Session, order: WorkOrder, *, by: By) -> None:
    """A unit of a locked work order has moved: the order is done when it was the last."""
    rows.raise_version(session, order)
    units = rows.units(session, order.id)
    if order.state != WorkOrderState.OPEN.value:
        return
    if all(UnitState(unit.state) in ENDED_UNITS for unit in units):
        stocked = sum(unit.state == UnitState.STOCKED.value for unit in units)
        move_work_order(
            session, order, WorkOrderState.DONE, by=by, why=f"{stocked} of {order.quantity} boxed"
        )


def locked(session: Session, order_id: int) -> WorkOrder:
    """Raises NotFound."""
    order = rows.lock(session, order_id)
    if order is None:
        raise NotFound("there is no such work order", id=public(WORK_ORDER, order_id))
    return order


def etag_of(order: WorkOrder) -> str:
    return f'"{order.version}"'


def _product(shop: Shop, sku: str) -> Product:
    """Raises BadRequest for one that assembly does not build."""
    product = shop.products.get(sku)
    if product is None:
        raise BadRequest("there is no such product", field="sku")
    if shop.blades[product.blade].bare:
        raise BadRequest(f"{product.name} is a bare blade; its house mark is a lot's", field="sku")
    return product


def _store(
    session: Session, wanted: WorkOrderWanted, result: CheckResult | None, *, shop: Shop, by: By
) -> WorkOrder:
    product = _product(shop, wanted.sku)
    rows.lock_product(session, wanted.sku)
    if wanted.seen is not None and rows.being_built(session, wanted.sku) != wanted.seen:
        raise StaleVersion(
            "somebody else has had some of these built since you last saw the plan", sku=wanted.sku
        )
    lot = None
    if wanted.mark is not None and product.built_from is not None and result is not None:
        asked = lots.LotWanted(product.built_from, wanted.mark.inscriptions, wanted.quantity, wanted.mark.due)
        lot = lots.open_lot(session, asked, result, shop=shop, by=by)
    order = WorkOrder(
        sku=wanted.sku,
        blade=product.built_from,
        handle=product.handle_material or None,
        quantity=wanted.quantity,
        due=wanted.due,
        lot_id=lot.id if lot is not None else None,
        state=WorkOrderState.OPEN.value,
        created_at=by.at,
    )
    session.add(order)
    session.flush()
    write_history(session, "work", order.id, order.state, by=by, why=f"{order.quantity} units")
    made = [
        BuiltUnit(work_order_id=order.id, number=n, state=UnitState.TO_BUILD.value, moved_at=by.at)
        for n in range(1, order.quantity + 1)
    ]
    session.add_all(made)
    session.flush()
    for unit in made:
        write_history(session, "unit", unit.id, unit.state, by=by)
    session.flush()
    return order
