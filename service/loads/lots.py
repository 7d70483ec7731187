"""Lots: bare blades that get the house mark on their way to assembly. Counted, not numbered.

A lot of 200 blades is one row with four counts that always add up to 200: waiting, loaded, marked, scrapped.
Its blades fill slots that no urgent order needs.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.findings import Verdict
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Shop
from service.loads import contents, load_rows
from service.loads import load as loads
from service.loads import lot_rows as rows
from service.records.errors import BadRequest, MoveNotAllowed, NotFound, StaleVersion, Unengravable
from service.records.ids import LOT, number, public
from service.records.moves import move_lot, write_history
from service.records.states import LotState
from service.records.tables import FrozenMark, Lot
from service.records.who import By
from service.requests.check_answers import findings_answer
from service.requests.inscription_answers import inscription_answer


@dataclass(frozen=True, slots=True)
class LotWanted:
    sku: str
    inscriptions: tuple[Inscription, ...]
    quantity: int
    due: datetime


def open_lot(session: Session, wanted: LotWanted, result: CheckResult, *, shop: Shop, by: By) -> Lot:
    """Store a lot with its frozen outlines.

    Raises BadRequest for a product that is no bare blade or a mark on more than one face, Unengravable when
    the check did not accept it (nobody waits for a lot, so it is refused and not held).
    """
    product = shop.products.get(wanted.sku)
    if product is None or not shop.blades[product.blade].bare:
        raise BadRequest(f"{wanted.sku} is no bare blade; a lot is of bare blades", field="sku")
    if result.verdict is not Verdict.ACCEPT:
        raise Unengravable(
            "this lot can't be marked as asked; nothing was stored",
            findings=findings_answer(result.findings),
        )
    if len({mark.face for mark in result.marks}) != 1:
        raise BadRequest("a lot is marked on one face", field="inscriptions")
    lot = Lot(
        sku=wanted.sku,
        blade=product.blade,
        inscriptions=[
            inscription_answer(inscription).model_dump(mode="json") for inscription in wanted.inscriptions
        ],
        eligible=sorted([p.station, p.plate, p.slot, p.face] for p in result.eligible),
        quantity=wanted.quantity,
        due=wanted.due,
        state=LotState.OPEN.value,
        waiting=wanted.quantity,
        burn_seconds=result.burn_seconds,
        catalogue_version=shop.version,
        created_at=by.at,
    )
    session.add(lot)
    session.flush()
    for position, mark in enumerate(result.marks):
        session.add(FrozenMark.of(mark, position, lot_id=lot.id))
    write_history(
        session,
        "lot",
        lot.id,
        lot.state,
        by=by,
        why=f"{lot.quantity} blades",
    )
    session.flush()
    return lot


def inspected(session: Session, lot_id: int, *, passed: int, scrapped: int, load: str, by: By) -> None:
    """Count inspected blades; the lot is done when none is left."""
    lot = rows.lock(session, lot_id)
    if lot is None:
        raise NotFound("no such lot", id=public(LOT, lot_id))
    lot.loaded -= passed + scrapped
    lot.marked += passed
    lot.scrapped += scrapped
    lot.version += 1
    session.flush()
    write_history(
        session,
        "lot",
        lot.id,
        "inspected",
        by=by,
        why=f"{passed} pass, {scrapped} scrap in {load}",
    )
    close_if_done(session, lot, by=by)


def close_if_done(session: Session, lot: Lot, *, by: By) -> None:
    """Move the lot to done when no blade of it waits or is loaded."""
    if LotState(lot.state) is LotState.OPEN and lot.waiting == 0 and lot.loaded == 0:
        move_lot(session, lot, LotState.DONE, by=by, why=f"{lot.marked} marked, {lot.scrapped} scrapped")


def hand_over(session: Session, identity: str, if_match: str, *, by: By) -> Lot:
    """Give a finished lot to assembly, or what was marked of a cancelled one.

    Raises NotFound, StaleVersion, MoveNotAllowed.
    """
    lot = _as_seen(rows.lock(session, number(LOT, identity)), identity, if_match)
    if not may_be_handed_over(lot):
        raise MoveNotAllowed(
            f"{identity} is {lot.state}: {lot.waiting} waiting, {lot.loaded} loaded, {lot.marked} marked",
            state=lot.state,
        )
    move_lot(session, lot, LotState.HANDED_OVER, by=by, why=f"{lot.marked} blades to assembly")
    return lot


def may_be_handed_over(lot: Lot) -> bool:
    """Whether its blades can go to assembly: nothing of it is still to come back from the laser."""
    state = LotState(lot.state)
    return state is LotState.DONE or (state is LotState.CANCELLED and lot.loaded == 0 and lot.marked > 0)


def cancel(session: Session, identity: str, if_match: str, *, why: str, by: By) -> Lot:
    """Mark no more blades of a lot. Blades in unstarted loads are taken out; those burning now or marked
    already are still counted, and can be handed over.

    Raises NotFound, StaleVersion, MoveNotAllowed.
    """
    unlocked = _as_seen(rows.find(session, number(LOT, identity)), identity, if_match)
    # Loads are locked before lots, as everywhere; the blades that come back change the lot's version.
    for load_id in load_rows.unstarted_with_lot(session, unlocked.id):
        load = load_rows.lock(session, load_id)
        if load is not None and contents.is_unstarted(load):
            loads.take_out(session, load, [], [unlocked.id], why="cancelled", by=by)
    lot = rows.lock(session, unlocked.id)
    assert lot is not None
    move_lot(session, lot, LotState.CANCELLED, by=by, why=why)
    return lot


def _as_seen(lot: Lot | None, identity: str, if_match: str) -> Lot:
    if lot is None:
        raise NotFound("no such lot", id=identity)
    if if_match not in {"*", etag_of(lot)}:
        raise StaleVersion("the lot has changed since you last saw it", etag=etag_of(lot))
    return lot


def etag_of(lot: Lot) -> str:
    return f'"{lot.version}"'
