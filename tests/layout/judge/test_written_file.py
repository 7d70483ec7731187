"""The judge reads a written file, and refuses what is not the approved mark, whichever the format."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import LineString, Point, box

from layout.burn.formats import WRITERS
from layout.burn.turn import Burn, BurnPart, Piece, burn_of
from layout.judge.load import verify
from layout.judge.written_file import inspect_file
from layout.judge.written_paths import NotReadable, written_paths
from layout.shop.loads import LoadLayout
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Pose
from layout.shop.shop import Shop
from layout.shop.stations import LayerStyle, Rows, TestCard
from tests.golden.turns import (
    a_fill,
    a_line,
    a_load,
    a_mark,
    a_plate,
    a_process,
    a_shop,
    a_station,
    squares,
    strokes,
    words,
)

FORMATS = sorted(WRITERS)
CARD = TestCard("2026-01-05", "N. Nobody", isolated_lines=True)


def the_shop(*, fill: str = "rows", turn_deg: float = 15.0, **changes: object) -> Shop:
    """A station that burns hairlines by their centre lines, and a slot that turns its unit."""
    process = a_process(test_card=CARD, centre_line_passes=2, **changes)
    station = a_station(fill=fill, centre_layers={"satin": LayerStyle("SATIN CENTRE", "#604020")})
    return a_shop(station=station, process=process, plate=a_plate(pose=Pose(20.0, 12.0, turn_deg, 3.0)))


def hairline_h() -> Outline:
    """Two stems and a crossbar so thin that fill leaves it without a path."""
    stems = box(12, 8, 12.4, 12).union(box(14, 8, 14.4, 12))
    return frozen([stems.union(box(12.2, 10, 14.2, 10.02))])


def everything() -> LoadLayout:
    """Words, a single-line font and a hairline, each in a slot or zone of its own."""
    return a_load(
        a_fill("A1", marks=(a_mark(words("Bob & 8", x_mm=20.0, height_mm=3.0)),)),
        a_fill("A2", "j2", marks=(a_mark(hairline_h()), a_mark(strokes(x_mm=28.0)))),
    )


def written(burn: Burn, shop: Shop, format_name: str = "svg") -> bytes:
    return WRITERS[format_name](burn, shop.stations["left"])


def codes(shop: Shop, load: LoadLayout, burn: Burn, format_name: str = "svg") -> set[str]:
    findings = inspect_file(shop, load, 1, written(burn, shop, format_name), format_name)
    assert all("turn 1" in finding.message for finding in findings)
    return {finding.code for finding in findings}


@pytest.mark.parametrize("format_name", FORMATS)
@pytest.mark.parametrize("fill", ["rows", "outline"])
def test_a_file_as_it_was_made_has_no_findings(fill: str, format_name: str) -> None:
    shop, load = the_shop(fill=fill), everything()

    assert codes(shop, load, burn_of(shop, load, 1), format_name) == set()


def test_crossed_rows_without_an_edge_line_have_no_findings() -> None:
    shop = the_shop(rows=Rows(0.03, 20.0, crossed=True), edge_line=False)
    load = everything()

    assert codes(shop, load, burn_of(shop, load, 1)) == set()


def changed(burn: Burn, change: Callable[[BurnPart], BurnPart | None]) -> Burn:
    return replace(burn, parts=tuple(part for old in burn.parts if (part := change(old)) is not None))


def in_first_letter(change: Callable[[Piece], Piece | None]) -> Callable[[BurnPart], BurnPart]:
    def of(part: BurnPart) -> BurnPart:
        if part.slot != "A1" or part.is_centre:
            return part
        first = change(part.pieces[0])
        return replace(part, pieces=(*([first] if first else []), *part.pieces[1:]))

    return of


def without_a_row(piece: Piece) -> Piece:
    return replace(piece, rows=np.delete(piece.rows, len(piece.rows) // 2, axis=0))


def shifted(piece: Piece) -> Piece:
    by = np.array([0.05, 0.0])
    areas = tuple(affinity.translate(area, *by) for area in piece.areas)
    return Piece(areas, piece.rows + by, tuple(line + by for line in piece.lines))


def filled_only(part: BurnPart) -> BurnPart:
    return replace(part, pieces=tuple(piece for piece in part.pieces if len(piece.rows)))


FAULTS: dict[str, tuple[Callable[[BurnPart], BurnPart | None], set[str]]] = {
    "a row left out": (in_first_letter(without_a_row), {"rows_missing"}),
    "a letter left out": (in_first_letter(lambda piece: None), {"unburned"}),
    "a letter shifted": (in_first_letter(shifted), {"burns_beside"}),
    "a centre line left out": (lambda part: None if part.is_centre else part, {"unburned"}),
    "a unit left out": (lambda part: None if part.slot == "A2" else part, {"unburned"}),
    "strokes left out": (lambda part: part if part.is_centre else filled_only(part), {"unburned"}),
}


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_a_file_with_a_planted_fault_is_refused(name: str) -> None:
    shop, load = the_shop(), everything()
    change, expected = FAULTS[name]

    refused = codes(shop, load, changed(burn_of(shop, load, 1), change))

    assert expected <= refused


@pytest.mark.parametrize("format_name", FORMATS)
@pytest.mark.parametrize("fault", ["a letter left out", "a letter shifted", "a centre line left out"])
def test_filled_areas_that_are_not_the_approved_ones_are_refused(fault: str, format_name: str) -> None:
    shop, load = the_shop(fill="outline"), everything()
    change, expected = FAULTS[fault]

    assert expected <= codes(shop, load, changed(burn_of(shop, load, 1), change), format_name)


@pytest.mark.parametrize("format_name", FORMATS)
@pytest.mark.parametrize(
    ("at", "code"), [((-60.0, -30.0), "burns_elsewhere"), ((-19.15, -3.1), "burns_beside")]
)
def test_a_stray_line_is_refused_beside_a_mark_and_over_an_empty_slot(
    at: tuple[float, float], code: str, format_name: str
) -> None:
    shop, load = the_shop(), a_load(a_fill("A1", marks=(a_mark(squares((20, 8), (26, 8))),)))
    stray = np.array([at, (at[0] + 0.2, at[1] + 0.1)])

    def with_stray(part: BurnPart) -> BurnPart:
        return replace(part, pieces=(*part.pieces, Piece((), np.empty((0, 2, 2)), (stray,))))

    assert code in codes(shop, load, changed(burn_of(shop, load, 1), with_stray), format_name)


def test_a_counter_that_the_line_closes_is_refused() -> None:
    ring = Point(20, 10).buffer(0.3).difference(Point(20, 10).buffer(0.032))
    shop, load = the_shop(), a_load(a_fill(marks=(a_mark(frozen([ring])),)))

    wide = replace(shop.processes["satin"], line_width_mm=0.12)
    shop = replace(shop, processes={"satin": wide})

    assert verify(shop, load) == ()
    assert "counter_closed" in codes(shop, load, burn_of(shop, load, 1))


def test_two_zones_whose_paths_touch_as_widened_are_refused() -> None:
    shop = the_shop()
    apart = [a_mark(squares((20, 8))), a_mark(squares((22.03, 8)), zone="other")]
    load = a_load(a_fill(marks=tuple(apart)))
    wide = replace(shop.processes["satin"], line_width_mm=0.12)

    assert "zones_touch" not in codes(shop, load, burn_of(shop, load, 1))
    shop = replace(shop, processes={"satin": wide})
    assert "zones_touch" in codes(shop, load, burn_of(shop, load, 1))


def test_a_process_without_centre_lines_leaves_a_hairline_unburned() -> None:
    shop = the_shop()
    old = replace(shop, processes={"satin": replace(shop.processes["satin"], centre_line_passes=0)})
    load = a_load(a_fill(marks=(a_mark(hairline_h()),)))

    assert codes(old, load, burn_of(old, load, 1)) == {"unburned"}


def test_a_single_line_of_a_font_is_read_back_as_it_was_written() -> None:
    shop = the_shop()
    load = a_load(a_fill(marks=(a_mark(Outline(strokes=(LineString(a_line((10, 8), (12, 9)).coords),))),)))
    burn = burn_of(shop, load, 1)

    for format_name in FORMATS:
        paths = written_paths(written(burn, shop, format_name), format_name, burn.field_box_mm)

        assert len(paths.lines) == 1 and not paths.rings
        assert np.allclose(paths.lines[0], burn.parts[0].lines[0], atol=2e-4)


@pytest.mark.parametrize("format_name", FORMATS)
def test_a_file_cut_short_is_refused(format_name: str) -> None:
    shop, load = the_shop(), everything()
    data = written(burn_of(shop, load, 1), shop, format_name)

    findings = inspect_file(shop, load, 1, data[: len(data) // 2], format_name)

    assert findings


def test_a_file_of_another_form_is_not_readable() -> None:
    box_mm = (-70.0, -40.0, 70.0, 40.0)
    for data in (
        b'<svg xmlns="http://www.w3.org/2000/svg"><circle r="2"/></svg>',
        b'<svg xmlns="http://www.w3.org/2000/svg"><g transform="scale(2)"/></svg>',
    ):
        with pytest.raises(NotReadable):
            written_paths(data, "svg", box_mm)
    with pytest.raises(NotReadable):
        written_paths(b"", "plt", box_mm)
