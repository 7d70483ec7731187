"""Supplies counted down by what leaves, and up by a tap.

What was never counted is not counted down: nobody knows what there was. A count never falls below nought;
where more is used than was counted, the next count by hand sets it right.
"""

from __future__ import annotations

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from layout.shop.upkeep import Supply
from service.records.errors import DatabaseBusy, NotFound
from service.records.moves import write_history
from service.records.tables import Load, Order, SupplyChange, SupplyLeft
from service.records.who import By, Who
from service.shop.tools import Tools
from service.supplies import supply_rows as rows
from service.supplies.supply_answers import SuppliesAnswer, SupplyAnswer, change_answer

_CHANGES_SHOWN = 20


def use_for_load(session: Session, shop: Shop, load: Load, *, units: int, by: By) -> None:
    """A load was released with so many units."""
    for one in _by_name(shop):
        _use(session, one, one.per_unit * units + one.per_load, by=by, load_id=load.id)


def use_for_order(session: Session, shop: Shop, order: Order, *, by: By) -> None:
    """An order was handed over."""
    for one in _by_name(shop):
        _use(session, one, one.per_order, by=by, order_id=order.id)


def give_back(session: Session, shop: Shop, order: Order, *, by: By) -> None:
    """A hand-over was taken back: what the order used is used when it is handed over again."""
    for one in _by_name(shop):
        row = rows.lock(session, one.supply) if one.per_order else None
        if row is not None:
            _write(session, row, "given_back", row.remaining + one.per_order, by=by, order_id=order.id)


def refill(tools: Tools, supply: str, *, pieces: int | None, seen: int | None, who: Who) -> SupplyAnswer:
    """Add so many pieces, a pack where none are named. Where people have said something of it since `seen`
    nothing is added. Raises NotFound, DatabaseBusy."""

    def work(session: Session) -> SupplyAnswer:
        one = _supply(tools.catalogue.current, supply)
        row = _row(session, one)
        if seen is None or row.said <= seen:
            added = one.pack if pieces is None else pieces
            _say(session, row, "refilled", row.remaining + added, by=tools.by(who))
        return answer(session, one)

    return tools.database.write(work)


def count(tools: Tools, supply: str, *, left: int, seen: int | None, who: Who) -> SupplyAnswer:
    """So many pieces are there. As `refill` otherwise."""

    def work(session: Session) -> SupplyAnswer:
        one = _supply(tools.catalogue.current, supply)
        row = _row(session, one)
        if seen is None or row.said <= seen:
            _say(session, row, "counted", left, by=tools.by(who))
        return answer(session, one)

    return tools.database.write(work)


def supplies(session: Session, shop: Shop) -> SuppliesAnswer:
    """All that the shop's description names."""
    return SuppliesAnswer(supplies=tuple(answer(session, one) for one in shop.policy.supplies))


def answer(session: Session, supply: Supply) -> SupplyAnswer:
    """One of them, with its last changes."""
    row = rows.left(session, supply.supply)
    return SupplyAnswer(
        supply=supply.supply,
        name=supply.name,
        left=row.remaining if row is not None else None,
        warn_below=supply.warn_below,
        is_low=row is not None and row.remaining <= supply.warn_below,
        pack=supply.pack,
        per_unit=supply.per_unit,
        per_load=supply.per_load,
        per_order=supply.per_order,
        said=row.said if row is not None else 0,
        changes=tuple(
            change_answer(one) for one in rows.changes(session, supply.supply, limit=_CHANGES_SHOWN)
        ),
    )


def _by_name(shop: Shop) -> list[Supply]:
    """In one order for everybody, so that no two wait for each other."""
    return sorted(shop.policy.supplies, key=lambda one: one.supply)


def _supply(shop: Shop, name: str) -> Supply:
    found = next((one for one in shop.policy.supplies if one.supply == name), None)
    if found is None:
        raise NotFound(f"there is no supply {name}", id=name)
    return found


def _row(session: Session, supply: Supply) -> SupplyLeft:
    row = rows.lock(session, supply.supply)
    if row is not None:
        return row
    row = SupplyLeft(supply=supply.supply, remaining=0)
    session.add(row)
    try:
        session.flush()
    except IntegrityError as error:
        raise DatabaseBusy("somebody else counted it at the same moment; try again") from error
    return row


def _use(
    session: Session,
    supply: Supply,
    pieces: int,
    *,
    by: By,
    load_id: int | None = None,
    order_id: int | None = None,
) -> None:
    row = rows.lock(session, supply.supply) if pieces else None
    if row is not None:
        remaining = max(0, row.remaining - pieces)
        _write(session, row, "used", remaining, by=by, load_id=load_id, order_id=order_id)


def _say(session: Session, row: SupplyLeft, what: str, remaining: int, *, by: By) -> None:
    row.said += 1
    change = _write(session, row, what, remaining, by=by)
    write_history(session, "supply", change.id, what, by=by, why=f"{row.supply}: {remaining}")
    session.flush()


def _write(
    session: Session,
    row: SupplyLeft,
    what: str,
    remaining: int,
    *,
    by: By,
    load_id: int | None = None,
    order_id: int | None = None,
) -> SupplyChange:
    change = SupplyChange(
        supply=row.supply,
        what=what,
        pieces=remaining - row.remaining,
        remaining=remaining,
        load_id=load_id,
        order_id=order_id,
        at=by.at,
        by=by.who.name[:100],
    )
    row.remaining = remaining
    session.add(change)
    session.flush()
    return change
