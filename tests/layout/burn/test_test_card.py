"""The test card: what is on it, and that it burns as every file does."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
import shapely

from layout.burn.svg import burn_svg
from layout.burn.test_card import CARD_MM, card_burn, shop_of_card
from layout.burn.turn import Burn, NotBurnable
from layout.shop.shop import Shop
from tests.made_up import the_made_up_shop

SHOP = the_made_up_shop()


def a_small_shop(**changes: object) -> Shop:
    """The made-up shop's south station, with what a card needs."""
    south = replace(SHOP.stations["south"], **changes)  # type: ignore[arg-type]
    return replace(shop_of_card(SHOP), stations={"south": south})


def everything(burn: Burn) -> np.ndarray:
    pieces = [p for part in burn.parts for p in part.pieces]
    found = [shapely.get_coordinates([*p.areas]) for p in pieces] + [p.rows.reshape(-1, 2) for p in pieces]
    return np.concatenate([*found, *(line for p in pieces for line in p.lines)])


@pytest.mark.parametrize("process", ["satin-north", "mirror-north", "polished-south"])
def test_a_card_lies_in_the_middle_of_the_field_and_on_the_scrap(process: str) -> None:
    recipe = SHOP.processes[process]
    burn = card_burn(SHOP, recipe)

    x0, y0, x1, y1 = SHOP.stations[recipe.station].field_box_mm
    off = np.abs(everything(burn) - [(x0 + x1) / 2, (y0 + y1) / 2])
    assert (off <= np.array(CARD_MM) / 2).all()
    assert {part.process for part in burn.parts} == {process}


def test_every_row_of_the_card_is_there_for_a_process_that_is_not_proven_yet() -> None:
    recipe = SHOP.processes["mirror-north"]

    burn = card_burn(SHOP, recipe)

    assert recipe.test_card is None
    assert [part.slot for part in burn.parts if not part.is_centre] == [f"row{n}" for n in range(1, 8)]
    assert "row4" in [part.slot for part in burn.parts if part.is_centre]  # the isolated lines
    assert all(part.pieces for part in burn.parts)


def test_the_squares_are_as_large_as_they_say() -> None:
    burn = card_burn(SHOP, SHOP.processes["polished-south"])  # a station that takes filled outlines

    sides = [piece.areas[0].bounds[2] - piece.areas[0].bounds[0] for piece in burn.parts[1].pieces]

    assert sides == pytest.approx([8.0, 4.0, 2.0, 1.0, 0.5])


def test_on_a_station_with_flipped_axes_the_card_is_flipped_back_by_the_station() -> None:
    plain = card_burn(a_small_shop(), SHOP.processes["polished-south"])
    flipped = card_burn(a_small_shop(axes=(-1.0, 1.0)), SHOP.processes["polished-south"])

    middle = np.mean([plain.field_box_mm[0], plain.field_box_mm[2]])
    assert np.sort(2 * middle - everything(flipped)[:, 0]) == pytest.approx(np.sort(everything(plain)[:, 0]))


def test_the_file_is_one_layer_of_the_station_and_nothing_else() -> None:
    station = SHOP.stations["south"]

    read = ET.fromstring(burn_svg(card_burn(SHOP, SHOP.processes["polished-south"]), station))

    groups = [group.get("id") for group in read if group.tag.endswith("}g")]
    assert groups == [
        station.layers["polished-south"].layer,
        station.centre_layers["polished-south"].layer,
    ]


def test_a_field_smaller_than_the_card_is_refused() -> None:
    with pytest.raises(NotBurnable, match="smaller"):
        card_burn(a_small_shop(field_mm=(60.0, 60.0)), SHOP.processes["polished-south"])
