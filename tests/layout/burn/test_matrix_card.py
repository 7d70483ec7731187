"""The matrix card: every square a layer of its own, as large as it says, the gentlest first."""

from __future__ import annotations

import io
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
import shapely

from layout.burn.formats import WRITERS
from layout.burn.matrix_card import (
    CELL_MM,
    LABELS,
    Matrix,
    card_size_mm,
    cells,
    colour,
    matrix_burn,
    station_of_card,
)
from layout.burn.turn import Burn, BurnPart, NotBurnable
from layout.shop.blades import Surface
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()
SURFACE = Surface("stainless_4116", "blasted")


def a_matrix(**changes: object) -> Matrix:
    plain = Matrix("north", SURFACE, (20.0, 50.0), (400.0, 800.0, 1600.0), (0.1,), 0.05)
    return replace(plain, **changes)  # type: ignore[arg-type]


def points_of(part: BurnPart) -> np.ndarray:
    return np.concatenate(
        [shapely.get_coordinates([*part.areas]), part.rows.reshape(-1, 2), *(line for line in part.lines)]
    )


def square_of(burn: Burn, name: str) -> tuple[float, float, float, float]:
    """What the square's own lines cover, their width included."""
    part = next(part for part in burn.parts if part.slot == name)
    rows = part.rows.reshape(-1, 2)
    grown = part.line_width_mm / 2
    return (*(rows.min(axis=0) - grown), *(rows.max(axis=0) + grown))


def test_every_pair_of_settings_has_a_layer_and_a_colour_of_its_own() -> None:
    matrix = a_matrix()

    squares = cells(matrix)

    assert {(cell.power_percent, cell.speed_mm_s) for cell in squares} == {
        (power, speed) for power in (20.0, 50.0) for speed in (400.0, 800.0, 1600.0)
    }
    assert len({cell.style.layer for cell in squares}) == len({cell.style.colour for cell in squares}) == 6
    assert len({colour(index) for index in range(100)}) == 100


def test_squares_come_after_the_labels_from_the_gentlest_to_the_strongest() -> None:
    """Energy for an area: power over speed and distance of rows."""
    matrix = a_matrix()
    burn = matrix_burn(SHOP, matrix)

    assert [part.slot for part in burn.parts] == [LABELS, "A3", "A2", "B3", "A1", "B2", "B1"]
    doses = {cell.cell: cell.dose for cell in cells(matrix)}
    assert doses == {"A3": 1.0, "A2": 2.0, "A1": 4.0, "B3": 2.5, "B2": 5.0, "B1": 10.0}


def test_squares_lie_in_rows_and_columns_as_labelled_and_are_as_large_as_they_say() -> None:
    matrix = a_matrix(spacings_mm=(0.02,))
    burn = matrix_burn(SHOP, matrix)

    boxes = {cell.cell: square_of(burn, cell.cell) for cell in cells(matrix)}

    for x0, y0, x1, y1 in boxes.values():
        assert (x1 - x0, y1 - y0) == pytest.approx((CELL_MM, CELL_MM), abs=0.05)
    assert boxes["A1"][0] < boxes["A2"][0] < boxes["A3"][0] and boxes["A1"][1] > boxes["B1"][3]
    assert boxes["A1"][0] == pytest.approx(boxes["B1"][0], abs=0.02)


def test_the_card_lies_in_the_middle_of_the_field_on_its_scrap() -> None:
    for station in ("north", "south"):
        matrix = a_matrix(station=station)
        burn = matrix_burn(SHOP, matrix)

        x0, y0, x1, y1 = SHOP.stations[station].field_box_mm
        off = np.abs(
            np.concatenate([points_of(part) for part in burn.parts]) - [(x0 + x1) / 2, (y0 + y1) / 2]
        )
        assert (off <= np.array(card_size_mm(matrix)) / 2).all(), station
        for one, other in zip(burn.parts[1:], burn.parts[2:], strict=False):
            assert shapely.box(*_box(one)).disjoint(shapely.box(*_box(other)))


def _box(part: BurnPart) -> tuple[float, ...]:
    points = points_of(part)
    return (*points.min(axis=0), *points.max(axis=0))


def test_rows_of_spacing_are_as_far_apart_as_they_say() -> None:
    matrix = a_matrix(powers_percent=(40.0,), spacings_mm=(0.05, 0.1), angle_deg=0.0)
    burn = matrix_burn(SHOP, matrix)

    for name, spacing in (("A1", 0.05), ("B1", 0.1)):
        part = next(part for part in burn.parts if part.slot == name)
        heights = np.unique(np.round(part.rows[:, 0, 1], 4))
        assert np.diff(heights) == pytest.approx(spacing, abs=2e-4), name


def test_an_independent_reader_finds_every_layer_in_its_colour() -> None:
    """DXF by ezdxf, whose reader shares nothing with what chose the layers."""
    matrix = a_matrix()
    burn, station = matrix_burn(SHOP, matrix), station_of_card(SHOP.stations["north"], matrix)

    document = ezdxf.read(io.StringIO(WRITERS["dxf"](burn, station).decode()))

    styles = {cell.style.layer: cell.style.colour for cell in cells(matrix)}
    found = {layer.dxf.name: layer.rgb for layer in document.layers if layer.dxf.name in styles}
    assert {name: "#{:02x}{:02x}{:02x}".format(*rgb) for name, rgb in found.items()} == styles
    assert {entity.dxf.layer for entity in document.modelspace()} == {*styles, LABELS}


@pytest.mark.parametrize(
    "changes",
    [
        {"powers_percent": (20.0, 40.0), "spacings_mm": (0.02, 0.03)},
        {"powers_percent": (120.0,)},
        {"speeds_mm_s": ()},
        {"speeds_mm_s": tuple(map(float, range(1, 14)))},
        {"speeds_mm_s": (400.0, 400.0)},
    ],
)
def test_what_can_be_no_card_is_refused(changes: dict[str, tuple[float, ...]]) -> None:
    with pytest.raises(ValueError, match=r"rows are|powers|speeds"):
        a_matrix(**changes)


def test_a_field_too_small_for_the_card_is_named() -> None:
    north = replace(SHOP.stations["north"], field_mm=(40.0, 40.0))

    with pytest.raises(NotBurnable, match="smaller than the card"):
        matrix_burn(replace(SHOP, stations={"north": north}), a_matrix())
