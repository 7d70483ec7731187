"""What stores should have been told and were not; versions and rows that are gone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from sqlalchemy import exists, func, literal, not_, select, text, true
from sqlalchemy.orm import Session

from service.audit.damage_rows import BATCH, ENDED, Found, J, every
from service.records.outgoing import TOLD
from service.records.tables import (
    Callback,
    CatalogueVersion,
    Delivery,
    Event,
    History,
    Job,
    Load,
    Order,
    OrderLine,
    Remake,
)


def not_told(session: Session) -> Iterator[Found]:
    """Something happened that a store is told of, and no event says so."""
    told: dict[str, set[str]] = {}
    for kind, data in session.execute(
        select(Event.type, Event.data).where(Event.type.in_(TOLD)).execution_options(yield_per=BATCH)
    ):
        told.setdefault(kind, set()).add(str(data.get("job") or data.get("order")))
    taken = told.get("order.accepted", set()) | told.get("order.held", set())
    for order_id in session.scalars(select(Order.id)):
        if f"O{order_id}" not in taken:
            yield {"what": f"order O{order_id} was taken", "event": "order.accepted"}
    query = select(Job.id, Job.state, Job.faces, Job.faces_done)
    for job_id, state, faces, done in session.execute(query.execution_options(yield_per=BATCH)):
        is_whole = faces and set(faces) <= set(done) and state in (J.PASSED.value, J.RELEASED.value)
        if is_whole and f"J{job_id}" not in told.get("job.engraved", set()):
            yield {"what": f"unit J{job_id} was engraved", "event": "job.engraved"}
        if state == J.SCRAPPED.value and f"J{job_id}" not in told.get("job.scrapped", set()):
            yield {"what": f"unit J{job_id} was scrapped", "event": "job.scrapped"}
    for job_id in session.scalars(select(Remake.job_id)):
        if f"J{job_id}" not in told.get("order.remade", set()):
            yield {"what": f"unit J{job_id} is made once more", "event": "order.remade"}
    yield from _orders_not_told_of(session, told)


def _orders_not_told_of(session: Session, told: Mapping[str, set[str]]) -> Iterator[Found]:
    counts = select(
        Job.order_id,
        func.count().filter(Job.state.not_in(ENDED)),
        func.count().filter(Job.state == J.RELEASED.value),
    ).group_by(Job.order_id)
    for what, said in (
        ("handed_over", "was handed over"),
        ("hand_over_taken_back", "was still at packing"),
    ):
        in_history = select(History.subject_id).where(History.subject == "order", History.move_to == what)
        for order_id in session.scalars(in_history.distinct()):
            if f"O{order_id}" not in told.get(f"order.{what}", set()):
                yield {"what": f"order O{order_id} {said}", "event": f"order.{what}"}
    for order_id, open_units, released in session.execute(counts):
        event = "order.released" if released else "order.cancelled"
        if not open_units and f"O{order_id}" not in told.get(event, set()):
            yield {"what": f"order O{order_id} ended", "event": event}


def not_on_its_way(session: Session) -> Iterator[Found]:
    """An event that a store is told of, without a delivery to a callback that it had then."""
    sent = exists().where(Delivery.event_id == Event.id, Delivery.callback_id == Callback.id)
    query = select(Event.id.label("event"), Event.type, Callback.id.label("callback")).join(
        Callback, Callback.client == Event.client
    )
    return every(
        session,
        query.where(
            Event.type.in_(TOLD),
            Callback.created_at < Event.at,
            Callback.disabled_at.is_(None),
            not_(sent),
        ),
    )


def versions_missing(session: Session) -> Iterator[Found]:
    """A load or line made with a description of the shop that is not on record."""
    for model, what in ((Load, "load L"), (OrderLine, "line ")):
        kept = exists().where(CatalogueVersion.version == model.catalogue_version)
        query = select(
            literal(what).label("what"), model.id.label("number"), model.catalogue_version.label("version")
        )
        yield from every(session, query.where(true(), not_(kept)))


def points_nowhere(session: Session) -> Iterator[Found]:
    """A row that names another which is not there. PostgreSQL makes that impossible by itself."""
    if session.get_bind().dialect.name == "sqlite":
        for table, row, parent, _ in session.execute(text("PRAGMA foreign_key_check")):
            yield {"table": table, "row": row, "parent": parent}
