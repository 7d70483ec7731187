"""Burns that no act of the service leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import and_, exists, func, not_, or_, select
from sqlalchemy.orm import Session, aliased

from service.audit.damage_rows import BATCH, ENDED, ON_METAL, Found, J, every
from service.records.states import (
    LoadState,
)
from service.records.tables import (
    BurnStart,
    History,
    Job,
    Load,
    LoadSlot,
    TurnFile,
)


def burned_again(session: Session) -> Iterator[Found]:
    """A face that was on the metal, or may be, and was burned again for no reason that anybody gave."""
    first, again = aliased(BurnStart), aliased(BurnStart)
    query = select(again.job_id.label("job"), again.face, first.load_id.label("first"), again.load_id)
    is_earlier = and_(first.job_id == again.job_id, first.face == again.face, first.id < again.id)
    return every(
        session,
        query.join(first, is_earlier).where(
            again.why.is_(None), or_(first.outcome.is_(None), first.outcome != "clean")
        ),
    )


def burned_after_its_end(session: Session) -> Iterator[Found]:
    """A unit that was released, scrapped or cancelled, and burned after that.

    Times alone don't tell where a clock was set back between the two: a start that was written down before
    the end came before it.
    """
    query = select(BurnStart.job_id.label("job"), History.move_to.label("end"), BurnStart.load_id)
    ended = and_(History.subject == "job", History.subject_id == BurnStart.job_id, History.move_to.in_(ENDED))
    start = aliased(History)
    is_written_before = exists().where(
        start.subject == "load",
        start.subject_id == BurnStart.load_id,
        start.move_to == LoadState.BURNING.value,
        start.at == BurnStart.started_at,
        start.id < History.id,
    )
    return every(
        session,
        query.join(History, ended).where(BurnStart.started_at > History.at, not_(is_written_before)),
    )


def started_without_file(session: Session) -> Iterator[Found]:
    """A burn of a file that was never offered for this turn."""
    offered = exists().where(
        TurnFile.load_id == BurnStart.load_id,
        TurnFile.turn == BurnStart.turn,
        TurnFile.sha256 == BurnStart.file_sha256,
    )
    query = select(BurnStart.load_id, BurnStart.turn, BurnStart.slot).where(not_(offered))
    return every(session, query)


def started_elsewhere(session: Session) -> Iterator[Found]:
    """A burn of something that did not sit in that slot."""
    sat = exists().where(
        LoadSlot.load_id == BurnStart.load_id,
        LoadSlot.turn == BurnStart.turn,
        LoadSlot.slot == BurnStart.slot,
        LoadSlot.face == BurnStart.face,
        func.coalesce(LoadSlot.job_id, -1) == func.coalesce(BurnStart.job_id, -1),
        func.coalesce(LoadSlot.lot_id, -1) == func.coalesce(BurnStart.lot_id, -1),
    )
    return every(session, select(BurnStart.load_id, BurnStart.turn, BurnStart.slot).where(not_(sat)))


def burned_without_start(session: Session) -> Iterator[Found]:
    """A slot that counts as burned, without a burn that ended there."""
    burned = exists().where(
        BurnStart.load_id == LoadSlot.load_id,
        BurnStart.turn == LoadSlot.turn,
        BurnStart.slot == LoadSlot.slot,
        BurnStart.outcome.in_(ON_METAL),
    )
    query = select(LoadSlot.load_id, LoadSlot.turn, LoadSlot.slot)
    return every(session, query.where(LoadSlot.state == "burned", not_(burned)))


def faces_without_burn(session: Session) -> Iterator[Found]:
    """A face that counts as done, without a burn of it that is on the metal."""
    burned: dict[int, set[str]] = {}
    query = select(BurnStart.job_id, BurnStart.face).where(BurnStart.outcome.in_(ON_METAL))
    for job_id, face in session.execute(query.where(BurnStart.job_id.is_not(None))):
        burned.setdefault(job_id or 0, set()).add(face)
    for job_id, faces in session.execute(select(Job.id, Job.faces_done).execution_options(yield_per=BATCH)):
        for face in faces:
            if face not in burned.get(job_id, ()):
                yield {"job": job_id, "face": face}


def passed_unfinished(session: Session) -> Iterator[Found]:
    """A unit that passed, or was released, with a face to come."""
    query = select(Job.id, Job.state, Job.faces, Job.faces_done).where(
        Job.state.in_((J.PASSED.value, J.RELEASED.value))
    )
    for job_id, state, faces, done in session.execute(query.execution_options(yield_per=BATCH)):
        for face in faces:
            if face not in done:
                yield {"job": job_id, "state": state, "face": face}


def open_without_burning(session: Session) -> Iterator[Found]:
    """A burn without an end, in a load that neither burns nor was interrupted."""
    query = select(BurnStart.load_id, BurnStart.turn, BurnStart.slot, Load.state).join(
        Load, Load.id == BurnStart.load_id
    )
    under_way = (LoadState.BURNING.value, LoadState.INTERRUPTED.value)
    return every(session, query.where(BurnStart.finished_at.is_(None), Load.state.not_in(under_way)))


def burning_without_start(session: Session) -> Iterator[Found]:
    """A load that burns, without a burn that has no end."""
    under_way = exists().where(BurnStart.load_id == Load.id, BurnStart.finished_at.is_(None))
    return every(
        session,
        select(Load.id.label("load_id")).where(Load.state == LoadState.BURNING.value, not_(under_way)),
    )


def begun_is_untrue(session: Session) -> Iterator[Found]:
    """A load that counts as begun without a burn, or has burns and counts as not begun."""
    has_burns = exists().where(BurnStart.load_id == Load.id)
    query = select(Load.id.label("load_id"), Load.state)
    return every(
        session,
        query.where(
            or_(
                and_(Load.started_at.is_(None), has_burns),
                and_(Load.started_at.is_not(None), not_(has_burns)),
            )
        ),
    )
