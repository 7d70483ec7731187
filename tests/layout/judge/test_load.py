"""The judge refuses every kind of wrong load and passes the right one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from layout.judge.clearance import clearance_mm
from layout.judge.load import verify
from layout.seating.focus import turn_focus_mm
from layout.shop.blades import Surface
from layout.shop.loads import Place, Turn
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Play, Pose, Slot
from layout.shop.stations import Calibration
from tests.golden.turns import (
    SATIN,
    a_blade,
    a_fill,
    a_line,
    a_load,
    a_load_of,
    a_mark,
    a_plate,
    a_process,
    a_seat,
    a_shop,
    a_station,
    a_zone,
    squares,
    strokes,
)

STILL = Play(0.0, 0.0)


def codes(shop, load, **more):
    return [finding.code for finding in verify(shop, load, **more)]


def a_lot(**changes):
    fill = a_fill(job=None, lot="lot 7", sku="BARE", blade="bare", eligible=frozenset())
    return replace(fill, **changes)


def test_a_right_load_of_a_job_single_line_text_and_a_lot_has_no_findings():
    load = a_load(a_fill("A2", "j2", marks=(a_mark(strokes()),)), a_lot())

    assert verify(a_shop(), load) == ()


def test_a_unit_turned_over_between_turns_has_no_findings():
    back = a_fill(face="pile_side", marks=(a_mark(face="pile_side", zone="back"),))

    assert verify(a_shop(), a_load_of((Turn(1, (a_fill(),)), Turn(2, (back,))))) == ()


BACK = a_mark(face="pile_side", zone="back")
WRONG_FILLS = {
    "slot_twice": (a_fill(), a_fill(job="j2")),
    "job_twice": (a_fill(), a_fill("A2")),
    "job_or_lot": (a_fill(lot="lot 7"),),
    "wrong_blade": (a_fill(sku="NOBODY"),),
    "wrong_face": (a_fill(marks=(BACK,)),),
    "unknown_slot": (a_fill("Z9"),),
    "wrong_slot": (a_lot(slot="A2"),),
    "not_eligible": (a_fill(eligible=frozenset({Place("left", "bench", "A2", "mark_side")})),),
    "no_marks": (a_fill(marks=()),),
    "empty_mark": (a_fill(marks=(a_mark(Outline()),)),),
    "no_process": (a_fill(marks=(a_mark(surface=Surface("stainless", "unknown coating")),)),),
    "lot_not_bare": (a_lot(sku="PARER", blade="parer"),),
    "marks_overlap": (a_fill(marks=(a_mark(), a_mark())),),
    "burns_nothing": (a_fill(marks=(a_mark(frozen([box(10, 10, 20, 10.04)])),)),),
    "outside_zone": (a_fill(marks=(a_mark(squares((34, 8))),)),),
}


@pytest.mark.parametrize("code", sorted(WRONG_FILLS))
def test_a_wrong_fill_is_refused_and_the_slot_named(code):
    found = [f for f in verify(a_shop(), a_load(*WRONG_FILLS[code])) if f.code == code]

    assert found
    assert all(f"slot {WRONG_FILLS[code][0].slot}" in f.message or "slot A2" in f.message for f in found)
    assert all("job" in f.message or "lot" in f.message for f in found)


def test_a_face_that_the_blade_does_not_have_is_refused():
    assert "wrong_face" in codes(a_shop(), a_load(a_fill(face="spine")))


def test_a_blade_that_the_shop_does_not_know_is_refused():
    shop = a_shop()

    assert "wrong_blade" in codes(replace(shop, blades={}), a_load(shop=shop))


def test_a_job_that_is_already_burned_on_that_face_is_refused():
    assert codes(a_shop(), a_load(), burned=frozenset({("j1", "mark_side")})) == ["already_burned"]
    assert codes(a_shop(), a_load(), burned=frozenset({("j1", "pile_side"), ("j2", "mark_side")})) == []


def test_one_face_of_a_job_in_two_turns_is_refused():
    assert set(codes(a_shop(), a_load_of((Turn(1, (a_fill(),)), Turn(2, (a_fill(),)))))) == {"face_twice"}


def test_one_job_as_two_products_is_refused():
    other = a_fill(face="pile_side", sku="OTHER", marks=(BACK,))

    assert "wrong_product" in codes(a_shop(), a_load_of((Turn(1, (a_fill(),)), Turn(2, (other,)))))


def test_two_turns_of_one_number_are_refused():
    assert "turn_twice" in codes(a_shop(), a_load_of((Turn(1, (a_fill(),)), Turn(1, ()))))


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"station": "gone"}, "unknown_station"),
        ({"plate": "gone"}, "unknown_plate"),
        ({"copy": "three"}, "unknown_copy"),
        ({"copy": "two"}, "wrong_calibration"),
    ],
)
def test_a_wrong_mounting_is_refused(changes, code):
    assert code in codes(a_shop(), replace(a_load(), **changes))


def test_a_plate_that_the_station_can_not_mount_is_refused():
    shop = a_shop()

    assert codes(replace(shop, stations={"left": a_station(plates={})}), a_load(shop=shop)) == [
        "plate_not_mountable"
    ]


def test_a_process_without_a_test_card_is_refused():
    assert codes(a_shop(process=a_process(test_card=None)), a_load()) == ["no_process"]


# --- containment ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gap_mm", "allowed"), [(0.126, True), (0.1245, True), (0.123, False)])
def test_room_of_the_shift_and_half_a_line_is_needed_to_the_zones_edge(gap_mm, allowed):
    shop = a_shop(plate=a_plate(play=Play(0.1, 0.0)))
    mark = a_mark(frozen([box(10, 3 + gap_mm, 12, 8)]))

    findings = verify(shop, a_load(a_fill(marks=(mark,)), shop=shop))

    # Needed: 0.1 mm of shift and 0.025 mm of half a line, less the tolerance of 0.001 mm.
    assert (findings == ()) is allowed
    if findings:
        assert findings[0].code == "outside_zone"
        assert (findings[0].measured, findings[0].limit) == (pytest.approx(gap_mm), pytest.approx(0.125))


def test_a_keep_out_and_the_silhouette_bound_a_mark_too():
    wide = a_blade()
    faces = tuple(
        replace(f, zones=tuple(replace(z, polygon=box(-5, -5, 45, 25)) for z in f.zones)) for f in wide.faces
    )
    shop = a_shop(blade=replace(wide, faces=faces))
    near_hole, off_blade, free = squares((33.2, 15)), squares((39, 2)), squares((20, 9))

    outcomes = [
        codes(shop, a_load(a_fill(marks=(a_mark(o),)), shop=shop)) for o in (near_hole, off_blade, free)
    ]

    assert outcomes == [["outside_zone"], ["outside_zone"], []]


def test_a_zone_with_no_free_metal_takes_no_mark():
    blade = a_blade()
    faces = tuple(replace(f, zones=(a_zone(polygon=box(100, 100, 120, 110)),)) for f in blade.faces)
    shop = a_shop(blade=replace(blade, faces=faces))

    (finding,) = verify(shop, a_load(shop=shop))

    assert finding.code == "outside_zone"
    assert finding.measured == -math.inf


def test_a_point_keep_out_met_only_between_the_extremes_of_the_tilt_is_found():
    # The end of a long mark sweeps past a spike that neither extreme turn reaches.
    free = box(-10, -20, 110, 20) - shapely.Point(100.0005, 0).buffer(0.001)
    ink, play = frozen([], [a_line((0, 0), (100, 0))]), Play(0.0, 2.0, (0.0, 0.0))
    ends = [
        shapely.affinity.rotate(ink.strokes[0], a, origin=(0, 0)).distance(free.boundary) for a in (-2, 2)
    ]

    room = clearance_mm(ink, free, play, enough_mm=0.05)

    assert min(ends) > 3
    assert room < 0.001


@pytest.mark.parametrize("seed", range(8))
def test_clearance_is_never_more_than_what_dense_sampling_finds(seed):
    # The reference turns the ink by Shapely's own affinity in 400 steps; seeds are in the test's name.
    chance = np.random.default_rng(seed)
    free = shapely.MultiPoint(chance.uniform(-30, 30, (40, 2))).convex_hull - shapely.Point(
        chance.uniform(-10, 10, 2)
    ).buffer(2)
    ink = squares(tuple(chance.uniform(-12, 12, 2)), side_mm=float(chance.uniform(1, 6)))
    play = Play(0.0, float(chance.uniform(0.1, 5)), tuple(chance.uniform(-30, 30, 2)))
    turned = [
        shapely.affinity.rotate(ink.areas[0], a, origin=play.about)
        for a in np.linspace(-play.tilt_deg, play.tilt_deg, 401)
    ]
    inside = all(free.covers(t) for t in turned)
    sampled = min(t.distance(free.boundary) for t in turned)

    room = clearance_mm(ink, free, play, enough_mm=math.inf)

    assert (room >= 0) == inside
    if inside:
        assert room == pytest.approx(sampled, abs=0.001)


# --- field and focus --------------------------------------------------------------------------------


def test_a_calibration_that_moves_a_mark_out_of_the_field_is_refused():
    shop, load = a_shop(), a_load()
    a, b, c, d, _, _ = load.calibration.matrix
    moved = Calibration("measured", "left", "one", (a, b, c, d, 35.0, 0.0), 0.0)

    (finding,) = verify(shop, replace(load, calibration=moved))

    assert finding.code == "outside_field"
    assert finding.measured is not None and finding.measured > 0


def test_a_mark_up_to_the_edge_of_the_field_is_allowed_with_half_its_line_inside():
    mark = a_mark(squares((20, 8)))
    shop = a_shop(plate=a_plate(pose=Pose(0, 0, 0, 0), play=STILL))
    load = a_load(a_fill(marks=(mark,)), shop=shop)

    def shifted(edge_mm):
        return replace(load, calibration=Calibration("m", "left", "one", (1, 0, 0, 1, 48 + edge_mm, 0), 0.0))

    assert codes(shop, shifted(-0.025)) == []
    assert codes(shop, shifted(-0.020)) == ["outside_field"]


def test_a_turn_is_focused_on_the_middle_of_its_marks():
    low, high = Pose(10, 10, 0, 3.0), Pose(60, 10, 0, 3.8)
    plate = a_plate()
    slots = tuple(
        Slot(s.slot, s.outline, (a_seat(pose=p),)) for s, p in zip(plate.slots, (low, high), strict=True)
    )
    shop = a_shop(plate=replace(plate, slots=slots))
    load = a_load(a_fill(), a_fill("A2", "j2"), shop=shop)

    assert turn_focus_mm(shop, load, 1) == pytest.approx(203.4)
    assert codes(shop, load) == []
    assert codes(replace(shop, processes={"satin": a_process(focus_tolerance_mm=0.39)}), load) == [
        "out_of_focus",
        "out_of_focus",
    ]


def test_a_tilted_slot_puts_the_ends_of_a_long_mark_out_of_focus():
    mark = a_mark(squares((8, 8), (30, 8)))  # 24 mm from end to end along x
    seen = {}
    for tilt in (2.0, 3.0):
        shop = a_shop(plate=a_plate(pose=Pose(10, 10, 30, 3.0, tilt, 30.0)))
        seen[tilt] = verify(shop, a_load(a_fill(marks=(mark,)), shop=shop))

    # Half of 24 mm rises by 0.419 mm at 2 degrees and by 0.629 mm at 3; the process allows 0.5 mm.
    assert seen[2.0] == ()
    assert [f.code for f in seen[3.0]] == ["out_of_focus"]
    assert seen[3.0][0].measured == pytest.approx(12 * math.tan(math.radians(3)))


def test_tilt_across_a_mark_counts_by_its_height_only():
    mark = a_mark(squares((8, 8), (30, 8)))
    shop = a_shop(plate=a_plate(pose=Pose(10, 10, 30, 3.0, 3.0, 120.0)))

    assert verify(shop, a_load(a_fill(marks=(mark,)), shop=shop)) == ()


def test_a_turn_without_marks_keeps_the_stations_focus():
    assert turn_focus_mm(a_shop(), a_load_of((Turn(1, ()),)), 1) == 200.0


def test_the_focus_of_a_unit_without_a_seat_or_process_is_an_error():
    with pytest.raises(KeyError, match="slot A1"):
        turn_focus_mm(a_shop(), a_load(a_fill(face="spine")), 1)
    with pytest.raises(KeyError, match="process"):
        turn_focus_mm(a_shop(process=a_process(surface=replace(SATIN, finish="other"))), a_load(), 1)
