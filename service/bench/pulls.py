"""Pulling units from their bins: found, missing or blemished; the queue of what is to be pulled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import groupby
from typing import Literal

from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.bench import inspection
from service.bench.pull_answers import PullsAnswer, QueuedPullAnswer, queued_pull_answer
from service.loads import contents, leases, progress, pull_rows
from service.loads import load_rows as rows
from service.plan import in_force as kept_plan
from service.records.errors import BadRequest, MoveNotAllowed
from service.records.ids import JOB, LOAD, public
from service.records.moves import move_load, write_history
from service.records.states import LoadState, StockChange
from service.records.tables import Job, Load, LoadSlot
from service.records.who import By
from service.stock import holds
from service.stock import reservations as stock
from service.stock.stock_answers import put_backs_answer

Fetched = Literal["found", "missing", "blemished"]
#: By bin and product: how many were found, missing and blemished.
Bins = Mapping[str, Mapping[str, Mapping[Fetched, int]]]
FETCHED: tuple[Fetched, ...] = ("found", "missing", "blemished")


def pulled(
    session: Session,
    load: Load,
    jobs: Mapping[str, Fetched],
    lots: Mapping[str, int],
    *,
    by: By,
    bins: Bins | None = None,
) -> None:
    """Record what was pulled; the load is `pulled` when nothing is left to pull.

    A unit that is missing or blemished is taken off the stock; its job takes another boxed unit, which must
    then be pulled and seated, or goes short and leaves the load. No bin holds a match for a half engraved
    unit: its job is scrapped and replaced. A blemish may be noticed at the bench until the turn is started;
    the slot in which the unit sat is then to be cleared. For a lot, the number of blades found: the others
    wait again. A report need not name every unit, but the last one counts the blades.

    Raises BadRequest for a job or lot that is not in the load, MoveNotAllowed for a unit that will not be
    burned any more, and for blades once the turn is seated.
    """
    leases.must_be(
        load, LoadState.CLAIMED, LoadState.PULLED, LoadState.SEATED, LoadState.TURNING, to="pulled"
    )
    if lots:
        leases.must_be(load, LoadState.CLAIMED, LoadState.PULLED, to="counted")
    if bins:
        held_jobs = rows.jobs(session, contents.active_jobs(load))
        jobs = {**jobs_of_bins(load, held_jobs, bins), **jobs}
    sat = {slot.job_id for slot in contents.pending(load, load.current_turn) if slot.state == "seated"}
    to_burn = {slot.job_id for slot in contents.pending(load)}
    removed, unseated = [], []
    ids = {identity: contents.job_of(load, identity) for identity in sorted(jobs)}
    reported = rows.jobs(session, ids.values())
    # What was found is taken out together as far as it is named together: history keeps to the report.
    for is_found, some in groupby(ids.items(), key=lambda named: jobs[named[0]] == "found"):
        if is_found:
            _found(session, load, [reported[job_id] for _, job_id in some], by=by)
            continue
        for identity, job_id in some:
            job, what = reported[job_id], jobs[identity]
            if job_id not in to_burn:
                raise MoveNotAllowed(
                    f"{identity} is burned; what is wrong with it is for inspection", job=identity
                )
            if _is_marked(session, job):
                inspection.scrap(session, load, job, f"half engraved, then {what}", by=by)
                removed.append(identity)
            elif not _another(session, load, job, what, by=by):
                removed.append(identity)
            elif job_id in sat:
                unseated.append(identity)
    removed += _count_blades(session, load, lots, by=by)
    if removed or unseated:
        named = ", ".join([*removed, *unseated])
        contents.raise_revision(session, load, by=by, why=f"not there: {named}")
    leases.close_if_empty(session, load, by=by)
    if unseated and LoadState(load.state) is LoadState.SEATED:
        back = LoadState.PULLED if load.started_at is None else LoadState.TURNING
        move_load(session, load, back, by=by, why=f"another unit for {', '.join(unseated)}")
    progress.move_on(session, load, by=by, why="nothing left to burn in this turn")
    if LoadState(load.state) is LoadState.CLAIMED and _all_fetched(load, lots):
        move_load(session, load, LoadState.PULLED, by=by)


def jobs_of_bins(load: Load, jobs: Mapping[int, Job], bins: Bins) -> dict[str, Fetched]:
    """A report by bin and product as one by job. Units of a product are alike until they are seated: the slot
    decides which job each becomes, so any of the bin's jobs will do.

    Raises BadRequest for more units than the load still waits for from that bin, so that a report sent twice
    counts once.
    """
    by_job: dict[str, Fetched] = {}
    for bin_name, products in sorted(bins.items()):
        for sku, counts in sorted(products.items()):
            waiting = [
                public(JOB, claim.job_id)
                for claim in load.jobs
                if claim.active
                and claim.fetched == "to_pull"
                and (jobs[claim.job_id].bin, jobs[claim.job_id].sku) == (bin_name, sku)
            ]
            wanted: list[Fetched] = [what for what in FETCHED for _ in range(counts.get(what, 0))]
            if len(wanted) > len(waiting):
                raise BadRequest(
                    f"this load waits for {len(waiting)} of {sku} from bin {bin_name}, not {len(wanted)}",
                    field="bins",
                    bin=bin_name,
                    sku=sku,
                )
            by_job.update(zip(waiting, wanted, strict=False))
    return by_job


def keep_after_all(session: Session, load: Load, identity: str, *, by: By) -> None:
    """A unit reported blemished or missing is good after all: it is the job's again, where it was, and the
    other unit stays in its bin. Raises MoveNotAllowed when the report can't be taken back any more."""
    job_id = contents.job_of(load, identity)
    job = rows.jobs(session, [job_id])[job_id]
    claim = next(c for c in load.jobs if c.job_id == job_id and c.active)
    notes = [move.move_to for move in pull_rows.notes(session, job_id)]
    if claim.fetched != "to_pull" or not notes or notes[-1] == "found" or job.pulled_from is None:
        raise MoveNotAllowed(f"nothing that was said of {identity} can be taken back any more", job=identity)
    stock.unreserve(session, job)
    stock.take_back(session, job, was_in_hand=len(notes) > 1 and notes[-2] == "found", by=by)
    claim.fetched = "found" if job.unit_in_hand else "to_pull"
    for slot in contents.present(load):
        if slot.job_id == job_id:
            slot.removed_why = None  # what sat there may sit there again
    _note(session, job, "kept", f"good after all, for {public(LOAD, load.id)}", by=by)
    session.flush()


def queue(session: Session, shop: Shop, *, now: datetime) -> tuple[QueuedPullAnswer, ...]:
    """All units to be pulled: claimed loads first, then what the plan in force has next, load by load, then
    what it does not know yet. `planned` is the number of the planned load."""
    plan = kept_plan.in_force(session, shop, now=now)
    waiting = [*pull_rows.claimed(session), *pull_rows.planned(session, plan.id if plan else None)]
    return tuple(map(queued_pull_answer, waiting))


def pulls_answer(session: Session, shop: Shop, *, now: datetime) -> PullsAnswer:
    """All units to be pulled, and those to be put back."""
    return PullsAnswer(pulls=queue(session, shop, now=now), put_backs=put_backs_answer(session))


def _found(session: Session, load: Load, jobs: Sequence[Job], *, by: By) -> None:
    claims = {claim.job_id: claim for claim in load.jobs if claim.active}
    # Reported before, or never in a bin: saying so again changes nothing.
    fetched = [job for job in jobs if claims[job.id].fetched == "to_pull"]
    bins = {job.id: job.bin for job in fetched}
    stock.take_out(session, fetched, by=by)
    for job in fetched:
        claims[job.id].fetched = "found"
        _note(session, job, "found", f"from {bins[job.id]} for {public(LOAD, load.id)}", by=by)
    session.flush()


def _another(session: Session, load: Load, job: Job, what: str, *, by: By) -> bool:
    """Take another unit for the job, which stays in the load; False when there is none and the job has
    left."""
    claim = next(claim for claim in load.jobs if claim.job_id == job.id and claim.active)
    stock.write_off(session, job, StockChange(what), by=by)
    _note(session, job, what, public(LOAD, load.id), by=by)
    if stock.reserve(session, job):
        claim.fetched = "to_pull"
        for slot in contents.present(load):
            if slot.job_id == job.id:
                # What sits here must come out; the other unit is not there yet.
                slot.removed_why = what if slot.state == "seated" else slot.removed_why
                slot.state = "planned"
        session.flush()
        return True
    claim.fetched = what
    contents.remove_unit(session, load, job.id, why=what)
    why = f"its unit was {what}, no other is boxed"
    holds.go_short(session, job, what, by=by, why=why)
    return False


def _is_marked(session: Session, job: Job) -> bool:
    """Whether anything is on the unit's metal: then no other unit can take its place."""
    return any(start.outcome != "clean" for start in rows.starts(session, [job.id]))


def _count_blades(session: Session, load: Load, lots: Mapping[str, int], *, by: By) -> list[str]:
    """Empty the slots, from the last back, for which no blade was found; returns the lots concerned."""
    removed = []
    for identity, count in sorted(lots.items()):
        lot_id = contents.lot_of(load, identity)
        mine = [slot for slot in contents.present(load, 1) if slot.lot_id == lot_id]
        if not 0 <= count <= len(mine):
            raise BadRequest(f"{identity} has {len(mine)} blades in this load", field="lots", lot=identity)
        absent: list[LoadSlot] = mine[count:]
        why = f"{count} of {len(mine)} for {public(LOAD, load.id)}"
        if absent:
            contents.remove_slots(session, absent, why="missing")
            contents.give_back_blades(session, lot_id, len(absent), what="pulled", by=by, why=why)
            removed.append(identity)
        else:
            write_history(session, "lot", lot_id, "pulled", by=by, why=why)
    return removed


def _all_fetched(load: Load, lots: Mapping[str, int]) -> bool:
    """Whether nothing is left to pull. Bare blades are counted in the report that completes the load."""
    waiting = any(claim.active and claim.fetched == "to_pull" for claim in load.jobs)
    in_load = {contents.named(slot) for slot in contents.present(load, 1) if slot.lot_id is not None}
    return not waiting and in_load <= set(lots)


def _note(session: Session, job: Job, what: str, why: str, *, by: By) -> None:
    write_history(session, "job", job.id, what, move_from=job.state, by=by, why=why)
