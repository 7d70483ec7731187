"""What must hold of units, loads, counts and history at every moment, whatever happened before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from service.records.db import Database
from service.records.states import JOB_MOVES, LOAD_MOVES, JobState, LoadState
from service.records.tables import BinChange, BurnStart, History, Job, Load, LoadJob, Lot, Stock

#: Rows of history that are not moves: what was done with a job while its state stayed.
NOTES = {
    "put_back",
    "to_put_back",
    "gathered",
    "kept",
    "found",
    "missing",
    "blemished",
    "again",
    "not_again",
    "clean",
    "partial",
    "complete",
}


@dataclass(frozen=True)
class Seen:
    """All rows that matter, at one moment."""

    jobs: Sequence[Any]
    loads: Sequence[Any]
    claims: Sequence[Any]
    starts: Sequence[Any]
    history: Sequence[Any]
    lots: Sequence[Any]
    stock: Sequence[Any]
    changes: Sequence[Any]


def seen_now(database: Database, sku: str = "PARER") -> Seen:
    """The rows at this moment; the stock is that of one product."""
    with database.reading() as session:
        return Seen(
            jobs=session.execute(select(Job.__table__).order_by(Job.id)).all(),
            loads=session.execute(select(Load.__table__).order_by(Load.id)).all(),
            claims=session.execute(select(LoadJob.__table__).where(LoadJob.active)).all(),
            starts=session.execute(select(BurnStart.__table__)).all(),
            history=session.execute(select(History.__table__).order_by(History.id)).all(),
            lots=session.execute(select(Lot.__table__)).all(),
            stock=session.execute(select(Stock.__table__).where(Stock.sku == sku)).all(),
            changes=session.execute(select(BinChange.__table__).where(BinChange.sku == sku)).all(),
        )


def all_holds(seen: Seen, *, arrived: int) -> None:
    """`arrived`: units of the product that were ever boxed."""
    every_unit_is_held_by_one_load_at_most(seen)
    nothing_was_started_twice(seen)
    finished_faces_were_completed(seen)
    every_state_has_a_history_of_allowed_moves(seen)
    counts_add_up(seen)
    no_unit_is_lost(seen, arrived)


def every_unit_is_held_by_one_load_at_most(seen: Seen) -> None:
    units = Counter((job.line_id, job.unit) for job in seen.jobs if job.state != "scrapped")
    assert set(units.values()) <= {1}
    assert max(Counter(claim.job_id for claim in seen.claims).values(), default=0) <= 1
    in_loads = {"loaded", "engraved", "passed", "doubtful"}
    assert {claim.job_id for claim in seen.claims} == {job.id for job in seen.jobs if job.state in in_loads}
    over = {load.id for load in seen.loads if load.state in {"closed", "dropped"}}
    assert not over & {claim.load_id for claim in seen.claims}


def nothing_was_started_twice(seen: Seen) -> None:
    each = Counter((s.job_id, s.face, s.attempt) for s in seen.starts if s.job_id is not None)
    assert max(each.values(), default=0) <= 1
    cancelled = {job.id for job in seen.jobs if job.state == "cancelled"}
    assert not any(start.job_id in cancelled and start.outcome is None for start in seen.starts)
    again = Counter((row.subject_id, row.move_to) for row in seen.history if row.subject == "job")
    for job in seen.jobs:
        complete = Counter(s.face for s in seen.starts if s.job_id == job.id and s.outcome == "complete")
        assert sum(complete.values()) - len(complete) <= again[job.id, "again"]


def finished_faces_were_completed(seen: Seen) -> None:
    complete = {(s.job_id, s.face) for s in seen.starts if s.outcome == "complete"}
    for job in seen.jobs:
        assert {(job.id, face) for face in job.faces_done} <= complete
        if job.state in {"passed", "released"}:
            assert set(job.faces) == set(job.faces_done)


def every_state_has_a_history_of_allowed_moves(seen: Seen) -> None:
    for subject, things, table, kind in (
        ("job", seen.jobs, JOB_MOVES, JobState),
        ("load", seen.loads, LOAD_MOVES, LoadState),
    ):
        last: dict[int, str] = {}
        for row in seen.history:
            if row.subject != subject or row.move_to in NOTES | {"revised", "mounted"}:
                continue
            if row.subject_id in last:
                assert row.move_from == last[row.subject_id]
                assert kind(row.move_to) in table[kind(row.move_from)]  # type: ignore[index]
            last[row.subject_id] = row.move_to
        assert {thing.id: thing.state for thing in things} == last


def counts_add_up(seen: Seen) -> None:
    assert sum(row.reserved for row in seen.stock) == len([job for job in seen.jobs if job.bin is not None])
    for row in seen.stock:
        assert row.boxed == sum(change.units for change in seen.changes if change.bin == row.bin)
    for lot in seen.lots:
        assert lot.waiting + lot.loaded + lot.marked + lot.scrapped == lot.quantity
    unstarted = [
        load
        for load in seen.loads
        if load.state in {"claimed", "pulled", "seated"} and load.started_at is None
    ]
    assert len(unstarted) <= 1  # there is one station


def no_unit_is_lost(seen: Seen, arrived: int) -> None:
    """Each unit that was ever boxed stands in a bin, is in somebody's hands, or went for a reason."""
    boxed = sum(row.boxed for row in seen.stock)
    in_hand = [job for job in seen.jobs if job.unit_in_hand]
    used = [job for job in seen.jobs if job.state in {"released", "scrapped"}]
    gone = [row for row in seen.history if row.subject == "job" and row.move_to in {"missing", "blemished"}]
    assert boxed + len(in_hand) + len(used) + len(gone) == arrived
