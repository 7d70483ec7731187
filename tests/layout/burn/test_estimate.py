"""The estimate against hand calculations, and its two ways against each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import box

from layout.burn import estimate
from layout.burn.turn import burn_of
from layout.shop.blades import Surface
from layout.shop.loads import Turn
from layout.shop.outline import Outline, frozen
from layout.shop.stations import Rows
from tests.golden.turns import (
    a_fill,
    a_line,
    a_load,
    a_load_of,
    a_mark,
    a_process,
    a_shop,
    a_station,
    squares,
    strokes,
    words,
)


def test_a_move_from_rest_to_rest_takes_length_over_speed_plus_speed_over_acceleration():
    # Elementary kinematics: speed 100 mm/s at 1000 mm/s2 is reached over 5 mm, so 2.5 mm never reaches it.
    moves = estimate.move_seconds(np.array([10.0, 2.5, 40.0]), 100.0, 1000.0)

    assert moves.tolist() == pytest.approx([0.2, 0.1, 0.5])
    assert estimate.move_seconds(np.array([10.0]), 100.0, None).tolist() == [0.1]


def test_a_path_is_marked_and_jumped_repeats_included():
    paths = [np.array([[0, 0], [10, 0]], dtype=float), np.array([[10, 5], [0, 5]], dtype=float)]
    process, station = a_process(speed_mm_s=100.0, repeats=3), a_station(jump_speed_mm_s=1000.0)

    travel = estimate.path_travel(paths, process, station, acceleration=False)

    assert (travel.marking_mm, travel.jump_mm) == (60.0, 15.0)
    assert (travel.marking_s, travel.jumping_s) == pytest.approx((0.6, 0.015))
    assert estimate.path_travel([], process, station) == estimate.Travel()


def test_the_head_stops_at_sharp_corners_and_runs_through_gentle_ones():
    process, station = a_process(speed_mm_s=10.0, repeats=1), a_station(acceleration_mm_s2=10.0)
    corner = [np.array([[0, 0], [20, 0], [20, 20]], dtype=float)]
    gentle = [np.array([[0, 0], [20, 0], [40, 1]], dtype=float)]

    seconds = [estimate.path_travel(path, process, station).marking_s for path in (corner, gentle)]

    assert seconds == pytest.approx([6.0, 5.0], rel=0.01)


@pytest.mark.parametrize("acceleration", [True, False])
@pytest.mark.parametrize("crossed", [True, False])
@pytest.mark.parametrize("text", ["Happy Birthday", "Ångström & Søn 8"])
def test_the_quick_way_is_within_eight_percent_of_the_routed_one(text, crossed, acceleration):
    process = a_process(rows=Rows(0.03, 45.0, crossed=crossed))
    shop = a_shop(station=a_station(fill="rows", field_mm=(300, 200)), process=process)
    outline = words(text)
    burn = burn_of(shop, a_load(a_fill(marks=(a_mark(outline),)), shop=shop), 1)

    routed = estimate.burn_travel(shop, burn, shop.stations["left"], acceleration=acceleration).total_s

    quick = estimate.mark_seconds(outline, process, shop.stations["left"], acceleration=acceleration)
    assert quick == pytest.approx(routed, rel=0.08)


def test_a_square_is_marked_along_its_area_over_the_spacing():
    process = a_process(rows=Rows(0.1, 0.0, crossed=False), edge_line=False, edge_allowance_mm=0.0, repeats=1)

    seconds = estimate.mark_seconds(
        frozen([box(0, 0, 4, 4)]), process, a_station(jump_speed_mm_s=1e9), acceleration=False
    )

    assert seconds == pytest.approx(16 / 0.1 / process.speed_mm_s)


def test_single_line_strokes_count_their_length():
    outline = Outline(strokes=(a_line((0, 0), (30, 0)),))

    seconds = estimate.mark_seconds(outline, a_process(repeats=1), a_station(), acceleration=False)

    assert seconds == pytest.approx(30 / 500)


def test_loading_counts_the_first_turn_and_turning_over_every_later_one():
    back = a_fill(face="pile_side", marks=(a_mark(face="pile_side", zone="back"),))
    load = a_load_of((Turn(1, (a_fill(), a_fill("A2", "j2"))), Turn(2, (back,))))

    spent = estimate.seconds(a_shop(), load)

    assert (spent.loading_s, spent.turning_s) == (40.0, 12.0)
    assert spent.total_s == pytest.approx(spent.travel.total_s + 52.0)


def test_acceleration_and_repeats_take_time():
    shop, once = a_shop(), a_shop(process=a_process(repeats=1))

    with_it, without = (estimate.seconds(shop, a_load(), acceleration=a).travel for a in (True, False))

    assert with_it.marking_s > without.marking_s
    assert without.marking_s == pytest.approx(
        2 * estimate.seconds(once, a_load(), acceleration=False).travel.marking_s
    )


def test_jumps_between_slots_count():
    marks = (a_mark(squares((20, 8))),)
    fills = (a_fill(marks=marks), a_fill("A2", "j2", marks=marks))
    alone = sum(estimate.seconds(a_shop(), a_load(fill)).travel.jump_mm for fill in fills)

    together = estimate.seconds(a_shop(), a_load(*fills)).travel.jump_mm

    # About 50 mm lie between the two squares, and the process repeats twice.
    assert together - alone == pytest.approx(2 * 49.5, abs=8)


def test_single_line_marks_beside_areas_are_counted_in_a_load():
    square = a_mark(squares((8, 8)))
    load = a_load(a_fill(marks=(square, a_mark(strokes()))))

    spent = estimate.seconds(a_shop(), load, acceleration=False).travel

    only = estimate.seconds(
        a_shop(), a_load(a_fill(marks=(a_mark(squares((8, 8))),))), acceleration=False
    ).travel
    assert spent.marking_mm - only.marking_mm == pytest.approx(2 * strokes().length_mm)


def test_a_job_takes_the_sum_of_its_marks():
    shop, outline = a_shop(), words("Anna 8")

    seconds = estimate.job_seconds(shop, (a_mark(outline), a_mark(outline)), "left")

    assert seconds == pytest.approx(2 * estimate.mark_seconds(outline, a_process(), a_station()))
    with pytest.raises(KeyError, match="no usable process"):
        estimate.job_seconds(shop, (a_mark(surface=Surface("stainless", "other")),), "left")


def test_an_outline_that_the_allowance_leaves_nothing_of_takes_no_time():
    thin = frozen([box(0, 0, 4, 0.04)])

    assert estimate.mark_seconds(thin, replace(a_process(), edge_allowance_mm=0.025), a_station()) == 0
