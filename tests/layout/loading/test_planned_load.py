"""What a station takes of its plan when the backlog has moved on since it was made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layout.loading.planned_load import WORTH_ITS_PLATE, follow
from layout.loading.values import Bare, Candidate, Filled, FreePlate, Option, Proposal

SLOTS = "ABCD"
FREE = FreePlate("P", tuple(SLOTS), ("P-1", "P-2"))


def a_unit(
    job: str, *, slots: str = SLOTS, plate: str = "P", low_mm: float = 0.0, **more: object
) -> Candidate:
    faces = more.get("faces", ("mark",))
    options = tuple(
        Option(plate, slot, face, "satin", low_mm, low_mm + 1.0)
        for face in faces  # type: ignore[attr-defined]
        for slot in slots
    )
    values: dict[str, object] = {"order": f"o-{job}", "faces": faces, "due": 10.0, **more}
    return Candidate(job=job, blade="parer", options=options, **values)  # type: ignore[arg-type]


def a_lot(waiting: int, *, slots: str = SLOTS, low_mm: float = 0.0) -> Bare:
    options = tuple(Option("P", slot, "mark", "satin", low_mm, low_mm + 1.0) for slot in slots)
    return Bare("lot", "mark", options, waiting, due=30.0)


def a_load(
    *rows: str, plate: str = "P", copy: str = "P-1", face: Sequence[str] = ("mark", "pile")
) -> Proposal:
    """Rows are turns: `1A 2B` puts job 1 into A and job 2 into B; `lC` a blade of the lot into C."""
    turns = tuple(
        tuple(
            Filled(seat[1], face[turn], lot="lot")
            if seat[0] == "l"
            else Filled(seat[1], face[turn], job=seat[0])
            for seat in row.split()
        )
        for turn, row in enumerate(rows)
    )
    return Proposal(plate, copy, turns)


def waiting(*units: Candidate) -> dict[str, Candidate]:
    return {unit.job: unit for unit in units}


def seats(found: Proposal | None) -> list[str]:
    assert found is not None
    return [" ".join(f"{(one.job or 'l')[0]}{one.slot}" for one in turn) for turn in found.turns]


def test_a_load_of_which_all_units_wait_is_taken_as_planned() -> None:
    load = a_load("2A 1C lD")

    found = follow([load], waiting(a_unit("1"), a_unit("2")), [], [FREE], bare=[a_lot(5)])

    assert found == load


def test_another_copy_of_the_plate_will_do_when_the_planned_one_is_taken() -> None:
    found = follow([a_load("1A")], waiting(a_unit("1")), [], [replace(FREE, copies=("P-2",))])

    assert found is not None and found.copy == "P-2"


def test_a_load_whose_plate_is_taken_lets_the_next_one_go_first() -> None:
    loads = [a_load("1A", plate="Q"), a_load("2B")]

    found = follow(loads, waiting(a_unit("1", plate="Q"), a_unit("2")), [], [FREE])

    assert seats(found) == ["2B"]


def test_units_that_are_gone_leave_their_slots_empty() -> None:
    found = follow([a_load("1A 2B 3C")], waiting(a_unit("1"), a_unit("3")), [], [FREE])

    assert seats(found) == ["1A 3C"]


def test_a_load_of_which_little_is_left_gives_its_units_to_the_next() -> None:
    loads = [a_load("1A 2B 3C"), a_load("4A 5B")]

    found = follow(loads, waiting(a_unit("3"), a_unit("4"), a_unit("5")), [], [FREE])

    assert WORTH_ITS_PLATE == 0.5
    assert seats(found) == ["4A 5B 3C"]


def test_what_came_since_gets_free_slots_and_pushes_nobody_out() -> None:
    planned = waiting(a_unit("1"), a_unit("2"))
    others = [a_unit("8", due=1.0), a_unit("9")]

    found = follow([a_load("2A 1B 3C")], planned, others, [FREE])

    assert seats(found) == ["2A 1B 8C 9D"]


def test_orders_that_came_since_go_before_bare_blades() -> None:
    found = follow(
        [a_load("1A lB lC lD")], waiting(a_unit("1")), [a_unit("8", slots="B")], [FREE], bare=[a_lot(9)]
    )

    assert seats(found) == ["1A 8B lC lD"]


def test_no_more_blades_are_taken_than_wait() -> None:
    found = follow([a_load("1A lB lC")], waiting(a_unit("1")), [], [FREE], bare=[a_lot(1)])

    assert seats(found) == ["1A lB"]


def test_a_unit_between_two_visits_is_taken_only_for_the_face_that_is_next() -> None:
    both = ("mark", "pile")
    second = a_load("1A 2B", face=("pile",))
    marked, fresh = a_unit("1", faces=("pile",)), a_unit("2", faces=both)

    found = follow([second], waiting(marked, fresh), [], [FREE])

    assert seats(found) == ["1A"]


def test_a_unit_that_did_not_fit_its_slot_is_not_put_there_again() -> None:
    found = follow([a_load("1A 2B")], waiting(a_unit("1", slots="BCD"), a_unit("2")), [], [FREE])

    assert seats(found) == ["2B"]


def test_units_that_no_longer_share_a_height_of_the_head_are_left_to_the_queue() -> None:
    planned = waiting(a_unit("1"), a_unit("2", low_mm=5.0))

    assert follow([a_load("1A 2B")], planned, [], [FREE]) is None


def test_someone_at_another_height_stays_behind_rather_than_move_planned_units_out() -> None:
    planned = waiting(a_unit("1"), a_unit("2"))

    found = follow([a_load("1A 2B")], planned, [a_unit("9", low_mm=5.0)], [FREE])

    assert seats(found) == ["1A 2B"]


def test_blades_at_another_height_than_the_units_beside_them_leave_the_load_to_the_queue() -> None:
    """Lots are measured anew like units: what the plan put side by side may no longer share a head height."""
    load, planned = a_load("1A 2B lC"), waiting(a_unit("1"), a_unit("2"))

    assert follow([load], planned, [], [FREE], bare=[a_lot(1, low_mm=5.0)]) is None
    assert follow([load], planned, [], [FREE], bare=[a_lot(1, low_mm=1.0)]) == load  # they meet at 1.0


def test_blades_of_a_load_that_share_no_height_leave_it_to_the_queue() -> None:
    slots = {"A": 0.0, "B": 5.0}
    options = tuple(Option("P", slot, "mark", "satin", low, low + 1.0) for slot, low in slots.items())

    found = follow([a_load("lA lB")], {}, [], [FREE], bare=[Bare("lot", "mark", options, 2, due=30.0)])

    assert found is None


FULL = a_load("1A 2B 3C 4D")
FOUR = waiting(*(a_unit(str(n)) for n in range(1, 5)))


@pytest.mark.parametrize(
    "urgent",
    [{"replaces": True}, {"priority": 1}, {"due": 2.0}],
    ids=["a replacement", "a higher priority", "due sooner"],
)
def test_an_urgent_unit_for_which_the_load_has_no_room_calls_the_queue(urgent: dict[str, object]) -> None:
    assert follow([FULL], FOUR, [a_unit("9", **urgent)], [FREE], urgent_by=3.0) is None
    # The control: one that is not urgent waits, and so does one that no free plate takes.
    assert follow([FULL], FOUR, [a_unit("9", due=4.0)], [FREE], urgent_by=3.0) == FULL
    assert follow([FULL], FOUR, [a_unit("9", plate="Q", **urgent)], [FREE], urgent_by=3.0) == FULL


def test_one_that_is_due_as_soon_as_the_load_does_not_call_it_off() -> None:
    """Two due on the same day: the one that was planned stays, or every newcomer would upset the plan."""
    newcomer = a_unit("9", due=FOUR["1"].due)

    assert follow([FULL], FOUR, [newcomer], [FREE], urgent_by=newcomer.due) == FULL
    assert follow([FULL], FOUR, [replace(newcomer, due=9.9)], [FREE], urgent_by=newcomer.due) is None


def test_an_urgent_unit_rides_along_where_a_slot_is_free() -> None:
    planned = waiting(*(a_unit(str(n)) for n in range(1, 4)))

    found = follow([a_load("1A 2B 3C")], planned, [a_unit("9", replaces=True)], [FREE], urgent_by=3.0)

    assert seats(found) == ["1A 2B 3C 9D"]


def test_no_order_waits_for_a_load_of_nothing_but_blades() -> None:
    blades = a_load("lA lB")

    assert follow([blades], {}, [a_unit("9", plate="Q")], [FREE], bare=[a_lot(2)]) == blades
    assert seats(follow([blades], {}, [a_unit("9", slots="C")], [FREE], bare=[a_lot(2)])) == ["lA lB 9C"]
    both = [FREE, FreePlate("Q", ("A",), ("Q-1",))]
    assert follow([blades], {}, [a_unit("9", plate="Q")], both, bare=[a_lot(2)]) is None


def test_nothing_left_of_the_plan_is_nothing_to_follow() -> None:
    assert follow([a_load("1A")], {}, [], [FREE]) is None
    assert follow([], {}, [a_unit("9")], [FREE]) is None


@st.composite
def stale_plans(draw: st.DrawFn) -> tuple[list[Proposal], dict[str, Candidate], list[Candidate], list[Bare]]:
    """Loads of one plate, of whose units some are gone or fit elsewhere now, and others who came."""
    loads, units, job = [], [], 0
    for _ in range(draw(st.integers(1, 3))):
        row = []
        for slot in SLOTS:
            what = draw(st.sampled_from(["unit", "unit", "blade", "empty"]))
            if what == "unit":
                job += 1
                row.append(Filled(slot, "mark", job=str(job)))
                kept = draw(st.sampled_from([SLOTS, SLOTS, slot, "A", ""]))
                units.append(a_unit(str(job), slots=kept, due=float(draw(st.integers(1, 9)))))
            elif what == "blade":
                row.append(Filled(slot, "mark", lot="lot"))
        loads.append(Proposal("P", "P-1", (tuple(row),)))
    planned = {unit.job: unit for unit in units if unit.options and draw(st.booleans())}
    others = [
        a_unit(f"n{n}", slots=draw(st.sampled_from([SLOTS, "AB", "D"])), due=float(draw(st.integers(1, 9))))
        for n in range(draw(st.integers(0, 5)))
    ]
    return loads, planned, others, [a_lot(draw(st.integers(0, 6)))]


@settings(max_examples=40)
@given(stale_plans())
def test_whatever_has_happened_only_units_that_wait_are_seated_and_only_where_they_may(
    given_: tuple[list[Proposal], dict[str, Candidate], list[Candidate], list[Bare]],
) -> None:
    loads, planned, others, bare = given_

    found = follow(loads, planned, others, [FREE], bare=bare, urgent_by=3.0)

    if found is None:
        return
    known = {**planned, **{one.job: one for one in others}}
    (turn,) = found.turns
    slots = [one.slot for one in turn]
    jobs = [one.job for one in turn if one.job is not None]
    assert len(slots) == len(set(slots)) and len(jobs) == len(set(jobs))
    assert all((one.job is None) or one.slot in {o.slot for o in known[one.job].options} for one in turn)
    assert sum(one.lot is not None for one in turn) <= bare[0].waiting
    # Whoever is left behind is no more urgent than the load.
    soonest = min((known[job].due for job in jobs if job in planned), default=0.0)
    behind = [one for one in others if one.job not in jobs]
    assert all(not (one.due <= 3.0 and one.due < soonest) for one in behind)
