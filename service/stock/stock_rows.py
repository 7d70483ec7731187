"""Boxed units in bins: guarded updates, so that no unit is promised twice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import bindparam, func, or_, select, text, update
from sqlalchemy.orm import Session

from service.records.db import as_part, send
from service.records.moves import signature
from service.records.new_rows import Premise
from service.records.states import JobState, StockChange
from service.records.tables import Bin, BinChange, Job, Order, Stock
from service.records.who import By

# What every order asks for is built once: to build a statement takes longer than to send it.
_TABLE: Any = Stock.__table__
_STOCK = _TABLE.c
_FREE = (
    select(Stock.bin, Stock.boxed - Stock.reserved)
    .join(Bin, Bin.bin == Stock.bin)
    .where(Stock.sku == bindparam("of_sku"), Stock.boxed > Stock.reserved)
    .order_by(Bin.walking_order, Stock.bin)
)
_BOXED = _STOCK.boxed + bindparam("to_boxed")
_RESERVED = _STOCK.reserved + bindparam("to_reserved")
_CHANGE = (
    update(_TABLE)
    .where(
        _STOCK.bin == bindparam("of_bin"),
        _STOCK.sku == bindparam("of_sku"),
        _RESERVED >= 0,
        _BOXED >= _RESERVED,
    )
    .values(boxed=_BOXED, reserved=_RESERVED, version=_STOCK.version + 1)
)

_FIRST = _FREE.with_only_columns(Stock.bin).limit(1).correlate(None).scalar_subquery()
_RESERVE_IN_FIRST = (
    update(_TABLE)
    .where(_STOCK.sku == bindparam("of_sku"), _STOCK.bin == _FIRST, _STOCK.boxed >= _RESERVED)
    .values(reserved=_RESERVED, version=_STOCK.version + 1)
    .returning(_STOCK.bin)
)
_RESERVING, _RESERVING_VALUES = as_part(_RESERVE_IN_FIRST.where(text("(SELECT true FROM {behind})")))


def bins(session: Session) -> list[str]:
    """Every bin's name, in walking order."""
    return list(session.scalars(select(Bin.bin).order_by(Bin.walking_order, Bin.bin)))


def free_units(session: Session, sku: str) -> list[tuple[str, int]]:
    """Bins with units that nobody has reserved and how many, in walking order."""
    return [(row[0], row[1]) for row in send(session, _FREE, {"of_sku": sku})]


def reserve_in_first(session: Session, sku: str, units: int) -> str | None:
    """Reserve units in the first bin in walking order with a free one; gives the bin, or None where it has
    not as many, or there is none. The subselect is not looked at anew where somebody else was faster, but
    the counts are."""
    wanted = {"of_sku": sku, "to_reserved": units}
    return send(session, _RESERVE_IN_FIRST, wanted).scalar_one_or_none()


def reserving_in_first(sku: str, units: int, *, behind: str) -> Premise:
    """The same as a premise of rows that get its bin, behind the premise that is named."""
    query = _RESERVING.format(behind=behind)
    values = {**_RESERVING_VALUES, "of_sku": sku, "to_reserved": units}
    return Premise("units", query, values, fills=(Job, "bin"))


def change(session: Session, bin_name: str, sku: str, *, boxed: int = 0, reserved: int = 0) -> bool:
    """Add to the two counts of one bin; False when that would break them (reserved between 0 and boxed)."""
    added = {"of_bin": bin_name, "of_sku": sku, "to_boxed": boxed, "to_reserved": reserved}
    return bool(send(session, _CHANGE, added).rowcount == 1)


def note(
    session: Session, bin_name: str, sku: str, what: StockChange, units: int, *, by: By, **about: Any
) -> None:
    """Add a row to a bin's history, after the change itself: its row is locked until the end, so that rows
    of one count stand in the order of what happened."""
    boxed = _boxed(session, bin_name, sku)
    session.add(_noted(bin_name, sku, what, units, boxed=boxed, by=by, **about))
    session.flush()


def note_taken(session: Session, jobs: Sequence[Job], what: StockChange, *, by: By) -> None:
    """The same for the units of jobs that have been taken off the counts of the bins where they stood, one
    row each, in the jobs' order."""
    to_come = Counter((job.bin or "", job.sku) for job in jobs)
    boxed = {of_count: _boxed(session, *of_count) for of_count in to_come}
    for job in jobs:
        bin_name, sku = of_count = job.bin or "", job.sku
        to_come[of_count] -= 1
        left = boxed[of_count] + to_come[of_count]
        session.add(_noted(bin_name, sku, what, -1, boxed=left, by=by, job_id=job.id))
    session.flush()


def _noted(
    bin_name: str, sku: str, what: StockChange, units: int, *, boxed: int, by: By, **about: Any
) -> BinChange:
    return BinChange(
        bin=bin_name,
        sku=sku,
        what=what.value,
        units=units,
        boxed=boxed,
        who=signature(by),
        at=by.at,
        **about,
    )


def _boxed(session: Session, bin_name: str, sku: str) -> int:
    return session.execute(select(Stock.boxed).where(Stock.bin == bin_name, Stock.sku == sku)).scalar_one()


def available(session: Session, sku: str) -> int:
    """Units that are boxed and not reserved."""
    free = session.scalar(select(func.sum(Stock.boxed - Stock.reserved)).where(Stock.sku == sku))
    return int(free or 0)


def all_rows(session: Session) -> Sequence[tuple[Stock, int]]:
    """Every stock row with its bin's walking order, in that order."""
    rows = session.execute(
        select(Stock, Bin.walking_order)
        .join(Bin, Bin.bin == Stock.bin)
        .order_by(Bin.walking_order, Stock.bin, Stock.sku)
        .execution_options(populate_existing=True)
    )
    return [(row[0], row[1]) for row in rows]


def rows_like(session: Session, begin: str, *, limit: int) -> Sequence[tuple[Stock, int]]:
    """The first stock rows whose bin or product begins with that text, with their bins' walking order."""
    rows = session.execute(
        select(Stock, Bin.walking_order)
        .join(Bin, Bin.bin == Stock.bin)
        .where(
            or_(Stock.bin.startswith(begin, autoescape=True), Stock.sku.startswith(begin, autoescape=True))
        )
        .order_by(Bin.walking_order, Stock.bin, Stock.sku)
        .limit(limit)
    )
    return [(row[0], row[1]) for row in rows]


def bins_with(session: Session, sku: str) -> Sequence[Stock]:
    """Where boxed units of a product stand, in walking order."""
    return session.scalars(
        select(Stock)
        .join(Bin, Bin.bin == Stock.bin)
        .where(Stock.sku == sku, Stock.boxed > 0)
        .order_by(Bin.walking_order, Stock.bin)
    ).all()


def count_rows(session: Session) -> int:
    """How many stock rows there are."""
    return int(session.scalar(select(func.count()).select_from(Stock)) or 0)


def one_row(session: Session, bin_name: str, sku: str) -> Stock | None:
    """The row, locked: a count replaces what is in it, and nobody may take a unit out in between."""
    return session.get(Stock, (bin_name, sku), populate_existing=True, with_for_update=True)


def one_bin(session: Session, bin_name: str) -> Bin | None:
    return session.get(Bin, bin_name)


def short_jobs(session: Session, sku: str) -> list[Job]:
    """Jobs that wait for a unit of this product, the most urgent first, locked so that two servings at the
    same moment follow each other."""
    return list(
        session.scalars(
            select(Job)
            .where(Job.state == JobState.SHORT.value, Job.sku == sku)
            .order_by(Job.priority.desc(), Job.ship_by, Job.id)
            .with_for_update()
            .execution_options(populate_existing=True)
        )
    )


def short_skus(session: Session) -> list[str]:
    """Products for which jobs wait although a unit is free."""
    free = select(Stock.sku).where(Stock.boxed > Stock.reserved)
    waiting = select(Job.sku).where(Job.state == JobState.SHORT.value, Job.sku.in_(free))
    return list(session.scalars(waiting.distinct().order_by(Job.sku)))


def reserving_jobs(session: Session, bin_name: str, sku: str) -> list[Job]:
    """Ready jobs whose reserved unit stands in this bin, the least urgent first, locked against loads."""
    return list(
        session.scalars(
            select(Job)
            .where(Job.state == JobState.READY.value, Job.sku == sku, Job.bin == bin_name)
            .order_by(Job.priority, Job.ship_by.desc(), Job.id.desc())
            .with_for_update()
            .execution_options(populate_existing=True)
        )
    )


_TO_PUT_BACK = (Job.state == JobState.CANCELLED.value, Job.unit_in_hand)


@dataclass(frozen=True, slots=True)
class PutBack:
    """A unit in hand whose job was cancelled, and the bin that it came from."""

    job: int
    order_ref: str
    sku: str
    bin: str | None
    walking_order: int | None


def to_put_back(session: Session) -> list[PutBack]:
    """Units in hand whose job was cancelled, in walking order."""
    rows = session.execute(
        select(Job.id, Order.order_ref, Job.sku, Job.pulled_from, Bin.walking_order)
        .join(Order, Order.id == Job.order_id)
        .outerjoin(Bin, Bin.bin == Job.pulled_from)
        .where(*_TO_PUT_BACK)
        .order_by(Bin.walking_order, Job.pulled_from, Job.sku, Job.id)
    )
    return [PutBack(*row) for row in rows]


def job(session: Session, job_id: int) -> Job | None:
    return session.get(Job, job_id, populate_existing=True)


def end_put_back(session: Session, job_id: int) -> bool:
    """Record that the job no longer holds its unit; False when it holds none to be put back."""
    done = session.execute(
        update(Job)
        .where(Job.id == job_id, *_TO_PUT_BACK)
        .values(unit_in_hand=False, version=Job.version + 1),
        execution_options={"synchronize_session": False},
    )
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]
