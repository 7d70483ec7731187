"""Inspection and release: pass, or scrap with a reason and a replacement that goes first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from sqlalchemy.orm import Session

from service.loads import contents, leases, progress, repeats
from service.loads import load_rows as rows
from service.loads import lots as lot_counts
from service.records.announcements import tell_orders, tell_unit
from service.records.errors import BadRequest, MoveNotAllowed
from service.records.ids import JOB, LOAD, public
from service.records.moves import move_job, move_jobs, move_load, write_history
from service.records.states import JobState, LoadState
from service.records.tables import Job, Load
from service.records.who import By
from service.stock import reservations as stock

#: Above every priority that an order can ask for.
REPLACEMENT_PRIORITY = 1_000


@dataclass(frozen=True, slots=True)
class Inspected:
    """What inspection found of one unit; scrap needs a reason."""

    result: Literal["pass", "scrap"]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class BladesInspected:
    """How many blades of a lot passed inspection, and how many are scrap."""

    passed: int
    scrapped: int


def inspect(
    session: Session,
    load: Load,
    jobs: Mapping[str, Inspected],
    lots: Mapping[str, BladesInspected],
    *,
    by: By,
) -> None:
    """Record what inspection found. A report may be partial.

    A unit with a face left goes back to the queue, in hand; also between turns, when its next turn can't be
    burned here. Scrap needs a reason, and makes a replacement job that goes before everything else; a unit
    may be scrapped as soon as something is on its metal. What passed may still be scrapped until it is
    released.

    Raises BadRequest, and MoveNotAllowed for a job that is not at inspection.
    """
    states = [LoadState.BURNED, LoadState.TURNING, LoadState.INTERRUPTED]
    if load.started_at is not None:
        states.append(LoadState.SEATED)  # a later turn, or a repeat, that has not been started
    leases.must_be(load, *states, to="inspected")
    shortened = False
    ids = {identity: contents.job_of(load, identity) for identity in sorted(jobs)}
    inspected = rows.jobs(session, ids.values())
    # What passed is moved together as far as it is named together: history keeps to the order of the report.
    for result, some in groupby(ids.items(), key=lambda named: jobs[named[0]].result):
        if result == "pass":
            shortened |= _pass(session, load, [inspected[job_id] for _, job_id in some], by=by)
            continue
        for identity, job_id in some:
            shortened |= _scrap(session, load, inspected[job_id], jobs[identity].reason, by=by)
    for identity, counts in sorted(lots.items()):
        _inspect_blades(session, load, identity, counts, by=by)
    if shortened:
        contents.raise_revision(session, load, by=by, why="out before its last turn")
    progress.move_on(session, load, by=by, why="inspected")


def release(session: Session, load: Load, *, by: By) -> None:
    """Hand over what passed, and free the plate. Raises MoveNotAllowed while something is not inspected."""
    leases.must_be(load, LoadState.BURNED, to="released")
    job_ids = contents.active_jobs(load)
    jobs = rows.jobs(session, job_ids)
    waiting = [public(JOB, job.id) for job in jobs.values() if JobState(job.state) is not JobState.PASSED]
    waiting += sorted({contents.named(slot) for slot in contents.uninspected_blades(load)})
    if waiting:
        raise MoveNotAllowed(f"not inspected yet: {', '.join(waiting)}", waiting=waiting)
    why = public(LOAD, load.id)
    move_jobs(session, list(jobs.values()), JobState.RELEASED, by=by, why=why, unit_in_hand=False)
    rows.end_claims(session, load.id, job_ids)
    move_load(session, load, LoadState.CLOSED, by=by, why="released", ended_at=by.at)
    session.refresh(load, ["jobs", "slots"])
    orders = dict(sorted({job.order_id: job.line.order for job in jobs.values()}.items()))
    unreleased = rows.unreleased_jobs(session, orders)
    over = [order for order_id, order in orders.items() if not unreleased.get(order_id)]
    tell_orders(session, "order.released", over, now=by.at)


def _pass(session: Session, load: Load, jobs: Sequence[Job], *, by: By) -> bool:
    """Pass units, wholly or so far; returns whether that empties slots of a later turn."""
    to_burn_again = {slot.job_id for slot in repeats.to_burn_again(session, load)}
    between_turns = {
        job.id for job in jobs if JobState(job.state) is JobState.LOADED and _is_burned(load, job)
    }
    for job in jobs:
        _must_be_passable(job, is_again=job.id in to_burn_again, is_between_turns=job.id in between_turns)
    shortened = False
    for left, some in groupby(
        jobs, key=lambda job: [face for face in job.faces if face not in job.faces_done]
    ):
        if not left:
            move_jobs(session, list(some), JobState.PASSED, by=by)
            continue
        for job in some:
            contents.remove_unit(session, load, job.id, why="put_off")
            move_job(session, job, JobState.READY, by=by, why=f"passed so far; {', '.join(left)} to come")
            shortened |= job.id in between_turns
    return shortened


def _must_be_passable(job: Job, *, is_again: bool, is_between_turns: bool) -> None:
    named = public(JOB, job.id)
    if is_again:
        raise MoveNotAllowed(f"{named} is to be burned again; take that back first", job=named)
    if JobState(job.state) is not JobState.ENGRAVED and not is_between_turns:
        raise MoveNotAllowed(f"{named} is {job.state}", job=named, state=job.state)


def _is_burned(load: Load, job: Job) -> bool:
    return any(slot.job_id == job.id and slot.state == "burned" for slot in load.slots)


def _scrap(session: Session, load: Load, job: Job, reason: str, *, by: By) -> bool:
    """Scrap a unit; returns whether that empties slots of a later turn."""
    if not reason.strip():
        raise BadRequest("scrap needs a reason", field="reason", job=public(JOB, job.id))
    again = [slot for slot in repeats.to_burn_again(session, load) if slot.job_id == job.id]
    if not again and not _is_burned(load, job):
        raise MoveNotAllowed(
            f"{public(JOB, job.id)} has nothing burned; report it as blemished", job=public(JOB, job.id)
        )
    if any(start.job_id == job.id for start in rows.open_starts(session, load.id)):
        raise MoveNotAllowed(
            f"first say what is on the metal of {public(JOB, job.id)} (resolve)", job=public(JOB, job.id)
        )
    shortened = any(slot.job_id == job.id for slot in contents.pending(load))
    scrap(session, load, job, reason, by=by)
    return shortened


def scrap(session: Session, load: Load, job: Job, reason: str, *, by: By) -> None:
    """Take a spoiled unit out of its load and put a replacement for it into the queue."""
    contents.remove_unit(session, load, job.id, why="scrapped")
    job.unit_in_hand = False
    move_job(session, job, JobState.SCRAPPED, by=by, why=reason)
    replace(session, job, by=by)


def replace(session: Session, job: Job, *, by: By) -> Job:
    """Make a job for another unit in place of a scrapped one, with the same words, and tell the store. It
    goes before everything else in the queue."""
    replacement = Job(
        line=job.line,
        order_id=job.order_id,
        unit=job.unit,
        take=job.take + 1,
        replaces=job.id,
        sku=job.sku,
        blade=job.blade,
        state=JobState.SHORT.value,
        priority=max(job.priority, REPLACEMENT_PRIORITY),
        ship_by=job.ship_by,
        words_revision=job.words_revision,
        faces=list(job.faces),
        faces_done=[],
        created_at=by.at,
    )
    session.add(replacement)
    session.flush()
    if stock.reserve(session, replacement):
        replacement.state = JobState.READY.value
        session.flush()
    write_history(
        session,
        "job",
        replacement.id,
        replacement.state,
        by=by,
        why=f"replaces {public(JOB, job.id)}",
    )
    tell_unit(session, "job.scrapped", job, now=by.at, replacement=public(JOB, replacement.id))
    return replacement


def _inspect_blades(session: Session, load: Load, identity: str, counts: BladesInspected, *, by: By) -> None:
    lot_id = contents.lot_of(load, identity)
    slots = [slot for slot in contents.uninspected_blades(load) if slot.lot_id == lot_id]
    if counts.passed < 0 or counts.scrapped < 0 or counts.passed + counts.scrapped > len(slots):
        raise BadRequest(f"{identity} has {len(slots)} blades to inspect", field="lots", lot=identity)
    for index, slot in enumerate(slots[: counts.passed + counts.scrapped]):
        # On a burned slot of a lot this column says what inspection found.
        slot.removed_why = "pass" if index < counts.passed else "scrap"
    session.flush()
    lot_counts.inspected(
        session,
        lot_id,
        passed=counts.passed,
        scrapped=counts.scrapped,
        load=public(LOAD, load.id),
        by=by,
    )
