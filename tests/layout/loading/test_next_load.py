"""The next load: who gets a slot, on which plate, with which face up."""

from __future__ import annotations

from itertools import combinations, permutations

import networkx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.loading.matching import Seating
from layout.loading.next_load import propose
from layout.loading.values import Bare, Candidate, FreePlate, Option


def an_option(
    slot: str, face: str = "mark", *, plate: str = "P", process: str = "satin", at: float = 3.0
) -> Option:
    return Option(plate, slot, face, process, at - 0.5, at + 0.5)


def a_candidate(job: str, slots: str = "AB", **changes: object) -> Candidate:
    """A unit with one face that fits each slot named by a letter."""
    values: dict[str, object] = {
        "order": f"o-{job}",
        "blade": "parer",
        "faces": ("mark",),
        "options": tuple(an_option(slot) for slot in slots),
        "due": 10.0,
    }
    return Candidate(job, **{**values, **changes})  # type: ignore[arg-type]


def a_plate(slots: str = "AB", *, plate: str = "P", copies: tuple[str, ...] = ("P-1", "P-2")) -> FreePlate:
    return FreePlate(plate, tuple(slots), copies)


def two_faced(job: str, slots: str = "AB", **changes: object) -> Candidate:
    options = tuple(an_option(slot, face) for face in ("mark", "pile") for slot in slots)
    return a_candidate(job, faces=("mark", "pile"), **{"options": options, **changes})


def seated(proposal: object, turn: int = 1) -> dict[str, str | None]:
    return {filled.slot: filled.job or filled.lot for filled in proposal.turns[turn - 1]}  # type: ignore[attr-defined]


def test_nothing_is_proposed_when_nothing_waits() -> None:
    assert propose([], [a_plate()]) is None


def test_nothing_is_proposed_when_no_copy_is_free() -> None:
    assert propose([a_candidate("1")], [a_plate(copies=())]) is None


def test_slots_are_filled_by_matching_and_not_by_first_fit() -> None:
    wide, narrow = a_candidate("wide", "AB"), a_candidate("narrow", "A")

    proposal = propose([wide, narrow], [a_plate()])

    assert proposal is not None
    assert seated(proposal) == {"A": "narrow", "B": "wide"}


def test_a_later_unit_never_pushes_a_more_urgent_one_out() -> None:
    first, second, third = (
        a_candidate("1", "A", due=1),
        a_candidate("2", "A", due=2),
        a_candidate("3", "B", due=3),
    )

    proposal = propose([third, second, first], [a_plate()])

    assert proposal is not None
    assert seated(proposal) == {"A": "1", "B": "3"}


def test_priority_goes_before_ship_by_and_a_replacement_before_both() -> None:
    soon = a_candidate("soon", "A", due=1)
    prior = a_candidate("prior", "A", due=5, priority=9)
    again = a_candidate("again", "A", due=9, replaces=True)

    assert propose([soon, prior], [a_plate("A")]).jobs == ("prior",)  # type: ignore[union-attr]
    assert propose([soon, prior, again], [a_plate("A")]).jobs == ("again",)  # type: ignore[union-attr]


def test_within_a_day_units_like_the_first_go_together() -> None:
    first = a_candidate("1", "AB")
    other = a_candidate(
        "2", "AB", blade="chef", options=(an_option("A", process="stone"), an_option("B", process="stone"))
    )
    same = a_candidate("3", "AB")

    proposal = propose([first, other, same], [a_plate()])

    assert proposal is not None
    assert set(proposal.jobs) == {"1", "3"}


def test_an_order_that_would_be_split_waits_for_one_that_fits_whole() -> None:
    head = a_candidate("1", "ABC")
    three = [a_candidate(f"t{n}", "ABC", order="three") for n in range(3)]
    pair = [a_candidate(f"p{n}", "ABC", order="pair") for n in range(2)]

    proposal = propose([head, *three, *pair], [a_plate("ABC")])

    assert proposal is not None
    assert set(proposal.jobs) == {"1", "p0", "p1"}


def test_no_slot_stays_empty_for_the_sake_of_keeping_an_order_together() -> None:
    head = a_candidate("1", "ABC")
    three = [a_candidate(f"t{n}", "ABC", order="three") for n in range(3)]

    proposal = propose([head, *three], [a_plate("ABC")])

    assert proposal is not None
    assert set(proposal.jobs) == {"1", "t0", "t1"}


def test_an_urgent_order_is_split_rather_than_passed_over() -> None:
    head = a_candidate("1", "ABC", due=1)
    three = [a_candidate(f"t{n}", "ABC", order="three", due=1) for n in range(3)]
    pair = [a_candidate(f"p{n}", "ABC", order="pair", due=2) for n in range(2)]

    proposal = propose([head, *three, *pair], [a_plate("ABC")], urgent_by=1.0)

    assert proposal is not None
    assert set(proposal.jobs) == {"1", "t0", "t1"}


def test_a_two_faced_unit_is_turned_over_in_its_own_slot() -> None:
    proposal = propose([two_faced("1"), two_faced("2")], [a_plate()])

    assert proposal is not None
    assert seated(proposal, 1) == seated(proposal, 2) == {"A": "1", "B": "2"}
    assert [filled.face for filled in proposal.turns[1]] == ["pile", "pile"]


def test_a_unit_that_must_change_slots_when_turned_does() -> None:
    crossing = two_faced("1", options=(an_option("A", "mark"), an_option("B", "pile")))
    staying = two_faced("2", options=tuple(an_option(s, f) for s in "AB" for f in ("mark", "pile")))

    proposal = propose([crossing, staying], [a_plate()])

    assert proposal is not None
    assert seated(proposal, 1) == {"A": "1", "B": "2"}
    assert seated(proposal, 2) == {"B": "1", "A": "2"}


def test_a_unit_that_some_plate_turns_over_is_not_given_to_one_that_cannot() -> None:
    elsewhere = (an_option("A"), an_option("X", plate="Q"), an_option("X", "pile", plate="Q"))
    unit = two_faced("1", options=elsewhere, whole=True)

    assert propose([unit], [a_plate("A")]) is None
    assert propose([unit], [a_plate("A"), a_plate("X", plate="Q")]).plate == "Q"  # type: ignore[union-attr]


def test_a_unit_that_no_plate_turns_over_comes_for_its_first_face_alone() -> None:
    unit = two_faced("1", options=(an_option("A"), an_option("X", "pile", plate="Q")), whole=False)

    proposal = propose([unit], [a_plate("A"), a_plate("X", plate="Q")])

    assert proposal is not None
    assert (proposal.plate, len(proposal.turns)) == ("P", 1)
    assert seated(proposal) == {"A": "1"}


def test_units_that_no_single_focus_suits_do_not_share_a_load() -> None:
    low = a_candidate("low", options=(an_option("A", at=3.0), an_option("B", at=3.0)))
    high = a_candidate("high", options=(an_option("A", at=9.0), an_option("B", at=9.0)))
    between = a_candidate("between", options=(an_option("A", at=3.6), an_option("B", at=3.6)))

    assert propose([low, high], [a_plate()]).jobs == ("low",)  # type: ignore[union-attr]
    assert set(propose([low, between], [a_plate()]).jobs) == {"low", "between"}  # type: ignore[union-attr]


def test_the_plate_that_takes_more_units_is_chosen() -> None:
    options = (an_option("A"), *(an_option(slot, plate="Q") for slot in "XYZ"))
    units = [a_candidate(str(n), options=options) for n in range(3)]

    proposal = propose(units, [a_plate("A"), a_plate("XYZ", plate="Q")])

    assert proposal is not None
    assert (proposal.plate, len(proposal.jobs)) == ("Q", 3)


def test_the_most_urgent_unit_is_in_the_load_even_if_another_plate_would_take_more() -> None:
    head = a_candidate("head", "A", due=1)
    others = [
        a_candidate(str(n), due=2, options=tuple(an_option(s, plate="Q") for s in "XYZ")) for n in range(3)
    ]

    proposal = propose([head, *others], [a_plate("A"), a_plate("XYZ", plate="Q")])

    assert proposal is not None
    assert proposal.jobs == ("head",)


def a_lot(waiting: int = 5, slots: str = "AB") -> Bare:
    return Bare("LOT1", "mark", tuple(an_option(slot) for slot in slots), waiting, due=30.0)


def test_bare_blades_fill_what_orders_leave_free() -> None:
    proposal = propose([a_candidate("1", "AB")], [a_plate("AB")], bare=[a_lot()], urgent_by=1.0)

    assert proposal is not None
    assert seated(proposal) == {"A": "1", "B": "LOT1"}


def test_bare_blades_wait_while_any_order_is_urgent() -> None:
    proposal = propose([a_candidate("1", "AB", due=1)], [a_plate("AB")], bare=[a_lot()], urgent_by=1.0)

    assert proposal is not None
    assert seated(proposal) == {"A": "1"}


def test_no_more_bare_blades_are_loaded_than_wait() -> None:
    proposal = propose([], [a_plate("AB")], bare=[a_lot(waiting=1)])

    assert proposal is not None
    assert seated(proposal) == {"A": "LOT1"}


def test_the_same_values_give_the_same_proposal_in_whatever_order_options_come() -> None:
    units = [a_candidate(str(n), "ABCD"[n % 3 :]) for n in range(4)]
    turned = [Candidate(c.job, c.order, c.blade, c.faces, c.options[::-1], c.due) for c in units]

    assert propose(units, [a_plate("ABCD")]) == propose(turned, [a_plate("ABCD")])


@st.composite
def graphs(draw: st.DrawFn) -> list[tuple[str, ...]]:
    """Which of six slots each of up to nine units can sit in."""
    slots = st.lists(st.sampled_from("ABCDEF"), unique=True, max_size=4)
    return [tuple(chosen) for chosen in draw(st.lists(slots, max_size=9))]


@given(graphs())
def test_as_many_units_are_seated_as_any_matching_could(graph: list[tuple[str, ...]]) -> None:
    """Against NetworkX, Hopcroft and Karp's algorithm (a general reference library)."""
    edges = networkx.Graph([(("unit", u), ("slot", s)) for u, slots in enumerate(graph) for s in slots])
    top = [node for node in edges if node[0] == "unit"]
    largest = len(networkx.bipartite.hopcroft_karp_matching(edges, top)) // 2 if edges else 0

    board = Seating()
    for unit, slots in enumerate(graph):
        board = board.seat(unit, slots) or board

    assert len(board.unit_in) == largest
    assert all(slot in graph[unit] for slot, unit in board.unit_in.items())  # type: ignore[index]


@given(graphs().filter(lambda graph: len(graph) <= 6))
def test_the_units_seated_are_the_most_urgent_set_that_can_be(graph: list[tuple[str, ...]]) -> None:
    """Against trying every set of units in every arrangement."""

    def can_sit(units: tuple[int, ...]) -> bool:
        return any(
            all(slot in graph[unit] for unit, slot in zip(units, order, strict=True))
            for order in permutations("ABCDEF", len(units))
        )

    possible = [
        units
        for count in range(len(graph) + 1)
        for units in combinations(range(len(graph)), count)
        if can_sit(units)
    ]
    best = min(possible, key=lambda units: [unit not in units for unit in range(len(graph))])

    proposal = propose(
        [a_candidate(str(n), "".join(slots), due=float(n)) for n, slots in enumerate(graph)],
        [a_plate("ABCDEF")],
    )

    assert tuple(sorted(int(job) for job in proposal.jobs)) == best if proposal else best == ()


@pytest.mark.parametrize("slots", ["A", "ABC"])
def test_a_proposal_names_the_first_free_copy(slots: str) -> None:
    proposal = propose([a_candidate("1", slots)], [a_plate(slots, copies=("P-7", "P-2"))])

    assert proposal is not None
    assert proposal.copy == "P-7"


# --- surfaces at very different heights ---


@pytest.mark.parametrize("most_urgent", ["flat", "high"])
def test_a_high_surface_behind_many_flat_ones_is_seated_when_its_turn_comes(most_urgent: str) -> None:
    flat = [a_candidate(f"flat{n}", due=5.0, options=(an_option("A", at=2.0 + 0.01 * n),)) for n in range(12)]
    high = a_candidate("high", due=1.0 if most_urgent == "high" else 9.0, options=(an_option("B", at=23.0),))

    proposal = propose([*flat, high], [a_plate()])

    assert proposal is not None
    assert proposal.jobs == (("high",) if most_urgent == "high" else ("flat0",))


def test_a_unit_that_is_nowhere_in_focus_keeps_nobody_waiting() -> None:
    blurred = a_candidate("blurred", due=1.0, options=(Option("P", "A", "mark", "satin", 4.0, 3.0),))
    elsewhere = a_candidate("elsewhere", due=1.0, options=(an_option("Z"),))

    proposal = propose([blurred, elsewhere, a_candidate("sharp", due=9.0)], [a_plate()])

    assert proposal is not None and proposal.jobs == ("sharp",)


@given(
    heights=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 6)), min_size=1, max_size=14),
    second=st.lists(st.integers(0, 40), min_size=14, max_size=14),
)
def test_whoever_is_most_urgent_is_seated_at_whatever_height_it_lies(
    heights: list[tuple[int, int]], second: list[int]
) -> None:
    units = []
    for n, (low, width) in enumerate(heights):
        faces = ("mark", "pile") if n % 3 == 0 else ("mark",)
        options = [Option("P", "AB"[n % 2], "mark", "satin", float(low), float(low + width))]
        options += [Option("P", "A", "pile", "satin", float(second[n]), second[n] + 0.5)] * (len(faces) - 1)
        units.append(a_candidate(f"{n}", faces=faces, options=tuple(options), due=float(n)))

    proposal = propose(units, [a_plate()])

    assert proposal is not None and "0" in proposal.jobs
    of_unit = {unit.job: unit for unit in units}
    for turn in proposal.turns:  # one head height for all of them, looked for here at every low end
        ranges = [
            next(
                (o.low_mm, o.high_mm) for o in of_unit[f.job].options if (o.slot, o.face) == (f.slot, f.face)
            )
            for f in turn
            if f.job is not None
        ]
        assert any(all(low <= height <= high for low, high in ranges) for height, _ in ranges)
