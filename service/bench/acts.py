"""The operator's acts: take a load, pull, seat, burn, inspect, release. Both doors call these functions.

An act names the load by the ETag that its operator last saw (`Held`). One transaction locks the load, refuses
whoever holds an older grant or has seen other contents, does the one thing, and shapes the answer. Geometry
(the judge, the files of a new revision) runs before or after that transaction, never inside.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import partial

import structlog
from sqlalchemy.orm import Session

from layout.shop.findings import Finding
from service.bench import boxing, burns, doubts, inspection, judging, mounting, pulls, seating
from service.bench import burn_files as files
from service.bench import claim as claims
from service.bench.verdicts import Refused
from service.loads import contents, leases, pull_rows, repeats
from service.loads import load as loads
from service.loads import load_rows as rows
from service.loads.load_answers import LoadAnswer, load_answer
from service.records.counters import TURNS_STARTED
from service.records.errors import CheckersBusy, CheckTooSlow, DatabaseBusy, LoadRefused
from service.records.ids import JOB, LOAD, number, public
from service.records.moves import move_job, move_lot
from service.records.states import JobState, LotState
from service.records.tables import Load
from service.records.who import SWEEP, By, Who
from service.routines import due as routines
from service.shop.tools import Tools
from service.stock import holds
from service.supplies import supplies

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Held:
    """The load that somebody means to change: its number, the ETag they last saw, and who they are."""

    load_id: int
    etag: str
    who: Who


#: What an act does with a load inside its transaction.
Work = Callable[[Session, Load, By], None]


# --- a load and its acts ---


def next_load(tools: Tools, station: str, operator: str, *, who: Who) -> tuple[Load, bool] | None:
    """A load for an operator, judged and with its files on the way, and whether it is new; None when there
    is nothing to do.

    Units that the judge refuses are held for the desk, so that they don't come up again and again.
    """
    made: set[int] = set()
    while True:
        granted = tools.database.write(
            lambda session: claims.next_load(
                session,
                shop=tools.catalogue.current,
                station=station,
                operator=operator,
                lease=_lease(tools),
                by=tools.by(who),
            )
        )
        if granted is None:
            return None
        load, is_new = granted
        made |= {load.id} if is_new else set()
        view = judging.view_load(tools, load.id)
        try:
            files.begin(tools, view, formats=_preferred(view))
        except (CheckTooSlow, CheckersBusy, DatabaseBusy) as error:
            # The load is theirs; its files are judged and built when they are asked for.
            _not_prepared(load.id, error)
        except LoadRefused:
            refused = judging.refused(tools, view)
            if not refused.alone and not refused.together:
                raise
            tools.database.write(
                partial(_hold_refused, judged=view.load, refused=refused, by=tools.by(SWEEP))
            )
            continue
        return load, load.id in made


def load_now(tools: Tools, load_id: int) -> LoadAnswer:
    """A load as it is now. Raises NotFound."""
    with tools.database.reading() as session:
        load = loads.find(session, load_id)
        return load_answer(session, load, tools.catalogue.at(session, load.catalogue_version))


def renew(tools: Tools, held: Held) -> LoadAnswer:
    """Extend the lease: the operator is still there."""
    return change(
        tools, held, lambda session, load, by: leases.renew(session, load, lease=_lease(tools), now=by.at)
    )


def drop(tools: Tools, held: Held) -> LoadAnswer:
    """Give an unstarted load back to the queue."""
    return change(tools, held, lambda session, load, by: leases.drop(session, load, by=by))


def mounted(tools: Tools, held: Held, turn: int, copy: str, how: mounting.How) -> LoadAnswer:
    """Record which copy of the plate is mounted; a copy other than planned gets files of its own."""

    def work(session: Session, load: Load, by: By) -> None:
        shop = tools.catalogue.at(session, load.catalogue_version)
        mounting.mounted(session, load, turn, copy, how, shop=shop, by=by)

    return change(tools, held, work)


def pulled(
    tools: Tools,
    held: Held,
    jobs: Mapping[str, pulls.Fetched],
    lots: Mapping[str, int],
    bins: pulls.Bins | None = None,
) -> LoadAnswer:
    """Record what was found in the bins, and what was missing or blemished."""
    return change(
        tools, held, lambda session, load, by: pulls.pulled(session, load, jobs, lots, bins=bins, by=by)
    )


def fetched(
    tools: Tools, held: Held, bin_name: str, sku: str, what: pulls.Fetched, *, count: int, seen_rounds: int
) -> tuple[str, ...]:
    """Count units of one product at their bin; returns the jobs they were for.

    Units missing or blemished count once, however often they are reported from the page that showed
    `seen_rounds`.
    """
    bins: pulls.Bins = {bin_name: {sku: {what: count}}}
    named: list[str] = []

    def work(session: Session, load: Load, by: By) -> None:
        named.clear()  # a transaction may be tried again
        if what != "found" and pull_rows.rounds(session, load) != seen_rounds:
            return
        jobs = pulls.jobs_of_bins(load, rows.jobs(session, contents.active_jobs(load)), bins)
        named.extend(jobs)
        pulls.pulled(session, load, jobs, {}, by=by)

    change(tools, held, work)
    return tuple(named)


def blemished(tools: Tools, held: Held, jobs: Sequence[str]) -> LoadAnswer:
    """Report units at the bench as blemished. Reporting one again changes nothing."""

    def work(session: Session, load: Load, by: By) -> None:
        for job in jobs:
            if contents.is_in_hand(load, job):
                pulls.pulled(session, load, {job: "blemished"}, {}, by=by)

    return change(tools, held, work)


def kept_after_all(tools: Tools, held: Held, jobs: Sequence[str]) -> LoadAnswer:
    """Take back a report that units are missing or blemished."""

    def work(session: Session, load: Load, by: By) -> None:
        for job in jobs:
            pulls.keep_after_all(session, load, job, by=by)

    return change(tools, held, work)


def seated(tools: Tools, held: Held, turn: int, slots: Mapping[str, seating.Seated]) -> LoadAnswer:
    """Record what sits in the slots of a turn, and what does not fit."""
    return change(tools, held, lambda session, load, by: seating.seated(session, load, turn, slots, by=by))


def start(tools: Tools, held: Held, turn: int, file_sha256: str) -> LoadAnswer:
    """Judge the load, then record its start if it is still as it was judged."""
    judged = judging.judge(tools, held.load_id)

    def work(session: Session, load: Load, by: By) -> None:
        files_now = [f for f in rows.files(session, load.id, revision=load.revision) if f.turn == turn]
        shop, processes = tools.catalogue.current, rows.processes_of(files_now)
        routines.must_be_done(session, shop, load.station, now=by.at, processes=processes)
        burns.start(session, load, turn, file_sha256, judged=judged, lease=_lease(tools), by=by)

    started = change(tools, held, work)
    TURNS_STARTED.labels(started.station).inc()
    return started


def finish(tools: Tools, held: Held, turn: int) -> LoadAnswer:
    """Record that the turn has burned to its end."""
    return change(
        tools,
        held,
        lambda session, load, by: burns.finish(session, load, turn, lease=_lease(tools), by=by),
    )


def again(tools: Tools, held: Held, turn: int, jobs: Sequence[str], reason: str) -> LoadAnswer:
    """Burn faint or partial marks again in the same seating."""
    return change(
        tools, held, lambda session, load, by: repeats.burn_again(session, load, turn, jobs, reason, by=by)
    )


def not_again(tools: Tools, held: Held, turn: int, jobs: Sequence[str], reason: str) -> LoadAnswer:
    """Take back a repeat before its start."""
    return change(
        tools, held, lambda session, load, by: repeats.withdraw(session, load, turn, jobs, reason, by=by)
    )


def resolve(
    tools: Tools,
    held: Held,
    jobs: Mapping[str, Mapping[str, doubts.Outcome]],
    lots: Mapping[str, Mapping[doubts.Outcome, int]],
) -> LoadAnswer:
    """Record what is on the metal after an interruption."""
    return change(tools, held, lambda session, load, by: doubts.resolve(session, load, jobs, lots, by=by))


def inspect(
    tools: Tools,
    held: Held,
    jobs: Mapping[str, inspection.Inspected],
    lots: Mapping[str, inspection.BladesInspected],
) -> LoadAnswer:
    """Record what inspection found."""
    return change(tools, held, lambda session, load, by: inspection.inspect(session, load, jobs, lots, by=by))


def boxed(tools: Tools, held: Held, job: str) -> LoadAnswer:
    """Note that an inspected unit is in its box, with its label on."""
    return change(tools, held, lambda session, load, by: boxing.boxed(session, load, job, by=by))


def release(tools: Tools, held: Held) -> LoadAnswer:
    """Hand over to packing what passed, and free the plate."""

    def work(session: Session, load: Load, by: By) -> None:
        units = len(contents.active_jobs(load))
        inspection.release(session, load, by=by)
        supplies.use_for_load(session, tools.catalogue.current, load, units=units, by=by)

    return change(tools, held, work)


def render(tools: Tools, load_id: int) -> None:
    """Build a load's files before anybody asks for them; what the judge refuses is reported when they do."""
    try:
        files.prepare(tools, judging.view_load(tools, load_id))
    except LoadRefused:
        log.warning("render_refused", load=public(LOAD, load_id))


# --- how an act is done ---


def change(tools: Tools, held: Held, work: Work) -> LoadAnswer:
    """Do one thing with a held load, and answer with the load as it is then (`load_answer`).

    Where the change makes files stale, those of the new revision are built before the answer is shaped. By
    then the change is committed and is answered as done: whatever the judge, the geometry or the disk objects
    to is reported when a file is asked for, not here.
    """

    def do(session: Session) -> LoadAnswer | judging.LoadView:
        by = tools.by(held.who)
        load = leases.held(session, held.load_id, held.etag, now=by.at)
        work(session, load, by)
        if contents.is_unstarted(load):
            leases.renew(session, load, lease=_lease(tools), now=by.at)
        session.flush()
        session.refresh(load)
        if files.are_lacking(session, load):
            return judging.view_in(tools, session, load)
        return load_answer(session, load, tools.catalogue.at(session, load.catalogue_version))

    done = tools.database.write(do)
    if isinstance(done, LoadAnswer):
        return done
    try:
        files.prepare(tools, done, formats=_preferred(done))
    except (LoadRefused, CheckTooSlow, CheckersBusy, DatabaseBusy) as error:
        _not_prepared(held.load_id, error)
    return load_now(tools, held.load_id)


def _not_prepared(load_id: int, error: Exception) -> None:
    log.warning("prepare_failed", load=public(LOAD, load_id), kind=type(error).__name__)


def _hold_refused(session: Session, *, judged: Load, refused: Refused, by: By) -> None:
    """Take the units that the judge refuses out of an unstarted load, if it is still as he saw it."""
    load = rows.lock(session, judged.id)
    if load is None or not contents.is_unstarted(load):
        return
    if (load.fence, load.revision) != (judged.fence, judged.revision):
        return
    for units, is_held in ((refused.alone, True), (refused.together, False)):
        for job, slot in sorted(units, key=str):
            if job is not None:
                finding = refused.first[job, slot] if is_held else None
                _take_out(session, load, number(JOB, job), finding=finding, by=by)
            elif slot is not None:
                _take_out_blade(session, load, slot, is_held=is_held, by=by)
    contents.raise_revision(session, load, by=by, why="units refused by the judge")
    leases.close_if_empty(session, load, by=by)


def _take_out(session: Session, load: Load, job_id: int, *, finding: Finding | None, by: By) -> None:
    """Put a unit back into the queue. One that is refused even alone goes to the desk with the judge's
    `finding`; otherwise it would come up forever."""
    job = rows.jobs(session, [job_id])[job_id]
    contents.remove_unit(session, load, job_id, why="judge_refused")
    move_job(session, job, JobState.READY, by=by, why="the judge refuses its place")
    if finding is not None:
        holds.hold(session, job, holds.JUDGE_REFUSED, by=by, why=holds.judged(job_id, finding))


def _take_out_blade(session: Session, load: Load, name: str, *, is_held: bool, by: By) -> None:
    slot = next(s for s in contents.present(load, 1) if s.slot == name and s.lot_id is not None)
    lot_id = slot.lot_id or 0
    contents.remove_slots(session, [slot], why="judge_refused")
    why = f"the judge refuses slot {name} of {public(LOAD, load.id)}"
    contents.give_back_blades(session, lot_id, 1, by=by, why=why)
    lot = rows.lots(session, [lot_id])[lot_id]
    if is_held and LotState(lot.state) is LotState.OPEN:
        move_lot(session, lot, LotState.CANCELLED, by=by, why="its mark was refused by the judge")


def _preferred(view: judging.LoadView) -> list[str]:
    return list(view.shop.stations[view.load.station].formats[:1])


def _lease(tools: Tools) -> timedelta:
    return timedelta(seconds=tools.settings.lease_seconds)
