"""A planned load as it can still be carried out, at the moment in which a station takes its next one.

Pure and deterministic. A plan is made of the backlog as it was a moment ago; since then units may have been
taken, cancelled or gone short, and others may have come. `follow` gives the plan's next load without what is
gone, and with what has come in the slots that are free; or None, when the queue itself must say what goes
next (`layout.loading.next_load.propose`). What it gives is judged by `layout.judge.load` like every load.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from layout.loading.next_load import propose
from layout.loading.values import Bare, Candidate, Filled, FreePlate, Option, Proposal

#: A planned load of which less than this part is left is no longer worth its plate: its units go elsewhere.
WORTH_ITS_PLATE = 0.5


@dataclass(frozen=True, slots=True)
class _Left:
    """What is left of a planned load: its units, held to their planned seats, and blades held to theirs.
    `has_heights` says whether the head still has one height for every turn."""

    turns: tuple[tuple[Filled, ...], ...]
    units: tuple[Candidate, ...]
    bare: tuple[Bare, ...]
    planned: int
    has_heights: bool

    @property
    def is_worth_it(self) -> bool:
        seated = len(self.turns[0]) if self.turns else 0
        return self.has_heights and seated > 0 and seated >= WORTH_ITS_PLATE * self.planned


def follow(
    loads: Iterable[Proposal],
    planned: Mapping[str, Candidate],
    newcomers: Sequence[Candidate],
    plates: Sequence[FreePlate],
    *,
    bare: Sequence[Bare] = (),
    urgent_by: float | None = None,
) -> Proposal | None:
    """The first of the planned `loads` whose plate is free and of which enough is left.

    `planned` are the units of those loads that still wait, as they may be seated now; `newcomers` those that
    wait and that no load of the plan has. Units that are gone leave their slot; newcomers get the slots that
    are free, never one that the plan gave away. None when no load is left, or when one that is more urgent
    than the load would be left behind: a replacement, a unit of higher priority, or one that is due by
    `urgent_by` and sooner than everything in the load.
    """
    free = {plate.plate: plate for plate in plates if plate.copies}
    others, waiting_for_a_plate = list(newcomers), []
    for load in loads:
        left = _left(load, planned, bare)
        units = [planned[job] for job in load.jobs if job in planned]
        if load.plate not in free:
            waiting_for_a_plate += units
            continue
        if not left.is_worth_it:
            others += units
            continue
        plate = _copy_first(free[load.plate], load.copy)
        proposal = _topped_up(left, plate, others) or Proposal(plate.plate, plate.copies[0], left.turns)
        behind = [
            candidate for candidate in (*others, *waiting_for_a_plate) if candidate.job not in proposal.jobs
        ]
        if any(
            _goes_first(candidate, left, urgent_by) and propose([candidate], plates) for candidate in behind
        ):
            return None
        return proposal
    return None


def _left(load: Proposal, planned: Mapping[str, Candidate], bare: Sequence[Bare]) -> _Left:
    units = {job: held for job in load.jobs if (held := _held(load, job, planned.get(job))) is not None}
    lots, blades = _held_blades(load, bare)
    turns = tuple(
        tuple(seat for seat in turn if seat.job in units or (seat.lot is not None and seat.slot in blades))
        for turn in load.turns
    )
    ranges: list[list[Option]] = [[] for _ in load.turns]
    for unit in units.values():
        for turn, option in enumerate(unit.options):
            ranges[turn].append(option)
    if ranges:
        ranges[0] += blades.values()
    return _Left(
        turns=tuple(turn for turn in turns if turn),
        units=tuple(units.values()),
        bare=lots,
        planned=len(load.turns[0]),
        has_heights=all(max(o.low_mm for o in r) <= min(o.high_mm for o in r) for r in ranges if r),
    )


def _held(load: Proposal, job: str, candidate: Candidate | None) -> Candidate | None:
    """The unit with its planned seats, turn by turn, for its only options; None when it can't take them."""
    seats = [(taken.slot, taken.face) for turn in load.turns for taken in turn if taken.job == job]
    faces = tuple(face for _, face in seats)
    if candidate is None or candidate.faces[: len(faces)] != faces:
        return None
    of_seat = {(o.slot, o.face): o for o in candidate.options if o.plate == load.plate}
    if any(seat not in of_seat for seat in seats):
        return None
    return replace(candidate, faces=faces, options=tuple(of_seat[seat] for seat in seats), whole=True)


def _held_blades(load: Proposal, bare: Sequence[Bare]) -> tuple[tuple[Bare, ...], dict[str, Option]]:
    """Lots with as many of their planned slots as blades wait, and by slot how a blade sits there."""
    seats: dict[str, list[str]] = {}
    for seat in load.turns[0] if load.turns else ():
        if seat.lot is not None:
            seats.setdefault(seat.lot, []).append(seat.slot)
    lots, blades = [], {}
    for lot in bare:
        of_slot = {o.slot: o for o in lot.options if o.plate == load.plate}
        slots = [slot for slot in seats.get(lot.lot, ()) if slot in of_slot][: lot.waiting]
        if slots:
            options = {slot: of_slot[slot] for slot in slots}
            blades.update(options)
            lots.append(replace(lot, options=tuple(options.values()), waiting=len(slots)))
    return tuple(lots), blades


def _copy_first(plate: FreePlate, copy: str) -> FreePlate:
    """The planned copy if nobody has it, else another of the same plate."""
    return replace(plate, copies=tuple(sorted(plate.copies, key=lambda other: other != copy)))


def _topped_up(left: _Left, plate: FreePlate, others: Sequence[Candidate]) -> Proposal | None:
    """The load with others in its free slots (orders go before bare blades); None when there is nobody for
    them, or when a planned unit would be pushed out for the sake of the head's height."""
    taken = {guest.slot for turn in left.turns for guest in turn if guest.job is not None}
    guests = [
        replace(
            guest, options=tuple(o for o in guest.options if o.plate == plate.plate and o.slot not in taken)
        )
        for guest in others
    ]
    guests = [guest for guest in guests if guest.options]
    proposal = propose((*left.units, *guests), [plate], bare=left.bare) if guests else None
    if proposal is None or not {unit.job for unit in left.units}.issubset(proposal.jobs):
        return None
    return proposal


def _goes_first(candidate: Candidate, left: _Left, urgent_by: float | None) -> bool:
    """Whether a unit must not be left behind by the load."""
    if candidate.replaces or not left.units:
        return True
    if candidate.priority > max(unit.priority for unit in left.units):
        return True
    soonest = min(unit.due for unit in left.units)
    return urgent_by is not None and candidate.due <= urgent_by and candidate.due < soonest
