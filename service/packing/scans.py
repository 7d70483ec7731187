"""What a scan at packing means: a unit's label on its box, the barcode of a box without one, a shelf's label,
the code of a packing list.

Scanning the same thing again changes nothing, from whichever tablet; only a barcode, which is the same on
every box of its product, counts one unit more. While an order is open on a tablet, only its own things are
taken there.
"""

from __future__ import annotations

import re
from typing import Literal

from sqlalchemy.orm import Session

from layout.shop.blades import Product
from layout.shop.shop import Shop
from service.loads.load_rows import unreleased_jobs
from service.packing import packing_rows as rows
from service.packing.packing_answers import PackingScanAnswer, order_at_packing
from service.packing.pick_ups import PickUps
from service.records.announcements import tell_order
from service.records.errors import NotFound, WrongBox, WrongShelf
from service.records.ids import BIN, JOB, LOAD, ORDER, PLATE, SHELF, number, public, shown
from service.records.moves import move_job, write_history
from service.records.states import GONE_JOBS, JobState
from service.records.tables import Job, Order
from service.records.who import By
from service.stock import reservations

_NUMBERED = re.compile(rf"({JOB}|{LOAD}|{ORDER})\d{{1,18}}", re.ASCII)


def scan(session: Session, typed: str, *, is_open: str | None, shop: Shop, by: By) -> PackingScanAnswer:
    """Do what a scan asks for. `is_open` is the order that the tablet has open, by its identity.

    Raises WrongBox, WrongShelf, NotFound for an open order that is not there.
    """
    what: Literal["gathered", "gathered_before", "fetched", "shelf", "order"]
    job: str | None = None
    code = typed.strip()
    opened = None if is_open is None else found(session, is_open)
    numbered = _NUMBERED.fullmatch(code.upper())
    kind = numbered[1] if numbered is not None else ""
    if kind == JOB:
        job = code.upper()
        what, order = _box(session, job, opened, shop=shop, by=by)
    elif kind == ORDER:
        what, order = "order", _list(session, code.upper(), opened)
    elif code.upper().startswith(SHELF):
        what, order = "shelf", _shelf(session, code[len(SHELF) :], opened, shop=shop, by=by)
    elif (product := shop.product_of(code)) is not None:
        what, (job, order) = "fetched", _product(session, product, opened, shop=shop, by=by)
    elif not code:
        raise WrongBox("nothing was read; scan again", scanned=code)
    elif kind or code.upper().startswith((BIN, PLATE)):
        raise WrongBox(
            f"{shown(code)} belongs elsewhere; boxes, shelves and packing lists are scanned here",
            scanned=code,
        )
    else:
        raise WrongBox(f"{shown(code)} is not a box, a shelf or a packing list of this shop", scanned=code)
    return PackingScanAnswer(
        what=what,
        job=job,
        order=order_at_packing(session, order, PickUps.of(shop, now=by.at)),
    )


def found(session: Session, identity: str) -> Order:
    """The order whole. Raises NotFound."""
    order = rows.find(session, number(ORDER, identity))
    if order is None:
        raise NotFound("there is no such order", id=identity)
    return order


def _box(
    session: Session, code: str, opened: Order | None, *, shop: Shop, by: By
) -> tuple[Literal["gathered", "gathered_before"], Order]:
    """A box has come, the first time or once more."""
    of_box = rows.order_of(session, number(JOB, code))
    if of_box is None:
        raise WrongBox(f"wrong box: there is no unit {code}", scanned=code)
    if opened is not None and opened.id != of_box.id:
        raise WrongBox(
            f"wrong box: {code} is for order {of_box.order_ref}; order {opened.order_ref} is open here",
            scanned=code,
        )
    order = rows.lock(session, of_box.id)
    job = next(job for line in order.lines for job in line.jobs if public(JOB, job.id) == code)
    _must_be_packing_s(session, order, job)
    is_new = rows.note_gathered(session, job, at=by.at)
    if is_new:
        write_history(session, "job", job.id, "gathered", move_from=job.state, by=by)
    if order.shelf is None and len(order.units) > 1:
        propose_shelf(session, order, shop=shop, by=by)
    session.flush()
    return "gathered" if is_new else "gathered_before", order


def _product(
    session: Session, product: Product, opened: Order | None, *, shop: Shop, by: By
) -> tuple[str, Order]:
    """A box of a product was fetched from its bin, for the open order or the one that leaves first. It bears
    no label of a unit: every scan counts one more."""
    wanting = rows.order_wanting(session, product.sku, order_id=opened.id if opened is not None else None)
    order = rows.lock(session, wanting.id) if wanting is not None else None
    units = order.units if order is not None else []
    job = next((j for j in units if j.is_plain and j.sku == product.sku and j.bin is not None), None)
    if order is None or job is None:
        where = f" in order {opened.order_ref}" if opened is not None else ""
        raise WrongBox(
            f"wrong box: no {product.name} without engraving is wanted{where}", scanned=product.sku
        )
    why = f"fetched from {job.bin}"
    reservations.take_out(session, [job], by=by)
    move_job(session, job, JobState.RELEASED, by=by, why=why, unit_in_hand=False, gathered_at=by.at)
    write_history(session, "job", job.id, "gathered", move_from=job.state, by=by)
    if order.shelf is None and len(units) > 1:
        propose_shelf(session, order, shop=shop, by=by)
    if not unreleased_jobs(session, [order.id]):
        tell_order(session, "order.released", order, now=by.at)
    session.flush()
    return public(JOB, job.id), order


def _must_be_packing_s(session: Session, order: Order, job: Job) -> None:
    """Raises WrongBox for a box that packing does not want now."""
    code, ref, state = public(JOB, job.id), order.order_ref, JobState(job.state)
    if order.handed_over_at is not None:
        why = f"order {ref} of {code} has been handed over; put it aside and tell the desk"
    elif state in GONE_JOBS:
        why = f"{code} of order {ref} was {state.value}; put it aside and tell the desk"
    elif state is not JobState.RELEASED:
        held = rows.holding(session, [job.id]).get(job.id)
        load = f"it belongs to {public(LOAD, held.load)} at {held.station}" if held else None
        why = f"{code} of order {ref} is not released yet; {load or 'take it to the bench'}"
    else:
        return
    raise WrongBox(f"wrong box: {why}", scanned=code, order=public(ORDER, order.id), state=job.state)


def propose_shelf(session: Session, order: Order, *, shop: Shop, by: By, first: str | None = None) -> None:
    """Give an order the first free shelf, `first` before all others; none, when the rack is full."""
    standing = rows.standing(session)
    shelves = sorted(shop.policy.shelves, key=lambda shelf: shelf != first)
    free = next((shelf for shelf in shelves if shelf not in standing), None)
    if free is not None:
        _put_on(session, order, free, by=by)


def _put_on(session: Session, order: Order, shelf: str, *, by: By) -> None:
    order.shelf, order.version = shelf, order.version + 1
    write_history(session, "order", order.id, "on_shelf", by=by, why=shelf)


def _shelf(session: Session, name: str, opened: Order | None, *, shop: Shop, by: By) -> Order:
    """The open order stands on this shelf: where it was told to, or where there is room."""
    shelves = {shelf.casefold(): shelf for shelf in shop.policy.shelves}
    shelf = shelves.get(name.casefold())
    if shelf is None:
        raise WrongShelf(f"there is no shelf {shown(name)} in the packing rack", shelf=name)
    if opened is None:
        raise WrongShelf("scan a box first, then the shelf that it goes on", shelf=shelf)
    order = rows.lock(session, opened.id)
    if order.handed_over_at is not None:
        raise WrongShelf(f"order {order.order_ref} has been handed over", shelf=shelf)
    other = rows.standing(session).get(shelf)
    if other is not None and other[0] != order.id:
        raise WrongShelf(f"shelf {shelf} is taken: order {other[1]} stands there", shelf=shelf)
    if order.shelf != shelf:
        _put_on(session, order, shelf, by=by)
        session.flush()
    return order


def _list(session: Session, code: str, opened: Order | None) -> Order:
    """The order of a packing list; the open one, where one is open."""
    order = rows.find(session, number(ORDER, code))
    if order is None:
        raise WrongBox(f"there is no order {code}", scanned=code)
    if opened is not None and opened.id != order.id:
        raise WrongBox(
            f"this is the packing list of order {order.order_ref}; order {opened.order_ref} is open here",
            scanned=code,
        )
    return order
