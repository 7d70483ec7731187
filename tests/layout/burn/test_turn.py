"""A burn is what one turn burns, in station coordinates, the same whatever the order of the fills."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from layout.burn.dxf import burn_dxf
from layout.burn.svg import burn_svg
from layout.burn.turn import CODE_LETTERS, NotBurnable, burn_of, short_code
from layout.pictures.guide import guide_svg, handle_direction_deg
from layout.shop.blades import Surface
from layout.shop.loads import Turn
from layout.shop.plates import Pose
from layout.shop.stations import Calibration, LayerStyle
from layout.shop.svg_text import is_closed
from tests.golden.turns import (
    SATIN,
    a_fill,
    a_load,
    a_load_of,
    a_mark,
    a_plate,
    a_process,
    a_shop,
    a_station,
    squares,
    strokes,
)

ROWS = a_station(fill="rows")


def test_areas_lie_where_slot_and_plate_put_them():
    mark = a_mark(squares((20, 8)))

    burn = burn_of(a_shop(), a_load(a_fill(marks=(mark,))), 1)

    # Slot A1 is at (10, 10), the plate at (-60, -30).
    assert shapely.total_bounds(burn.parts[0].areas).tolist() == [-30.0, -12.0, -28.0, -10.0]
    assert burn.field_box_mm == (-70.0, -40.0, 70.0, 40.0)


def test_a_slot_turned_half_round_turns_its_marks():
    mark = a_mark(squares((20, 8)))

    burn = burn_of(a_shop(), a_load(a_fill("A2", marks=(mark,))), 1)

    # Slot A2 is at (100, 40), turned by 180 degrees: the square runs from (78, 30) to (80, 32) there.
    assert shapely.total_bounds(burn.parts[0].areas).tolist() == [18.0, 0.0, 20.0, 2.0]


def test_the_order_of_fills_changes_no_byte():
    fills = (a_fill(), a_fill("A2", "j2"))

    burns = [burn_of(a_shop(), a_load(*order), 1) for order in (fills, fills[::-1])]

    assert burns[0].digest == burns[1].digest
    assert burn_svg(burns[0], a_station()) == burn_svg(burns[1], a_station())
    assert burn_dxf(burns[0], a_station()) == burn_dxf(burns[1], a_station())


def test_moving_a_slot_moves_rows_and_changes_none():
    here, there = Pose(10, 10, 0, 3), Pose(25.5, 17.25, 0, 3)

    burns = [
        burn_of(shop := a_shop(station=ROWS, plate=a_plate(pose=pose)), a_load(shop=shop), 1)
        for pose in (here, there)
    ]

    moved = burns[1].parts[0].rows - burns[0].parts[0].rows
    assert np.abs(moved - [15.5, 7.25]).max() < 0.00011  # each is rounded to 0.0001 mm once


def test_job_names_are_in_no_burn_file_and_slots_are():
    shop = a_shop()
    data = burn_svg(burn_of(shop, a_load(a_fill(job="j1-secret")), 1), a_station())

    ids = [e.attrib["id"] for e in ElementTree.fromstring(data).iter() if "id" in e.attrib]

    assert ids == ["SATIN", "SATIN.A1"]
    assert b"secret" not in data


def test_an_empty_slot_and_a_slot_without_marks_burn_nothing():
    load = a_load(a_fill(), a_fill("A2", "j2", marks=()))

    assert [part.slot for part in burn_of(a_shop(), load, 1).parts] == ["A1"]


def test_each_process_is_its_own_part_and_layer():
    mirror = Surface("stainless", "mirror")
    shop = a_shop(
        station=a_station(layers={"satin": LayerStyle("S", "#111111"), "mirror": LayerStyle("M", "#222222")})
    )
    shop = replace(shop, processes={**shop.processes, "mirror": a_process(process="mirror", surface=mirror)})
    marks = (a_mark(squares((10, 8))), a_mark(squares((20, 8)), surface=mirror))

    burn = burn_of(shop, a_load(a_fill(marks=marks), a_fill("A2", "j2"), shop=shop), 1)

    assert [(p.process, p.slot) for p in burn.parts] == [("mirror", "A1"), ("satin", "A1"), ("satin", "A2")]
    root = ElementTree.fromstring(burn_svg(burn, shop.stations["left"]))
    assert [(g.attrib["id"], g.attrib["stroke"]) for g in root if g.tag.endswith("}g")] == [
        ("M", "#222222"),
        ("S", "#111111"),
    ]


def test_letters_are_burned_in_reading_order():
    burn = burn_of(
        shop := a_shop(station=ROWS),
        a_load(a_fill(marks=(a_mark(squares((8, 8), (14, 8), (20, 8))),)), shop=shop),
        1,
    )

    lefts = [piece.rows[:, :, 0].min() for piece in burn.parts[0].pieces]

    assert lefts == sorted(lefts)


def test_repeats_double_no_geometry():
    burns = [
        burn_of(shop := a_shop(station=ROWS, process=a_process(repeats=n)), a_load(shop=shop), 1)
        for n in (1, 3)
    ]

    assert burns[0].digest == burns[1].digest


def test_crossed_rows_follow_the_rows_of_their_letter():
    shop = a_shop(station=ROWS, process=a_process(rows=replace(a_process().rows, crossed=True)))

    part = burn_of(shop, a_load(shop=shop), 1).parts[0]

    plain = burn_of(one := a_shop(station=ROWS), a_load(shop=one), 1).parts[0]
    assert len(part.pieces) == len(plain.pieces)
    assert len(part.rows) > 1.5 * len(plain.rows)


@pytest.mark.parametrize("station", [a_station(), ROWS], ids=["outline", "rows"])
def test_single_line_letters_stay_open_strokes(station):
    burn = burn_of(shop := a_shop(station=station), a_load(a_fill(marks=(a_mark(strokes()),)), shop=shop), 1)

    assert burn.parts[0].areas == ()
    assert len(burn.parts[0].rows) == 0
    assert [is_closed(line) for line in burn.parts[0].lines] == [False, False]


def test_a_missing_turn_seat_or_process_is_an_error_that_names_the_slot():
    with pytest.raises(KeyError, match="turn 2"):
        burn_of(a_shop(), a_load(), 2)
    with pytest.raises(NotBurnable, match=r"slot A1.*spine"):
        burn_of(a_shop(), a_load(a_fill(face="spine")), 1)
    with pytest.raises(NotBurnable, match=r"slot A1.*no usable process"):
        burn_of(a_shop(process=a_process(test_card=None)), a_load(), 1)


def test_a_short_code_has_six_characters_without_look_alikes():
    code = burn_of(a_shop(), a_load(), 1).short_code

    assert len(code) == 6
    assert set(code) <= set(CODE_LETTERS)
    assert not set(CODE_LETTERS) & set("0O1IL2Z5S8B")
    assert short_code("00" * 31 + "01") == "433333"


def test_one_frozen_step_changes_the_digest():
    marks = [a_mark(squares((20, 8))), a_mark(squares((20.0001, 8)))]

    digests = {burn_of(a_shop(), a_load(a_fill(marks=(m,))), 1).digest for m in marks}

    assert len(digests) == 2


# --- guide ------------------------------------------------------------------------------------------


def test_a_guide_names_slots_units_and_what_it_is_not():
    guide = ElementTree.fromstring(guide_svg(a_shop(), a_load(), 1, "L5-t1-r1-K7M2QX"))

    title, *said = [element.text or "" for element in guide.iter("{http://www.w3.org/2000/svg}text")]
    assert title.startswith("GUIDE - NOT FOR BURNING - L5-t1-r1-K7M2QX - ")
    assert said == ["A1", "j1, PARER, mark side up", "A2", "empty", "x 0, y 0"]


def test_a_guide_shows_whole_units_and_what_is_burned_on_them():
    shop = a_shop()
    bare = shop.blades["parer"]
    face = replace(bare.faces[0], body=box(-200, 0, 5, 20))
    handled = replace(shop, blades={**shop.blades, "parer": replace(bare, faces=(face, *bare.faces[1:]))})

    sizes = [ElementTree.fromstring(guide_svg(known, a_load(), 1)) for known in (shop, handled)]

    widths = [float(guide.attrib["viewBox"].split()[2]) for guide in sizes]
    assert widths[1] > widths[0] + 50  # a handle that leaves the field makes the picture wider, and is on it
    marks = [
        path
        for path in sizes[0].iter("{http://www.w3.org/2000/svg}path")
        if path.attrib["fill"] not in {"none", "black"}
    ]
    assert len(marks) == len(a_fill().marks)


def test_a_guide_names_lots():
    lot = a_fill(job=None, lot="lot 7", sku="BARE", blade="bare")

    assert "lot 7, BARE, mark side up" in guide_svg(a_shop(), a_load(lot), 1).decode()


def test_the_handle_points_where_face_slot_and_plate_turn_it():
    shop, load = a_shop(), a_load()
    quarter = replace(load, calibration=Calibration("m", "left", "one", (0, -1, 1, 0, 0, 0), 0.0))

    assert handle_direction_deg(shop, load, a_fill()) == 180.0
    assert handle_direction_deg(shop, load, a_fill("A2")) == 0.0
    assert handle_direction_deg(shop, quarter, a_fill()) == 270.0


def test_a_guide_of_a_unit_that_does_not_fit_is_an_error():
    with pytest.raises(KeyError, match="slot A1"):
        guide_svg(a_shop(), a_load_of((Turn(1, (a_fill(face="spine"),)),)), 1)
    with pytest.raises(KeyError, match="slot A1"):
        handle_direction_deg(a_shop(), a_load(), a_fill(face="spine"))


def test_a_process_without_a_layer_is_an_error():
    shop = a_shop()

    with pytest.raises(KeyError):
        burn_svg(burn_of(shop, a_load(a_fill(marks=(a_mark(surface=SATIN),))), 1), a_station(layers={}))
