"""The next load for an operator: claimed whole in one transaction, or not at all."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from layout.loading.next_load import propose
from layout.loading.planned_load import follow
from layout.loading.values import Bare, Candidate, FreePlate, Proposal
from layout.shop.shop import Shop
from service.loads import calibrations, contents, leases, waiting
from service.loads import load_rows as rows
from service.loads import waiting_rows as claims
from service.loads.waiting_rows import Locked
from service.plan import in_force as kept_plan
from service.plan import paces as learning
from service.plan.in_force import Ahead
from service.proving import test_cards
from service.records import new_rows
from service.records.errors import BadRequest, DatabaseBusy
from service.records.ids import JOB, LOAD, LOT, number, public
from service.records.moves import noted, write_history
from service.records.states import JobState, LoadState
from service.records.tables import History, Load, LoadJob, LoadSlot, Outbox
from service.records.who import By
from service.routines import due as routines

#: Looks at the queue before the claim gives way: each look leaves out what others were seen to take.
_LOOKS = 30


def next_load(
    session: Session,
    *,
    shop: Shop,
    station: str,
    operator: str,
    lease: timedelta,
    by: By,
) -> tuple[Load, bool] | None:
    """The operator's load at the station, and whether it is new; None when there is nothing to do.

    An operator who asks again gets the unstarted load they hold, with its lease renewed. While somebody else
    prepares a load at the station there is nothing to do there.

    Raises BadRequest for an unknown station, RoutineDue while a check stops it, DatabaseBusy when others are
    taking what waits at this moment.
    """
    if station not in shop.stations:
        raise BadRequest(f"no station named {station}", field="station")
    leases.lapse(session, by.at)
    claims.lock_station(session, station)
    prepared = rows.preparing(session, station)
    if prepared is not None:
        if prepared.operator != operator:
            return None
        leases.renew(session, prepared, lease=lease, now=by.at)
        return prepared, False
    routines.must_be_done(session, shop, station, now=by.at)
    shop = test_cards.proven(session, shop)
    choice = _choose(session, shop, station, now=by.at)
    if choice is None:
        return None
    try:
        load = _write(
            session,
            *choice,
            shop=shop,
            station=station,
            operator=operator,
            until=by.at + lease,
            by=by,
        )
    except IntegrityError as error:
        # The schema's own guard: another transaction took the copy or a job between our look and our write.
        raise DatabaseBusy("somebody else took that at the same moment; try again") from error
    return load, True


@dataclass(frozen=True, slots=True)
class _Queue:
    """The head of the queue at a station, what its plan has next, and the jobs that were left out on reading
    them."""

    jobs: list[Candidate]
    ahead: Ahead | None
    left_out: frozenset[str]

    def without(self, lost: set[str]) -> _Queue:
        ahead = self.ahead.without(lost) if self.ahead is not None else None
        return replace(self, jobs=[job for job in self.jobs if job.job not in lost], ahead=ahead)


def _queue(session: Session, shop: Shop, station: str, *, now: datetime, but: Collection[str] = ()) -> _Queue:
    jobs = waiting.candidates(session, shop, station, but=[number(JOB, job) for job in but])
    ahead = kept_plan.ahead(session, shop, station, jobs, now=now)
    return _Queue(jobs, ahead, frozenset(but)).without(set(but))


def _choose(
    session: Session, shop: Shop, station: str, *, now: datetime
) -> tuple[Proposal, Mapping[int, Locked]] | None:
    """A proposal whose jobs and plate copy this transaction has locked, and these jobs: the plan's next load
    as far as it still holds, otherwise one made from the queue on the spot.

    Jobs that others are taking at this moment are left out, and the queue is read further. None only if
    nothing was left out; otherwise work may well be waiting, and DatabaseBusy says to ask again.
    """
    claims.take_turns(session)
    queue = _queue(session, shop, station, now=now)
    lots = waiting.bare(session, shop, station)
    urgent_by = waiting.urgent_by(now)
    in_use = rows.copies_in_use(session)
    mine: dict[int, Locked] = {}
    lost: set[str] = set()
    taken: set[str] = set()
    for _ in range(_LOOKS):
        plates = waiting.free_plates(shop, station, in_use=in_use | taken)
        proposal = _planned(queue.ahead, plates, bare=lots, urgent_by=urgent_by)
        proposal = proposal or propose(queue.jobs, plates, bare=lots, urgent_by=urgent_by)
        if lost - queue.left_out and not _is_full(shop, proposal):
            queue = _queue(session, shop, station, but=lost, now=now)
            continue
        if proposal is None and (lost or taken):
            break
        if proposal is None:
            return None
        copy = _claimed_copy(session, proposal, plates, taken)
        if copy is None:
            continue
        wanted = {number(JOB, job) for job in proposal.jobs} - mine.keys()
        mine |= claims.lock_ready(session, wanted) if wanted else {}
        missed = {public(JOB, job_id) for job_id in wanted - mine.keys()}
        if not missed:
            return replace(proposal, copy=copy), mine
        lost |= missed
        queue = queue.without(missed)
    raise DatabaseBusy("others are claiming at this moment; try again")


def _claimed_copy(
    session: Session, proposal: Proposal, plates: Sequence[FreePlate], taken: set[str]
) -> str | None:
    """The proposal's copy of its plate, or the next that nobody else is claiming at this moment: whichever it
    is, the same would be proposed for it. Those that somebody has go to `taken`."""
    of_plate = next(plate.copies for plate in plates if plate.plate == proposal.plate)
    for copy in dict.fromkeys([proposal.copy, *of_plate]):
        if claims.try_copy(session, copy):
            return copy
        taken.add(copy)
    return None


def _is_full(shop: Shop, proposal: Proposal | None) -> bool:
    return proposal is not None and len(proposal.turns[0]) == len(shop.plates[proposal.plate].slots)


def _planned(
    ahead: Ahead | None, plates: Sequence[FreePlate], *, bare: Sequence[Bare], urgent_by: float
) -> Proposal | None:
    if ahead is None:
        return None
    return follow(ahead.loads, ahead.planned, ahead.newcomers, plates, bare=bare, urgent_by=urgent_by)


def _write(
    session: Session,
    chosen: Proposal,
    jobs: Mapping[int, Locked],
    *,
    shop: Shop,
    station: str,
    operator: str,
    until: datetime,
    by: By,
) -> Load:
    job_ids = [number(JOB, job) for job in chosen.jobs]
    if claims.take(session, job_ids) != len(job_ids):
        raise DatabaseBusy("some of these jobs were taken at the same moment; try again")
    load = Load(
        station=station,
        plate=chosen.plate,
        copy=chosen.copy,
        state=LoadState.CLAIMED.value,
        operator=operator,
        lease_until=until,
        turns=len(chosen.turns),
        calibration=calibrations.locked(session, shop, station, chosen.plate, chosen.copy),
        catalogue_version=shop.version,
        burn_seconds=_seconds(session, station, chosen, shop, jobs),
        created_at=by.at,
    )
    new_rows.put(session, [load])
    name = public(LOAD, load.id)
    history = [
        noted("job", job_id, JobState.LOADED.value, move_from=JobState.READY.value, by=by, why=name)
        for job_id in job_ids
    ]
    history.append(noted("load", load.id, LoadState.CLAIMED.value, by=by, why=f"for {operator}"))
    new_rows.put_all(
        session,
        new_rows.filled(
            {
                LoadJob: [_held(load, job_id, jobs[job_id]) for job_id in job_ids],
                LoadSlot: _slots(session, load, chosen),
                History: history,
                Outbox: [contents.files_wanted(load, by=by)],
            }
        ),
    )
    _take_blades(session, load, chosen, by=by)
    session.flush()
    return load


def _held(load: Load, job_id: int, job: Locked) -> LoadJob:
    return LoadJob(load_id=load.id, job_id=job_id, fetched="in_hand" if job.unit_in_hand else "to_pull")


def _slots(session: Session, load: Load, chosen: Proposal) -> list[LoadSlot]:
    """The slots, turn by turn. A face that was started before and came out clean counts as a further
    attempt."""
    attempts = rows.last_attempts(session, [number(JOB, job) for job in chosen.jobs])
    slots = []
    for turn, filled in enumerate(chosen.turns, start=1):
        for place in filled:
            job_id = number(JOB, place.job) if place.job is not None else None
            before = attempts.get((job_id, place.face), 0) if job_id is not None else 0
            slots.append(
                LoadSlot(
                    load_id=load.id,
                    turn=turn,
                    slot=place.slot,
                    job_id=job_id,
                    lot_id=number(LOT, place.lot) if place.lot is not None else None,
                    face=place.face,
                    attempt=before + 1,
                )
            )
    return slots


def _take_blades(session: Session, load: Load, chosen: Proposal, *, by: By) -> None:
    counts: dict[int, int] = {}
    for place in chosen.turns[0]:
        if place.lot is not None:
            counts[number(LOT, place.lot)] = counts.get(number(LOT, place.lot), 0) + 1
    for lot_id, count in sorted(counts.items()):
        if not claims.take_blades(session, lot_id, count):
            raise DatabaseBusy("blades of this lot were taken at the same moment; try again")
        write_history(
            session,
            "lot",
            lot_id,
            "loaded",
            by=by,
            why=f"{count} in {public(LOAD, load.id)}",
        )


def _seconds(session: Session, at: str, chosen: Proposal, shop: Shop, jobs: Mapping[int, Locked]) -> float:
    """A first estimate from what the check measured, at the pace learned for the station; the files' own
    paths give a better one later."""
    station, pace = shop.stations[at], learning.paces(session).of(at, chosen.plate, "")
    lot_ids = {number(LOT, place.lot) for place in chosen.turns[0] if place.lot is not None}
    lots = rows.lots(session, lot_ids) if lot_ids else {}
    marking = 0.0
    for place in (place for turn in chosen.turns for place in turn):
        if place.job is not None:
            marking += pace.seconds(jobs[number(JOB, place.job)].seconds)
        elif place.lot is not None:
            marking += pace.seconds(lots[number(LOT, place.lot)].burn_seconds or 0.0)
    turned = sum(len(turn) for turn in chosen.turns[1:])
    return (
        marking
        + len(chosen.turns[0]) * station.load_seconds_per_slot
        + turned * station.turn_seconds_per_slot
    )
