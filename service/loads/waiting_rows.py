"""What waits, and taking it: nobody gets a job, a blade of a lot, or a plate copy twice."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any, TypeVar

from sqlalchemy import (
    Select,
    Text,
    and_,
    bindparam,
    cast,
    literal_column,
    or_,
    select,
    text,
    union_all,
    update,
)
from sqlalchemy.orm import Session

from service.loads.load_rows import IS_ACTIVE
from service.records.among import among
from service.records.db import OWN_KEY, forget_oldest, lock_key, remembered, send
from service.records.states import JobState, LotState
from service.records.tables import FrozenMark, Job, Load, Lot, OrderLine

# Until the transaction ends.
_LOCK = text(f"SELECT pg_advisory_xact_lock({OWN_KEY})")
# One statement for what takes three with a savepoint around it.
_TURN_KEY = OWN_KEY.replace(":key", str(lock_key("choosing", "")))
_TAKE_TURN = f"""DO $$ BEGIN PERFORM pg_advisory_xact_lock({_TURN_KEY});
EXCEPTION WHEN lock_not_available OR deadlock_detected THEN NULL; END $$"""
#: Lists of places that are kept read: a shop has one for each product, zone and font's size or so.
_LISTS_KEPT = 256
#: Wordings whose places and surfaces are kept: less than a kilobyte each.
_WORDINGS_KEPT = 20_000

Wording = tuple[int, int]  # a line, and which revision of its words

T = TypeVar("T")


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

    @property
    def wording(self) -> Wording:
        """Which words are to be burned on it."""
        return self.line_id, self.words_revision


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
#: The state is written out as in the index `ix_job_queue`, for the reason that `load_rows` has.
_READY = (
    Job.state == literal_column(f"'{JobState.READY.value}'"),
    or_(Job.bin.is_not(None), Job.unit_in_hand),
)


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
    given = {"most": limit, "but": sorted(but)} if but else {"most": limit}
    return [waiting_of(row) for row in send(session, statement, given)]


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


_READY_AMONG = select(*WAITING).where(among(Job.id, "jobs"), *_READY).order_by(Job.id)


def ready_among(session: Session, job_ids: Collection[int]) -> list[Waiting]:
    """The ready ones of those jobs, with a unit reserved or in hand."""
    return [waiting_of(row) for row in send(session, _READY_AMONG, {"jobs": job_ids})]


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


def eligible(session: Session, jobs: Iterable[Waiting]) -> dict[Wording, Places]:
    """Frozen places of those jobs."""
    return _frozen(session, "places", {job.wording for job in jobs}, _read_places)


def surfaces(session: Session, jobs: Iterable[Waiting]) -> list[MarkSurface]:
    """Surfaces of all marks of those jobs."""
    found = _frozen(session, "surfaces", {job.wording for job in jobs}, _read_surfaces)
    return [mark for marks in found.values() for mark in marks]


def _frozen(
    session: Session,
    what: str,
    wordings: set[Wording],
    read: Callable[[Session, Collection[int]], Mapping[Wording, T]],
) -> dict[Wording, T]:
    """What was frozen with each wording, or with its line's present one where that has just taken its place.
    It never changes, so a process reads it once: whoever plans, or takes a load, asks of nearly the same jobs
    again and again. Not to be asked by a transaction that has changed words, which may be undone."""
    kept: dict[Wording, T] = remembered(session).setdefault(f"frozen {what}", {})
    found = {wording: value for wording in wordings if (value := kept.get(wording)) is not None}
    others = wordings - found.keys()
    if not others:
        return found
    read_now = read(session, {line for line, _ in others})
    kept.update(read_now)
    forget_oldest(kept, most=_WORDINGS_KEPT)
    of_line = {line: value for (line, _), value in read_now.items()}
    return found | {
        wording: read_now.get(wording, of_line[wording[0]]) for wording in others if wording[0] in of_line
    }


_ELIGIBLE = select(OrderLine.id, OrderLine.words_revision, cast(OrderLine.eligible, Text)).where(
    among(OrderLine.id, "lines")
)


def _read_places(session: Session, line_ids: Collection[int]) -> dict[Wording, Places]:
    rows = send(session, _ELIGIBLE, {"lines": line_ids})
    return {(line, words): _places(written) for line, words, written in rows}


@lru_cache(maxsize=_LISTS_KEPT)
def _places(written: str) -> Places:
    return Places.of(json.loads(written), written)


_SURFACES = (
    select(
        FrozenMark.id,
        FrozenMark.line_id,
        FrozenMark.words_revision,
        FrozenMark.face,
        FrozenMark.material,
        FrozenMark.finish,
        FrozenMark.digest,
    )
    .where(among(FrozenMark.line_id, "lines"))
    .order_by(FrozenMark.id)
)


def _read_surfaces(session: Session, line_ids: Collection[int]) -> dict[Wording, list[MarkSurface]]:
    marks: dict[Wording, list[MarkSurface]] = {}
    for row in send(session, _SURFACES, {"lines": line_ids}):
        mark = MarkSurface(*row)
        marks.setdefault((mark.line_id, mark.words_revision), []).append(mark)
    return marks


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


_OUTLINE_TEXTS = select(FrozenMark.id, cast(FrozenMark.outline, Text).label("text")).where(
    among(FrozenMark.id, "marks")
)


def outline_texts(session: Session, mark_ids: Collection[int]) -> dict[int, str]:
    """The same records as JSON text."""
    return {row.id: row.text for row in send(session, _OUTLINE_TEXTS, {"marks": mark_ids})}


_OPEN_LOTS = (
    select(Lot)
    .where(
        Lot.state == LotState.OPEN.value, Lot.waiting > 0, Lot.blade.in_(bindparam("blades", expanding=True))
    )
    .order_by(Lot.due, Lot.id)
    .execution_options(populate_existing=True)
)


def open_lots(session: Session, blades: Collection[str]) -> list[Lot]:
    """Lots with blades that wait, the earliest due first."""
    return list(session.scalars(_OPEN_LOTS, {"blades": sorted(blades)}))


@dataclass(frozen=True, slots=True)
class Locked:
    """A ready job that a transaction has locked: where its unit is, and the seconds of each of its faces by
    the catalogue's figures."""

    unit_in_hand: bool
    seconds: float


_LOCK_READY = (
    select(Job.id, Job.unit_in_hand, Job.faces, OrderLine.burn_seconds)
    .join(OrderLine, OrderLine.id == Job.line_id)
    .where(among(Job.id, "jobs"), Job.state == JobState.READY.value)
    .order_by(Job.id)
    .with_for_update(of=Job, skip_locked=True)
)


def lock_ready(session: Session, job_ids: Collection[int]) -> dict[int, Locked]:
    """The ready ones of those jobs that nobody else is taking now, locked until the transaction ends."""
    return {
        job_id: Locked(in_hand, (seconds or 0.0) / max(1, len(faces)))
        for job_id, in_hand, faces, seconds in send(session, _LOCK_READY, {"jobs": job_ids})
    }


_TAKE = (
    update(Job.__table__)  # type: ignore[arg-type]
    .where(among(Job.id, "jobs"), Job.state == JobState.READY.value)
    .values(state=JobState.LOADED.value, version=Job.version + 1)
)


def take(session: Session, job_ids: Collection[int]) -> int:
    """Move ready jobs that this transaction has locked to loaded; how many. On SQLite it is the only one that
    writes."""
    return send(session, _TAKE, {"jobs": job_ids}).rowcount


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


def take_turns(session: Session) -> None:
    """Let one claim at a time choose, in the order in which they came: two see the same head of the queue,
    take it from one another and look again. Who has waited for long goes on beside the others, because the
    one who is choosing may have stopped; that nobody takes a thing twice does not hang on it."""
    if session.get_bind().dialect.name == "postgresql":
        session.connection().exec_driver_sql(_TAKE_TURN)


_HELD = select(Load.id).where(Load.copy == bindparam("copy"), IS_ACTIVE).exists()
_TRY_COPY = select(text(f"pg_try_advisory_xact_lock({OWN_KEY})"), ~_HELD)


def try_copy(session: Session, copy: str) -> bool:
    """Whether this transaction is the only one that claims the copy now, and no load has got it since it was
    seen to be free; never waits. On SQLite nobody else writes."""
    if session.get_bind().dialect.name != "postgresql":
        return True
    return all(send(session, _TRY_COPY, {"key": lock_key("copy", copy), "copy": copy}).one())
