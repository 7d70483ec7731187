"""Leases: who holds a load, and how an unstarted one returns to the queue. Every write at the bench goes
through `held`.

Renewing keeps a load, dropping gives it back, silence lets it lapse. A started load never returns by itself:
a burn that went silent is interrupted, and its jobs are doubtful until a person says what is on the metal.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.loads import contents
from service.loads import load_rows as rows
from service.loads import meter_rows as meters
from service.records.clock import APART
from service.records.errors import LeaseLost, MoveNotAllowed, NotFound, StaleVersion
from service.records.ids import LOAD, public
from service.records.moves import move_jobs, move_load
from service.records.states import ACTIVE_LOADS, JobState, LoadState
from service.records.tables import Load
from service.records.who import SWEEP, By

#: A burn is silent when it takes this many times its estimate, and a lease on top.
_SLOWEST = 2.0
_ETAG = re.compile(r'^"(\d{1,18})\.(\d{1,18})"$', re.ASCII)


@dataclass(frozen=True, slots=True)
class Lapsed:
    """Loads given back, and loads found interrupted."""

    dropped: tuple[int, ...]
    interrupted: tuple[int, ...]


def etag_of(load: Load) -> str:
    """Fence and revision, quoted; nobody can change a load with an older one."""
    return f'"{load.fence}.{load.revision}"'


def held(session: Session, load_id: int, if_match: str, *, now: datetime) -> Load:
    """The load, locked, if the caller's ETag still names the current grant and contents.

    Raises NotFound; LeaseLost when it was granted anew, came back or its lease is over; StaleVersion when its
    contents have changed.
    """
    load = rows.lock(session, load_id)
    if load is None:
        raise NotFound("no such load", id=public(LOAD, load_id))
    named = _ETAG.match(if_match)
    if named is None:
        raise StaleVersion("If-Match must be the load's ETag, fence and revision", etag=etag_of(load))
    if int(named[1]) != load.fence:
        raise LeaseLost(
            "this load has been granted anew or came back since you last saw it", etag=etag_of(load)
        )
    if int(named[2]) != load.revision:
        why = rows.last_revision_why(session, load.id)
        raise StaleVersion(
            f"what is in this load has changed since you last saw it: {why}", etag=etag_of(load)
        )
    if contents.is_unstarted(load) and load.lease_until < now:
        raise LeaseLost("the lease of this load is over", lease_until=load.lease_until.isoformat())
    return load


def must_be(load: Load, *states: LoadState, to: str) -> None:
    """Raises MoveNotAllowed when the load is in none of the states."""
    if LoadState(load.state) not in states:
        raise MoveNotAllowed(
            f"{public(LOAD, load.id)} is {load.state}; it can't be {to}", state=load.state, wanted=to
        )


def must_be_turn(load: Load, turn: int) -> None:
    """Raises MoveNotAllowed when the load is at another turn."""
    if load.current_turn != turn:
        raise MoveNotAllowed(
            f"{public(LOAD, load.id)} is at turn {load.current_turn}, not {turn}",
            current_turn=load.current_turn,
        )


def renew(session: Session, load: Load, *, lease: timedelta, now: datetime) -> None:
    """Extend the lease of a holder who is still there. Raises MoveNotAllowed for a load that is over."""
    if LoadState(load.state) not in ACTIVE_LOADS:
        raise MoveNotAllowed(f"{public(LOAD, load.id)} is {load.state}", state=load.state)
    load.lease_until = max(load.lease_until, now + lease)
    session.flush()


def drop(session: Session, load: Load, *, by: By, why: str = "given back") -> None:
    """Give everything back to the queue. Raises MoveNotAllowed when the load has started."""
    if not contents.is_unstarted(load):
        raise MoveNotAllowed(
            f"{public(LOAD, load.id)} is {load.state} and can't be given back any more", state=load.state
        )
    _empty(session, load, by=by, why=why)
    move_load(session, load, LoadState.DROPPED, by=by, why=why, fence=Load.fence + 1, ended_at=by.at)


def close_if_empty(session: Session, load: Load, *, by: By) -> None:
    """Drop an unstarted load with nothing left in it, so that its plate is free again."""
    if contents.is_unstarted(load) and not contents.present(load):
        move_load(
            session,
            load,
            LoadState.DROPPED,
            by=by,
            why="nothing left in it",
            fence=Load.fence + 1,
            ended_at=by.at,
        )


def while_burning(load: Load, lease: timedelta) -> timedelta:
    """How long a started turn may take before it counts as silent."""
    return lease + timedelta(seconds=_SLOWEST * load.burn_seconds)


def count_anew(session: Session, *, lease: timedelta, now: datetime) -> list[int]:
    """Let leases count from now that end later than any granted now: the clock has been set back since.
    Returns whose."""
    changed = []
    for load in rows.reaching_beyond(session, now + lease + APART):
        lasts = lease if contents.is_unstarted(load) else while_burning(load, lease)
        if load.lease_until > now + lasts + APART:
            load.lease_until = now + lasts
            changed.append(load.id)
    session.flush()
    return changed


def lapse(session: Session, now: datetime) -> Lapsed:
    """Give back unstarted loads whose lease is over; mark silent burns interrupted, their jobs doubtful.

    Safe to run at any time in any process: rows that others have locked are left for the next sweep.
    """
    by, dropped, interrupted = By(SWEEP, now), [], []
    for load_id in rows.silent(session, now=now):
        load = rows.lock(session, load_id)
        if load is None:
            continue
        if contents.is_unstarted(load):
            drop(session, load, by=by, why="the lease is over")
            dropped.append(load.id)
        else:
            interrupt(session, load, by=by, why="started and went silent")
            interrupted.append(load.id)
    return Lapsed(tuple(dropped), tuple(interrupted))


def interrupt(session: Session, load: Load, *, by: By, why: str) -> None:
    """Mark a started turn that did not finish: its jobs are doubtful until a person looks at the metal."""
    move_load(session, load, LoadState.INTERRUPTED, by=by, why=why, fence=Load.fence + 1)
    starts = rows.open_starts(session, load.id)
    for began in {start.started_at for start in starts}:
        # Nobody knows when the beam went out: no later than the burn would have ended.
        burned_s = min((by.at - began).total_seconds(), load.burn_seconds)
        meters.count_burn(session, load.station, started_at=began, seconds=burned_s)
    open_jobs = [s.job_id for s in starts if s.job_id is not None]
    move_jobs(session, list(rows.jobs(session, open_jobs).values()), JobState.DOUBTFUL, by=by, why=why)


def _empty(session: Session, load: Load, *, by: By, why: str) -> None:
    job_ids = contents.active_jobs(load)
    blades: dict[int, int] = {}
    for slot in contents.present(load):
        if slot.lot_id is not None:
            blades[slot.lot_id] = blades.get(slot.lot_id, 0) + 1
    contents.remove_slots(session, contents.present(load), why="given_back")
    rows.end_claims(session, load.id, job_ids)
    held = list(rows.jobs(session, job_ids).values())
    move_jobs(session, held, JobState.READY, by=by, why=f"{public(LOAD, load.id)}: {why}")
    for lot_id, count in sorted(blades.items()):
        contents.give_back_blades(session, lot_id, count, by=by, why=f"{count} from {public(LOAD, load.id)}")
    session.refresh(load, ["jobs", "slots"])
