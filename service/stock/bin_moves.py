"""Boxes carried from one bin to another."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.records.errors import BadRequest, StockTooLow
from service.records.states import StockChange
from service.records.who import By
from service.stock import counting, reservations
from service.stock import stock_rows as rows


def move(session: Session, came_from: str, to: str, sku: str, units: int, *, by: By) -> tuple[str, str]:
    """Move boxes of a product between two bins, by their labels or names; returns the bins' names.

    Boxes that belong to nobody are moved first; of reserved ones those of ready jobs go along with their
    jobs. Those that a load is about to fetch stay where its operator looks for them.

    Raises WrongBox, NotFound, BadRequest, StockTooLow.
    """
    here, there = counting.bin_of(session, came_from), counting.bin_of(session, to)
    if here == there:
        raise BadRequest("these boxes stand in that bin already", field="to")
    # In one order for everybody, so that two people who swap bins wait for one another in turn.
    stock = {name: reservations.row_of(session, name, sku) for name in sorted((here, there))}
    free = stock[here].boxed - stock[here].reserved
    if units > stock[here].boxed:
        raise StockTooLow(f"bin {here} holds {stock[here].boxed} of {sku}, not {units}", bin=here, sku=sku)
    with_jobs = max(0, units - free)
    jobs = rows.reserving_jobs(session, here, sku)[:with_jobs]
    if len(jobs) < with_jobs:
        raise StockTooLow(
            f"only {free + len(jobs)} of {sku} can leave bin {here}; loads under way fetch the others there",
            bin=here,
            sku=sku,
        )
    rows.change(session, here, sku, boxed=-units, reserved=-with_jobs)
    rows.note(session, here, sku, StockChange.MOVED_OUT, -units, by=by, other_bin=there)
    reservations.put_in(session, there, sku, StockChange.MOVED_IN, by=by, units=units, other_bin=here)
    rows.change(session, there, sku, reserved=with_jobs)
    for job in jobs:
        job.bin = there
    session.flush()
    return here, there
