"""What is in a load: slots by turn, what is still to be burned, what was removed and must be cleared."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from sqlalchemy.orm import Session

from service.loads import load_rows as rows
from service.records.errors import BadRequest
from service.records.ids import JOB, LOT, number, public
from service.records.moves import write_history
from service.records.outgoing import wanted
from service.records.states import UNSTARTED_LOADS, LoadState
from service.records.tables import Load, LoadSlot, Outbox
from service.records.who import By

#: Files of further formats are built so long after a load was taken or changed: its units are fetched first.
_OTHER_FILES_AFTER = timedelta(seconds=20)


def is_unstarted(load: Load) -> bool:
    """Whether no burn of the load was ever started: only then may it be dropped or lapse."""
    return load.started_at is None and LoadState(load.state) in UNSTARTED_LOADS


def present(load: Load, turn: int | None = None) -> list[LoadSlot]:
    """Occupied slots, of one turn or of all."""
    return [s for s in load.slots if s.state != "removed" and turn in {None, s.turn}]


def pending(load: Load, turn: int | None = None) -> list[LoadSlot]:
    """Slots whose unit is still to be burned."""
    return [s for s in present(load, turn) if s.state in {"planned", "seated"}]


def uninspected_blades(load: Load) -> list[LoadSlot]:
    """Slots with a burned blade of a lot that nobody has looked at yet."""
    return [s for s in present(load) if s.lot_id is not None and s.state == "burned" and not s.removed_why]


def active_jobs(load: Load) -> list[int]:
    """Jobs that the load holds."""
    return [claim.job_id for claim in load.jobs if claim.active]


def to_clear(load: Load) -> list[LoadSlot]:
    """Slots of this turn and later ones whose unit must come out: they stay empty unless another unit is
    seated there instead."""
    return [
        s
        for s in load.slots
        if s.turn >= load.current_turn
        and (s.state == "removed" or (s.state == "planned" and s.removed_why is not None))
    ]


def job_of(load: Load, identity: str) -> int:
    """The number of a job that the load holds. Raises BadRequest, NotFound."""
    job_id = number(JOB, identity)
    if job_id not in active_jobs(load):
        raise BadRequest(f"{identity} is not in this load", field="jobs", job=identity)
    return job_id


def is_in_hand(load: Load, identity: str) -> bool:
    """Whether the unit of a job of this load is at the bench. Raises BadRequest, NotFound."""
    job_id = job_of(load, identity)
    return any(claim.job_id == job_id and claim.active and claim.fetched != "to_pull" for claim in load.jobs)


def lot_of(load: Load, identity: str) -> int:
    """The number of a lot that has blades in the load. Raises BadRequest, NotFound."""
    lot_id = number(LOT, identity)
    if not any(slot.lot_id == lot_id for slot in present(load)):
        raise BadRequest(f"{identity} is not in this load", field="lots", lot=identity)
    return lot_id


def raise_revision(session: Session, load: Load, *, by: By, why: str) -> None:
    """Record a change of contents: earlier files become stale, and new ones are asked for."""
    load.revision += 1
    session.flush()
    write_history(session, "load", load.id, "revised", by=by, why=why)
    session.add(files_wanted(load, by=by))


def files_wanted(load: Load, *, by: By) -> Outbox:
    """The row by which files are built that nobody has asked for by then. That of the format its station
    prefers is built at once for whoever has taken or changed the load: not at the same time twice."""
    return wanted("render_load", now=by.at, after=_OTHER_FILES_AFTER, load=load.id)


def remove_slots(session: Session, slots: Iterable[LoadSlot], *, why: str) -> None:
    """Mark slots as empty; burned ones stay on record."""
    for slot in slots:
        if slot.state != "burned":
            slot.state, slot.removed_why = "removed", why
    session.flush()


def remove_unit(session: Session, load: Load, job_id: int, *, why: str) -> None:
    """Take a job out of a load: its unburned slots of every turn, and the claim."""
    remove_slots(session, [s for s in load.slots if s.job_id == job_id], why=why)
    rows.end_claims(session, load.id, [job_id])
    session.refresh(load, ["jobs", "slots"])


def give_back_blades(
    session: Session, lot_id: int, count: int, *, what: str = "given_back", by: By, why: str
) -> None:
    """Put unburned blades of a lot back among those that wait; `what` stands in the lot's history."""
    lot = rows.lots(session, [lot_id])[lot_id]
    lot.loaded -= count
    lot.waiting += count
    lot.version += 1
    session.flush()
    write_history(session, "lot", lot_id, what, by=by, why=why)


def named(slot: LoadSlot) -> str:
    """The public identity of what sits in a slot."""
    return public(JOB, slot.job_id) if slot.job_id is not None else public(LOT, slot.lot_id or 0)
