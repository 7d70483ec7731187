"""Orders that packing has boxes of, the shelves they stand on, and the loads that hold what is to come."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import and_, func, or_, select, update
from sqlalchemy.orm import Session, selectinload

from service.records.states import JobState
from service.records.tables import Bin, History, Job, Load, LoadJob, Order, OrderLine, Remake

#: What the history of an order says of a hand-over that was a mistake.
TAKEN_BACK = "hand_over_taken_back"
_WHOLE = selectinload(Order.lines).selectinload(OrderLine.jobs)
#: A boxed unit on which nothing is engraved, still in its bin.
_TO_FETCH = (Job.state == JobState.READY.value, Job.blade == "", Job.bin.is_not(None))
_HAS_BOXES = (
    select(Job.id)
    .where(Job.order_id == Order.id, or_(Job.state == JobState.RELEASED.value, and_(*_TO_FETCH)))
    .exists()
)
_AT_PACKING = (Order.handed_over_at.is_(None), _HAS_BOXES)


def at_packing(session: Session, *, limit: int) -> list[Order]:
    """Orders that are not handed over, with a unit released or to be fetched, the soonest to be shipped
    first."""
    return list(
        session.scalars(
            select(Order).where(*_AT_PACKING).order_by(Order.ship_by, Order.id).limit(limit).options(_WHOLE)
        )
    )


def count_at_packing(session: Session) -> int:
    return session.scalar(select(func.count()).select_from(Order).where(*_AT_PACKING)) or 0


def find(session: Session, order_id: int) -> Order | None:
    """One order whole."""
    return session.scalars(select(Order).where(Order.id == order_id).options(_WHOLE)).one_or_none()


def lock(session: Session, order_id: int) -> Order:
    """An order that is there, whole, as it is now, its row locked: of two tablets with its boxes, one
    waits."""
    session.scalars(select(Order.id).where(Order.id == order_id).with_for_update()).one()
    return session.scalars(
        select(Order).where(Order.id == order_id).options(_WHOLE).execution_options(populate_existing=True)
    ).one()


def was_taken_back(session: Session, order_id: int) -> bool:
    """Whether a hand-over of the order was ever taken back."""
    taken_back = select(History.id).where(
        History.subject == "order", History.subject_id == order_id, History.move_to == TAKEN_BACK
    )
    return session.scalar(taken_back.limit(1)) is not None


def is_remade(session: Session, order_id: int) -> bool:
    """Whether a unit that left with the order is made once more, by an order of its own."""
    elsewhere = select(Remake.id).join(Job, Job.id == Remake.replacement_id)
    own = elsewhere.where(Remake.order_id == order_id, Job.order_id != order_id)
    return session.scalar(own.limit(1)) is not None


def order_of(session: Session, job_id: int) -> Order | None:
    """The order of a job; None where there is no such job."""
    return session.scalars(select(Order).join(Job, Job.order_id == Order.id).where(Job.id == job_id)).first()


def note_gathered(session: Session, job: Job, *, at: datetime) -> bool:
    """Record that packing has the box; False when it had it before, or the unit is not released."""
    done = session.execute(
        update(Job)
        .where(Job.id == job.id, Job.state == JobState.RELEASED.value, Job.gathered_at.is_(None))
        .values(gathered_at=at, version=Job.version + 1),
        execution_options={"synchronize_session": False},
    )
    session.refresh(job)
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class ToFetch:
    """Units of a product to be fetched from a bin for orders, on which nothing is engraved."""

    bin: str
    sku: str
    units: int


def to_fetch(session: Session) -> list[ToFetch]:
    """What packing fetches from the bins, in walking order."""
    rows = session.execute(
        select(Job.bin, Job.sku, func.count())
        .join(Bin, Bin.bin == Job.bin)
        .where(*_TO_FETCH)
        .group_by(Bin.walking_order, Job.bin, Job.sku)
        .order_by(Bin.walking_order, Job.bin, Job.sku)
    )
    return [ToFetch(place, sku, units) for place, sku, units in rows if place is not None]


def order_wanting(session: Session, sku: str, *, order_id: int | None) -> Order | None:
    """The order whose unit of a product is to be fetched next: that order, where one is named, or the soonest
    to be shipped; None where no such unit is wanted."""
    wanted = select(Order).join(Job, Job.order_id == Order.id).where(*_TO_FETCH, Job.sku == sku)
    if order_id is not None:
        wanted = wanted.where(Order.id == order_id)
    return session.scalars(wanted.order_by(Order.ship_by, Order.id).limit(1)).first()


def standing(session: Session) -> dict[str, tuple[int, str]]:
    """Shelves in use: by name the order that stands there, and its store's reference."""
    rows = session.execute(
        select(Order.shelf, Order.id, Order.order_ref).where(
            Order.shelf.is_not(None), Order.handed_over_at.is_(None)
        )
    )
    return {shelf: (order_id, order_ref) for shelf, order_id, order_ref in rows if shelf is not None}


@dataclass(frozen=True, slots=True)
class Holding:
    """The load that holds a unit, and where it is worked on."""

    load: int
    station: str
    state: str


def holding(session: Session, job_ids: Collection[int]) -> dict[int, Holding]:
    """By job, the load that holds it now."""
    rows = session.execute(
        select(LoadJob.job_id, Load.id, Load.station, Load.state)
        .join(Load, Load.id == LoadJob.load_id)
        .where(LoadJob.job_id.in_(sorted(job_ids)), LoadJob.active)
    )
    return {job_id: Holding(load_id, station, state) for job_id, load_id, station, state in rows}
