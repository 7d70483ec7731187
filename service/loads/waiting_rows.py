"""What waits, and taking it: nobody gets a job, a blade of a lot, or a plate copy twice."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Select, Text, and_, bindparam, cast, or_, select, text, union_all, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.records.db import OWN_KEY, is_busy, lock_key
from service.records.states import JobState, LotState
from service.records.tables import FrozenMark, Job, Lot, OrderLine

_CHOOSE_AT_ONCE = 2
# Until the transaction ends.
_LOCK = text(f"SELECT pg_advisory_xact_lock({OWN_KEY})")
_TRY_LOCK = text(f"SELECT pg_try_advisory_xact_lock({OWN_KEY})")
#: Lists of places that are kept read: a shop has one for each product, zone and font's size or so.
_LISTS_KEPT = 256


@dataclass(frozen=True, slots=True)
class Waiting:
    """What planning needs to know of a ready job."""

    id: int
    order_id: int
    line_id: int
    words_revision: int
    sku: str
    blade: str
    faces: tuple[str, ...]  # still to be engraved
    priority: int
    ship_by: datetime
    replaces: int | None


@dataclass(frozen=True, slots=True)
class Places:
    """Frozen places of a line, (station, plate, slot, face) each: as they are written, one by one, and those
    at a station without its name. Equal as they are written."""

    written: str
    all: tuple[tuple[str, str, str, str], ...] = field(compare=False)
    at: Mapping[str, frozenset[tuple[str, str, str]]] = field(compare=False)

    @staticmethod
    def of(listed: Iterable[Sequence[str]], written: str = "") -> Places:
        all_places = tuple((station, plate, slot, face) for station, plate, slot, face in listed)
        at: dict[str, set[tuple[str, str, str]]] = {}
        for station, *place in all_places:
            at.setdefault(station, set()).add((place[0], place[1], place[2]))
        return Places(written, all_places, {station: frozenset(places) for station, places in at.items()})


@dataclass(frozen=True, slots=True)
class MarkSurface:
    """Where a frozen mark lies and on what, without its outline."""

    id: int
    line_id: int
    words_revision: int
    face: str
    material: str
    finish: str
    digest: str  # of its outline


#: What `waiting_of` reads of a job.
WAITING = (
    Job.id,
    Job.order_id,
    Job.line_id,
    Job.words_revision,
    Job.sku,
    Job.blade,
    Job.faces,
    Job.faces_done,
    Job.priority,
    Job.ship_by,
    Job.replaces,
)
_READY = (Job.state == JobState.READY.value, or_(Job.bin.is_not(None), Job.unit_in_hand))


def ready_jobs(
    session: Session, blades: Collection[str], *, limit: int, but: Collection[int] = ()
) -> list[Waiting]:
    """The most urgent ready jobs of those blades in queue order, without those of `but`; their units are
    reserved or in hand.

    Each blade's own queue is read from its head (the index `ix_job_queue`) and the heads are merged, so the
    time does not depend on how many jobs wait.
    """
    if not blades:
        return []
    statement = _heads(tuple(sorted(blades)), is_part=bool(but))
    rows = session.execute(statement, {"most": limit, "but": sorted(but)} if but else {"most": limit})
    return [waiting_of(row) for row in rows]


@lru_cache(maxsize=64)
def _heads(blades: tuple[str, ...], *, is_part: bool) -> Select[Any]:
    """The statement, kept because putting it together takes as long as running it."""
    passed_over = [Job.id.not_in(bindparam("but", expanding=True))] if is_part else []
    most: Any = bindparam("most")
    queues = [
        select(*WAITING)
        .where(Job.blade == blade, *_READY, *passed_over)
        .order_by(Job.priority.desc(), Job.ship_by, Job.id)
        .limit(most)
        .subquery()
        for blade in blades
    ]
    heads = union_all(*(select(queue) for queue in queues)).subquery()
    return select(heads).order_by(heads.c.priority.desc(), heads.c.ship_by, heads.c.id).limit(most)


def ready_among(session: Session, job_ids: Collection[int]) -> list[Waiting]:
    """The ready ones of those jobs, with a unit reserved or in hand."""
    rows = session.execute(select(*WAITING).where(Job.id.in_(sorted(job_ids)), *_READY).order_by(Job.id))
    return [waiting_of(row) for row in rows]


def waiting_of(row: Any, *, whole: bool = False) -> Waiting:
    """A row of `WAITING`, or a job, as a value, with the faces still to be engraved, or with all of them."""
    return Waiting(
        id=row.id,
        order_id=row.order_id,
        line_id=row.line_id,
        words_revision=row.words_revision,
        sku=row.sku,
        blade=row.blade,
        faces=tuple(face for face in row.faces if whole or face not in row.faces_done),
        priority=row.priority,
        ship_by=row.ship_by,
        replaces=row.replaces,
    )


def eligible(session: Session, line_ids: Collection[int]) -> dict[int, Places]:
    """Frozen places by line, read once for all its units, and a list that many lines have once for all."""
    rows = session.execute(
        select(OrderLine.id, cast(OrderLine.eligible, Text)).where(OrderLine.id.in_(sorted(line_ids)))
    )
    return {line_id: _places(written) for line_id, written in rows}


@lru_cache(maxsize=_LISTS_KEPT)
def _places(written: str) -> Places:
    return Places.of(json.loads(written), written)


def surfaces(session: Session, line_ids: Collection[int]) -> list[MarkSurface]:
    """Surfaces of all marks of those lines."""
    rows = session.execute(
        select(
            FrozenMark.id,
            FrozenMark.line_id,
            FrozenMark.words_revision,
            FrozenMark.face,
            FrozenMark.material,
            FrozenMark.finish,
            FrozenMark.digest,
        )
        .where(FrozenMark.line_id.in_(sorted(line_ids)))
        .order_by(FrozenMark.id)
    )
    return [MarkSurface(*row) for row in rows]  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class ReadyOn:
    """A ready job with the surfaces (material, finish) that its remaining faces are to be burned on, and the
    stations that it may go to."""

    job: int
    surfaces: frozenset[tuple[str, str]]
    stations: frozenset[str]


def ready_on(
    session: Session, surfaces: Collection[tuple[str, str]], *, only: int | None = None
) -> list[ReadyOn]:
    """Ready jobs (or one) with a mark on one of those surfaces, all their surfaces named."""
    if not surfaces:
        return []
    mark = and_(FrozenMark.line_id == Job.line_id, FrozenMark.words_revision == Job.words_revision)
    listed = [
        and_(FrozenMark.material == material, FrozenMark.finish == finish)
        for material, finish in sorted(surfaces)
    ]
    ids = select(Job.id).join(FrozenMark, mark).where(Job.state == JobState.READY.value, or_(*listed))
    if only is not None:
        ids = ids.where(Job.id == only)
    rows = session.execute(
        select(
            Job.id,
            Job.faces_done,
            OrderLine.eligible,
            FrozenMark.face,
            FrozenMark.material,
            FrozenMark.finish,
        )
        .join(OrderLine, OrderLine.id == Job.line_id)
        .join(FrozenMark, mark)
        .where(Job.id.in_(ids))
        .order_by(Job.id)
    )
    jobs: dict[int, tuple[frozenset[str], set[tuple[str, str]]]] = {}
    for row in rows:
        stations = frozenset(station for station, *_ in row.eligible)
        _, left = jobs.setdefault(row.id, (stations, set()))
        if row.face not in row.faces_done:
            left.add((row.material, row.finish))
    return [ReadyOn(job, frozenset(left), stations) for job, (stations, left) in jobs.items()]


def outlines(session: Session, mark_ids: Collection[int]) -> dict[int, dict[str, object]]:
    """Records of outlines by mark."""
    rows = session.execute(
        select(FrozenMark.id, FrozenMark.outline).where(FrozenMark.id.in_(sorted(mark_ids)))
    )
    return {row.id: row.outline for row in rows}


def open_lots(session: Session, blades: Collection[str]) -> list[Lot]:
    """Lots with blades that wait, the earliest due first."""
    return list(
        session.scalars(
            select(Lot)
            .where(Lot.state == LotState.OPEN.value, Lot.waiting > 0, Lot.blade.in_(sorted(blades)))
            .order_by(Lot.due, Lot.id)
            .execution_options(populate_existing=True)
        )
    )


@dataclass(frozen=True, slots=True)
class Locked:
    """A ready job that a transaction has locked: where its unit is, and the seconds of each of its faces by
    the catalogue's figures."""

    unit_in_hand: bool
    seconds: float


def lock_ready(session: Session, job_ids: Collection[int]) -> dict[int, Locked]:
    """The ready ones of those jobs that nobody else is taking now, locked until the transaction ends."""
    rows = session.execute(
        select(Job.id, Job.unit_in_hand, Job.faces, OrderLine.burn_seconds)
        .join(OrderLine, OrderLine.id == Job.line_id)
        .where(Job.id.in_(sorted(job_ids)), Job.state == JobState.READY.value)
        .order_by(Job.id)
        .with_for_update(of=Job, skip_locked=True)
    )
    return {
        job_id: Locked(in_hand, (seconds or 0.0) / max(1, len(faces)))
        for job_id, in_hand, faces, seconds in rows
    }


def take(session: Session, job_ids: Sequence[int]) -> set[int]:
    """Move ready jobs to loaded; returns those moved. On SQLite the transaction is the only writer."""
    # MATERIALIZED: otherwise PostgreSQL may run the inner SELECT again for every row
    # (https://www.postgresql.org/message-id/flat/15715-3d9ee9e1a6ec0e12%40postgresql.org, BUG #15715).
    pick = (
        select(Job.id)
        .where(Job.id.in_(sorted(job_ids)), Job.state == JobState.READY.value)
        .order_by(Job.id)
        .with_for_update(skip_locked=True)
        .cte("pick")
        .prefix_with("MATERIALIZED", dialect="postgresql")
    )
    return set(
        session.scalars(
            update(Job)
            .where(Job.id == pick.c.id)
            .values(state=JobState.LOADED.value, version=Job.version + 1)
            .returning(Job.id),
            execution_options={"synchronize_session": False},
        )
    )


def take_blades(session: Session, lot_id: int, count: int) -> bool:
    """Move blades of an open lot from waiting to loaded, all of them or none."""
    done = session.execute(
        update(Lot)
        .where(Lot.id == lot_id, Lot.state == LotState.OPEN.value, Lot.waiting >= count)
        .values(waiting=Lot.waiting - count, loaded=Lot.loaded + count, version=Lot.version + 1),
        execution_options={"synchronize_session": False},
    )
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]


def lock_station(session: Session, station: str) -> None:
    """Let one claim at a time through for a station. SQLite has one writer anyway."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(_LOCK, {"key": lock_key("station", station)})


def take_turns(session: Session, station: str) -> None:
    """Let two claims at a time choose, in the order in which they came: more of them see the same head of the
    queue, take it from one another and look again. Who has waited for long goes on beside the others, because
    the one who is choosing may have stopped; that nobody takes a thing twice does not hang on it."""
    if session.get_bind().dialect.name != "postgresql":
        return
    key = lock_key("choosing", str(lock_key("station", station) % _CHOOSE_AT_ONCE))
    # Not had at once where somebody has it or waits for it.
    if session.scalar(_TRY_LOCK, {"key": key}):
        return
    try:
        with session.begin_nested():
            session.execute(_LOCK, {"key": key})
    except DBAPIError as error:
        if not is_busy(error):
            raise


def try_copy(session: Session, copy: str) -> bool:
    """Whether this transaction is the only one that claims the copy now; never waits."""
    if session.get_bind().dialect.name != "postgresql":
        return True
    return bool(session.scalar(_TRY_LOCK, {"key": lock_key("copy", copy)}))
