"""The planner's inner step: which plate, and which unit in which slot, for the next load of one station.

Pure and deterministic: the same values give the same proposal, whatever order mappings iterate in.
`propose` looks at one load; a planner of the whole backlog calls `fill_plate` for each plate it considers
and takes what it chose out of the candidates. What is proposed here is judged by `layout.judge.load`, which
knows nothing of this module.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby, product

from layout.loading.focus_heights import heights_to_try
from layout.loading.matching import Seating
from layout.loading.values import Bare, Candidate, Filled, FreePlate, Option, Proposal


@dataclass(frozen=True, slots=True)
class _Chosen:
    """Units seated so far, turn by turn, and by how many faces each."""

    turns: tuple[Seating, ...] = ()
    faces: tuple[tuple[Candidate, int], ...] = ()


@dataclass(frozen=True, slots=True)
class _Filling:
    plate: FreePlate
    heights: tuple[float, ...]
    chosen: _Chosen
    bare: tuple[tuple[Bare, str], ...] = field(default=())  # lot and slot, in turn 1


def propose(
    candidates: Sequence[Candidate],
    plates: Iterable[FreePlate],
    *,
    bare: Sequence[Bare] = (),
    urgent_by: float | None = None,
) -> Proposal | None:
    """The next load of a station, or None when nothing that waits can be seated on a free plate.

    `candidates` come in queue order. The most urgent that can be seated at all is always in the load;
    among the plates that take it the one is chosen on which the most replacements, then urgent units, then
    finished units, then units altogether find room; then the one with fewer processes and fewer orders split,
    then the first plate given. Bare blades fill free slots only while no unit that waits is urgent (due by
    `urgent_by`, or replacing a scrapped one), and never take the place of an order's unit.
    """
    free = [plate for plate in plates if plate.copies]
    calm = not any(_urgent(candidate, urgent_by) for candidate in candidates)
    lots = tuple(sorted(bare, key=lambda lot: lot.due)) if calm else ()
    best: tuple[tuple[int, ...], _Filling] | None = None
    head = _head(candidates, free)
    for plate in free:
        if head is not None and not _fits(head, plate):
            continue
        filling = fill_plate(plate, candidates, head=head, bare=lots, urgent_by=urgent_by)
        if filling is None:
            continue
        score = _score(filling, candidates, urgent_by)
        if best is None or score > best[0]:
            best = score, filling
    return None if best is None else _proposal(best[1])


def fill_plate(
    plate: FreePlate,
    candidates: Sequence[Candidate],
    *,
    head: Candidate | None,
    bare: Sequence[Bare] = (),
    urgent_by: float | None = None,
) -> _Filling | None:
    """The best filling of one plate that has `head` in it (None: any); None when nothing can be seated."""
    queue = [c for c in _in_turn(candidates, head) if _fits(c, plate)]
    best: tuple[tuple[int, ...], _Filling] | None = None
    for heights in _heights(plate, queue, head, bare):
        filling = _fill(_Filling(plate, heights, _Chosen()), queue, head, urgent_by)
        filling = _add_bare(filling, bare)
        seated = {candidate.job for candidate, _ in filling.chosen.faces}
        if (head is not None and head.job not in seated) or not (seated or filling.bare):
            continue
        score = _score(filling, candidates, urgent_by)
        if best is None or score > best[0]:
            best = score, filling
    return None if best is None else best[1]


# --- order ---------------------------------------------------------------------------------------


def _urgent(candidate: Candidate, urgent_by: float | None) -> bool:
    return candidate.replaces or (urgent_by is not None and candidate.due <= urgent_by)


def _in_turn(candidates: Sequence[Candidate], head: Candidate | None) -> list[Candidate]:
    """Replacements first, then by priority and ship-by day; within a day what shares the head's blade and
    process; the given order breaks ties."""
    alike = set() if head is None else {(head.blade, option.process) for option in head.options}

    def key(candidate: Candidate) -> tuple[bool, int, float, bool]:
        same = any((candidate.blade, option.process) in alike for option in candidate.options)
        return not candidate.replaces, -candidate.priority, candidate.due, not same

    return sorted(candidates, key=key)


def _head(candidates: Sequence[Candidate], plates: Sequence[FreePlate]) -> Candidate | None:
    """The most urgent candidate that some free plate takes."""
    return next((c for c in _in_turn(candidates, None) if any(_fits(c, plate) for plate in plates)), None)


def _fits(candidate: Candidate, plate: FreePlate) -> bool:
    """Whether the plate takes the unit's next face, and all its faces if one plate is known to."""
    seated = {option.face for option in candidate.options if _takes(plate, option)}
    wanted = candidate.faces if candidate.whole else candidate.faces[:1]
    return bool(wanted) and seated.issuperset(wanted)


def _takes(plate: FreePlate, option: Option) -> bool:
    """Whether the option is a slot of the plate, with a head height at which it is in focus."""
    in_focus = option.low_mm <= option.high_mm
    return option.plate == plate.plate and option.slot in plate.slots and in_focus


# --- focus ---------------------------------------------------------------------------------------


def _heights(
    plate: FreePlate, queue: Sequence[Candidate], head: Candidate | None, bare: Sequence[Bare]
) -> list[tuple[float, ...]]:
    """Head heights to try, one per turn; those alone at which the head can sit."""
    most = max([len(candidate.faces) for candidate in queue], default=1)
    per_turn = []
    for turn in range(most):
        options = [option for candidate in queue for option in _options(candidate, plate, turn)]
        if turn == 0:
            options += [option for lot in bare for option in lot.options if _takes(plate, option)]
        heads = [] if head is None else _options(head, plate, turn)
        heights = heights_to_try(map(_range, options), must_serve=map(_range, heads))
        per_turn.append(heights or [0.0])
    return list(product(*per_turn))


def _range(option: Option) -> tuple[float, float]:
    return option.low_mm, option.high_mm


def _options(candidate: Candidate, plate: FreePlate, turn: int) -> list[Option]:
    if turn >= len(candidate.faces):
        return []
    return [o for o in candidate.options if o.face == candidate.faces[turn] and _takes(plate, o)]


def _slots(options: Iterable[Option], plate: FreePlate, height_mm: float) -> tuple[str, ...]:
    """Slots that take the face with the head at that height, in the plate's order."""
    taken = {option.slot for option in options if option.low_mm <= height_mm <= option.high_mm}
    return tuple(slot for slot in plate.slots if slot in taken)


# --- filling -------------------------------------------------------------------------------------


def _fill(
    empty: _Filling, queue: Sequence[Candidate], head: Candidate | None, urgent_by: float | None
) -> _Filling:
    """Seat units by urgency. Orders that would be split wait until whole ones of their priority had their
    turn, unless they are urgent or the head's own."""
    chosen = empty.chosen
    for _, some in groupby(queue, key=lambda c: (c.replaces, c.priority)):
        later: list[list[Candidate]] = []
        for units in _by_order(some):
            tried = _seat_all(empty, chosen, units)
            at_once = (head is not None and units[0].order == head.order) or _urgent(units[0], urgent_by)
            if at_once or len(tried.faces) - len(chosen.faces) == len(units):
                chosen = tried
            else:
                later.append(units)
        for units in later:
            chosen = _seat_all(empty, chosen, units)
    return replace(empty, chosen=chosen)


def _by_order(candidates: Iterable[Candidate]) -> list[list[Candidate]]:
    orders: dict[str, list[Candidate]] = {}
    for candidate in candidates:
        orders.setdefault(candidate.order, []).append(candidate)
    return list(orders.values())


def _seat_all(empty: _Filling, chosen: _Chosen, units: Sequence[Candidate]) -> _Chosen:
    """As many of the units as find room, in order."""
    for unit in units:
        chosen = _seat(empty, chosen, unit) or chosen
    return chosen


def _seat(empty: _Filling, chosen: _Chosen, unit: Candidate) -> _Chosen | None:
    """One unit, face by face in the turns from the first on; as many faces as the plate takes."""
    turns = list(chosen.turns)
    faces = 0
    for turn in range(len(unit.faces)):
        before = turns[turn] if turn < len(turns) else Seating()
        if len(before.unit_in) == len(empty.plate.slots):
            break
        slots = _slots(_options(unit, empty.plate, turn), empty.plate, empty.heights[turn])
        after = before.seat(unit.job, slots)
        if after is None:
            break
        turns[turn : turn + 1] = [after]
        faces += 1
    if faces == 0 or (unit.whole and faces < len(unit.faces)):
        return None
    return _Chosen(tuple(turns), (*chosen.faces, (unit, faces)))


def _add_bare(filling: _Filling, bare: Sequence[Bare]) -> _Filling:
    """Bare blades into what is left of turn 1; nobody moves out for them, though units may move over."""
    first = filling.chosen.turns[0] if filling.chosen.turns else Seating()
    for lot in bare:
        options = (option for option in lot.options if option.plate == filling.plate.plate)
        slots = _slots(options, filling.plate, filling.heights[0])
        for count in range(min(lot.waiting, len(filling.plate.slots))):
            after = first.seat((lot.lot, count), slots)
            if after is None:
                break
            first = after
    by_name = {lot.lot: lot for lot in bare}
    placed = tuple(
        (by_name[unit[0]], slot) for unit, slot in first.slot_of.items() if isinstance(unit, tuple)
    )
    turns = (first, *filling.chosen.turns[1:])
    return replace(filling, chosen=replace(filling.chosen, turns=turns), bare=placed)


def _score(filling: _Filling, candidates: Sequence[Candidate], urgent_by: float | None) -> tuple[int, ...]:
    """Larger is better, from the left."""
    units = filling.chosen.faces
    seated = {unit.job for unit, _ in units}
    orders = {unit.order for unit, _ in units}
    split = {c.order for c in candidates if c.order in orders and c.job not in seated}
    processes = {
        option.process
        for unit, faces in units
        for turn in range(faces)
        for option in _options(unit, filling.plate, turn)
    }
    return (
        sum(unit.replaces for unit, _ in units),
        sum(_urgent(unit, urgent_by) for unit, _ in units),
        sum(faces == len(unit.faces) for unit, faces in units),
        len(units),
        -len(processes),
        -len(split),
        len(filling.bare),
    )


# --- result --------------------------------------------------------------------------------------


def _proposal(filling: _Filling) -> Proposal:
    turns = _turned_in_place(filling)
    face_of = {unit.job: unit.faces for unit, _ in filling.chosen.faces}
    lots = {slot: lot for lot, slot in filling.bare}
    fills = []
    for number, turn in enumerate(turns):
        unit_in = {slot: unit for unit, slot in turn.items()}
        row = []
        for slot in filling.plate.slots:
            if number == 0 and slot in lots:
                row.append(Filled(slot, lots[slot].face, lot=lots[slot].lot))
            elif slot in unit_in:
                job = str(unit_in[slot])
                row.append(Filled(slot, face_of[job][number], job=job))
        fills.append(tuple(row))
    return Proposal(filling.plate.plate, filling.plate.copies[0], tuple(fills))


def _turned_in_place(filling: _Filling) -> list[dict[object, str]]:
    """Slots by unit for every turn; a unit is turned over in its own slot wherever that is possible."""
    seatings: list[dict[object, str]] = []
    for turn in filling.chosen.turns:
        again = Seating()
        own = seatings[-1] if seatings else dict(turn.slot_of)
        stay = [unit for unit in turn.choices if own.get(unit) in turn.choices[unit]]
        for unit in (*stay, *(unit for unit in turn.choices if unit not in stay)):
            here = own.get(unit)
            choices = sorted(turn.choices[unit], key=lambda slot, here=here: slot != here)  # type: ignore[misc]
            again = again.seat(unit, choices) or again
        seatings.append(dict(again.slot_of))
    return seatings
