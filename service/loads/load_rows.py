"""Loads, their claims on jobs, their slots, starts and files."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, bindparam, func, literal_column, or_, select, update
from sqlalchemy.orm import Session, defer, selectinload

from service.records.among import among
from service.records.db import send
from service.records.states import ACTIVE_LOADS, ENDED_JOBS, UNSTARTED_LOADS, JobState, LoadState
from service.records.tables import (
    BurnStart,
    FrozenMark,
    History,
    Job,
    Load,
    LoadJob,
    LoadSlot,
    Lot,
    Order,
    OrderLine,
    TurnFile,
)

_WHOLE = (selectinload(Load.jobs), selectinload(Load.slots))


def _is_one_of(states: Collection[LoadState]) -> ColumnElement[bool]:
    """The states are written out as in the table's partial indexes: PostgreSQL can't go by one of those in a
    statement that it has prepared and is only told the states of later."""
    return Load.state.in_([literal_column(f"'{state.value}'") for state in sorted(states)])


IS_ACTIVE = _is_one_of(ACTIVE_LOADS)
#: A turn seated anew after another has burned is `seated` too, so the start on record decides.
UNSTARTED = (_is_one_of(UNSTARTED_LOADS), Load.started_at.is_(None))


def find(session: Session, load_id: int) -> Load | None:
    return session.scalars(select(Load).where(Load.id == load_id).options(*_WHOLE)).one_or_none()


def lock(session: Session, load_id: int) -> Load | None:
    """One load whole, as it is now, its row locked against others who would change it."""
    if session.scalars(select(Load.id).where(Load.id == load_id).with_for_update()).one_or_none() is None:
        return None
    return session.scalars(
        select(Load).where(Load.id == load_id).options(*_WHOLE).execution_options(populate_existing=True)
    ).one()


_PREPARING = (
    select(Load.id)
    .where(Load.station == bindparam("of_station"), *UNSTARTED)
    .order_by(Load.id)
    .with_for_update()
)


def preparing(session: Session, station: str) -> Load | None:
    """The load that a station has in preparation, locked."""
    load_id = send(session, _PREPARING, {"of_station": station}).scalars().first()
    return lock(session, load_id) if load_id is not None else None


def unstarted_with_lot(session: Session, lot_id: int) -> list[int]:
    """Loads that have not started and hold blades of a lot."""
    return list(
        session.scalars(
            select(Load.id)
            .join(LoadSlot, LoadSlot.load_id == Load.id)
            .where(LoadSlot.lot_id == lot_id, LoadSlot.state != "removed", *UNSTARTED)
            .distinct()
            .order_by(Load.id)
        )
    )


def burning(session: Session, station: str, *, but: int) -> Load | None:
    """Another load that burns at the station."""
    return session.scalars(
        select(Load).where(Load.station == station, Load.state == LoadState.BURNING.value, Load.id != but)
    ).first()


def on_copy(session: Session, station: str, copy: str) -> list[int]:
    """Active loads on a plate copy at a station."""
    return list(
        session.scalars(
            select(Load.id).where(Load.station == station, Load.copy == copy, IS_ACTIVE).order_by(Load.id)
        )
    )


def active_at(session: Session, station: str) -> list[int]:
    """Active loads at a station."""
    return list(session.scalars(select(Load.id).where(Load.station == station, IS_ACTIVE).order_by(Load.id)))


def file_of(session: Session, load_id: int, turn: int, sha256: str) -> TurnFile | None:
    """A file that was offered for a turn, at whichever revision; the newest with that digest."""
    return session.scalars(
        select(TurnFile)
        .where(TurnFile.load_id == load_id, TurnFile.turn == turn, TurnFile.sha256 == sha256)
        .order_by(TurnFile.id.desc())
        .limit(1)
    ).first()


_IN_USE = select(Load.copy).where(IS_ACTIVE)


def copies_in_use(session: Session) -> set[str]:
    """Plate copies that an active load holds."""
    return set(send(session, _IN_USE).scalars())


def reaching_beyond(session: Session, moment: datetime, *, limit: int = 100) -> Sequence[Load]:
    """Active loads whose lease ends after that moment, locked; those that others have locked are skipped."""
    return session.scalars(
        select(Load)
        .where(IS_ACTIVE, Load.lease_until > moment)
        .order_by(Load.id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    ).all()


_SILENT = (
    select(Load.id)
    .where(
        Load.lease_until < bindparam("now"),
        _is_one_of(UNSTARTED_LOADS | {LoadState.BURNING}),
        (Load.started_at.is_(None)) | (Load.state == LoadState.BURNING.value),
    )
    .order_by(Load.id)
    .limit(bindparam("most"))
    .with_for_update(skip_locked=True)
)


def silent(session: Session, *, now: datetime, limit: int = 100) -> list[int]:
    """Loads whose lease is over, unstarted or burning. Rows that others have locked are skipped."""
    return list(send(session, _SILENT, {"now": now, "most": limit}).scalars())


def boxed(session: Session, job_ids: Collection[int]) -> set[int]:
    """Those of the jobs whose units are in their boxes, labels on."""
    noted = select(History.subject_id).where(
        History.subject == "job", History.subject_id.in_(sorted(job_ids)), History.move_to == "boxed"
    )
    return set(session.scalars(noted))


def active_claim(session: Session, job_id: int) -> LoadJob | None:
    """The load's claim that holds a job now."""
    return session.scalars(select(LoadJob).where(LoadJob.job_id == job_id, LoadJob.active)).one_or_none()


def jobs(session: Session, job_ids: Iterable[int]) -> dict[int, Job]:
    """Jobs by number, as they are now, with their lines."""
    rows = session.scalars(
        select(Job)
        .where(Job.id.in_(sorted(set(job_ids))))
        .options(selectinload(Job.line).selectinload(OrderLine.order))
        .order_by(Job.id)
        .execution_options(populate_existing=True)
    )
    return {job.id: job for job in rows}


def lot(session: Session, lot_id: int) -> Lot:
    """One lot; raises NoResultFound where there is none."""
    return session.get_one(Lot, lot_id)


def lots(session: Session, lot_ids: Iterable[int]) -> dict[int, Lot]:
    """Lots by number, as they are now, their rows locked in a fixed order."""
    rows = session.scalars(
        select(Lot)
        .where(Lot.id.in_(sorted(set(lot_ids))))
        .order_by(Lot.id)
        .with_for_update()
        .execution_options(populate_existing=True)
    )
    return {lot.id: lot for lot in rows}


def line_marks(session: Session, line_ids: Collection[int], *, has_outlines: bool = True) -> list[FrozenMark]:
    """All frozen marks of those lines, every wording, in order of position; their outlines too, or whoever
    asks for one of them meets an error."""
    wanted = (
        select(FrozenMark)
        .where(FrozenMark.line_id.in_(sorted(line_ids)))
        .order_by(FrozenMark.line_id, FrozenMark.words_revision, FrozenMark.position)
    )
    if not has_outlines:
        wanted = wanted.options(defer(FrozenMark.outline, raiseload=True))
    return list(session.scalars(wanted))


def lot_marks(session: Session, lot_ids: Collection[int]) -> list[FrozenMark]:
    if not lot_ids:
        return []
    return list(
        session.scalars(
            select(FrozenMark)
            .where(FrozenMark.lot_id.in_(sorted(lot_ids)))
            .order_by(FrozenMark.lot_id, FrozenMark.position)
        )
    )


def starts(session: Session, job_ids: Collection[int]) -> list[BurnStart]:
    """Every start on record of those jobs, oldest first."""
    return list(
        session.scalars(select(BurnStart).where(BurnStart.job_id.in_(sorted(job_ids))).order_by(BurnStart.id))
    )


def open_starts(session: Session, load_id: int) -> list[BurnStart]:
    """Starts of a load whose outcome is not on record yet."""
    return list(
        session.scalars(
            select(BurnStart)
            .where(BurnStart.load_id == load_id, BurnStart.outcome.is_(None))
            .order_by(BurnStart.id)
            .execution_options(populate_existing=True)
        )
    )


_IN_DOUBT = select(
    or_(
        select(LoadJob.id)
        .join(Job, Job.id == LoadJob.job_id)
        .where(LoadJob.load_id == bindparam("load"), LoadJob.active, Job.state == JobState.DOUBTFUL.value)
        .exists(),
        select(BurnStart.id)
        .where(BurnStart.load_id == bindparam("load"), BurnStart.outcome.is_(None))
        .exists(),
    )
)


def is_in_doubt(session: Session, load_id: int) -> bool:
    """Whether nobody knows what is on the metal of a unit of the load."""
    return bool(send(session, _IN_DOUBT, {"load": load_id}).scalar_one())


_NOT_LOADED = (
    select(Job.id, Job.state)
    .where(among(Job.id, "jobs"), Job.state != JobState.LOADED.value)
    .order_by(Job.id)
    .limit(1)
)


def not_loaded(session: Session, job_ids: Collection[int]) -> tuple[int, str] | None:
    """The first of those jobs that is not loaded, and its state."""
    row = send(session, _NOT_LOADED, {"jobs": job_ids}).one_or_none()
    return None if row is None else (row[0], row[1])


_LAST_ATTEMPTS = (
    select(BurnStart.job_id, BurnStart.face, func.max(BurnStart.attempt))
    .where(among(BurnStart.job_id, "jobs"))
    .group_by(BurnStart.job_id, BurnStart.face)
)


def last_attempts(session: Session, job_ids: Collection[int]) -> Mapping[tuple[int, str], int]:
    """The highest attempt on record by job and face."""
    rows = send(session, _LAST_ATTEMPTS, {"jobs": job_ids})
    return {(job_id, face): attempt for job_id, face, attempt in rows if job_id is not None}


def last_reason(session: Session, job_id: int, move_to: str) -> str | None:
    """The reason in a job's last row of history with that move."""
    return session.scalars(
        select(History.why)
        .where(History.subject == "job", History.subject_id == job_id, History.move_to == move_to)
        .order_by(History.id.desc())
        .limit(1)
    ).first()


def last_revision_why(session: Session, load_id: int) -> str:
    """Why the contents of a load last changed."""
    why = session.scalars(
        select(History.why)
        .where(History.subject == "load", History.subject_id == load_id, History.move_to == "revised")
        .order_by(History.id.desc())
        .limit(1)
    ).first()
    return why or "it was read anew"


_MISFITS = (
    select(LoadSlot.job_id, Load.station, Load.plate, LoadSlot.slot)
    .join(Load, Load.id == LoadSlot.load_id)
    # Written out, as the index has it: `ix_load_slot_misfit`.
    .where(among(LoadSlot.job_id, "jobs"), LoadSlot.removed_why == literal_column("'does_not_fit'"))
)


def misfits(session: Session, job_ids: Collection[int]) -> list[tuple[int, str, str, str]]:
    """(job, station, plate, slot) where a unit was found not to fit."""
    return [tuple(row) for row in send(session, _MISFITS, {"jobs": job_ids})]


def replacements(session: Session, job_ids: Collection[int]) -> list[tuple[int, int]]:
    """(scrapped job, its replacement) of those jobs."""
    pairs = session.execute(select(Job.replaces, Job.id).where(Job.replaces.in_(sorted(job_ids))))
    return [(old, new) for old, new in pairs if old is not None]


def files(session: Session, load_id: int, *, revision: int) -> list[TurnFile]:
    """Files offered for a load at one revision."""
    return list(
        session.scalars(
            select(TurnFile)
            .where(TurnFile.load_id == load_id, TurnFile.revision == revision)
            .order_by(TurnFile.turn, TurnFile.id)
        )
    )


def processes_of(files: Iterable[TurnFile]) -> list[str]:
    """The processes that files burn with, by name; of files older than their recording, none."""
    return sorted({name for file in files for name in (file.process or "").split("+") if name})


_LOCK_ORDERS = select(Order.id).where(among(Order.id, "orders")).order_by(Order.id).with_for_update()
_UNRELEASED = (
    select(Job.order_id, func.count())
    .where(among(Job.order_id, "orders"), Job.state.not_in([state.value for state in ENDED_JOBS]))
    .group_by(Job.order_id)
)


def unreleased_jobs(session: Session, order_ids: Collection[int]) -> dict[int, int]:
    """By order, how many of its jobs are neither released, cancelled nor scrapped; none of those without any.

    The orders' rows are locked first, in a fixed order: of two loads that release an order's last units at
    the same moment, the second waits and sees what the first has done.
    """
    send(session, _LOCK_ORDERS, {"orders": order_ids})
    return {row[0]: row[1] for row in send(session, _UNRELEASED, {"orders": order_ids})}


def end_claims(session: Session, load_id: int, job_ids: Collection[int]) -> None:
    """The load no longer holds those jobs."""
    session.execute(
        update(LoadJob)
        .where(LoadJob.load_id == load_id, LoadJob.job_id.in_(sorted(job_ids)), LoadJob.active)
        .values(active=False)
        .execution_options(synchronize_session="fetch")
    )
