"""The size a mark gets where nobody gave one: usual height and room, then less height, then less room."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from shapely.geometry import box

from layout.shop.findings import Verdict
from layout.shop.inscriptions import ArtworkInscription, CodeInscription, MonogramInscription, TextInscription
from layout.shop.shop import Shop
from tests.layout.made_up import checked, codes, the_finding, with_zone

USUAL, ROOM, MARGIN = 5.0, 2.0, 0.3


def usual(text: str, **changes: object) -> TextInscription:
    return replace(TextInscription("heel", text, "lato-bold"), **changes)  # type: ignore[arg-type]


@cache
def a_band(length_mm: float, height_mm: float = 16.0) -> Shop:
    """The heel's zone as a plain rectangle of that size, clear of everything else."""
    polygon = box(30 - length_mm / 2, 2 - height_mm / 2, 30 + length_mm / 2, 2 + height_mm / 2)
    return with_zone(
        "heel",
        lambda zone: replace(zone, polygon=polygon, usual_height_mm=USUAL, usual_room_mm=ROOM, max_lines=2),
    )


def room_mm(shop: Shop, asked: TextInscription) -> float:
    """How far the mark keeps from the zone's edge, half a line and the play apart."""
    (one,) = checked(asked, shop=shop).inscriptions
    assert one.region is not None and one.fit is not None
    return MARGIN + one.fit.clearance_mm


def test_words_with_room_enough_have_the_usual_height_and_not_the_largest() -> None:
    result = checked(usual("Rosa"), shop=a_band(40.0))

    assert (result.verdict, codes(result)) == (Verdict.ACCEPT, [])
    assert result.inscriptions[0].size_mm == USUAL
    assert checked(usual("Rosa", size="largest"), shop=a_band(40.0)).inscriptions[0].size_mm > USUAL


def test_longer_words_get_smaller_and_keep_the_room() -> None:
    shop, asked = a_band(40.0), usual("For Rosa, gardener")

    result = checked(asked, shop=shop)

    size = result.inscriptions[0].size_mm
    assert size is not None and 2.0 < size < USUAL and codes(result) == []
    assert room_mm(shop, asked) == pytest.approx(ROOM, abs=0.07)
    # One step more would not keep it.
    assert room_mm(shop, replace(asked, height_mm=round(size + 0.05, 2))) < ROOM


def test_room_gives_way_only_when_the_words_could_not_be_read_if_smaller() -> None:
    shop, asked = a_band(25.0), usual("For Rosa, gardener")

    result = checked(asked, shop=shop)

    note = the_finding(result, "less_room")
    assert (result.verdict, codes(result)) == (Verdict.ACCEPT, ["less_room"])
    assert result.inscriptions[0].size_mm == 2.0  # the height that a person need not look at
    assert MARGIN <= note.measured < ROOM and note.limit == ROOM
    assert room_mm(shop, asked) >= note.measured - 0.001


def test_height_falls_below_the_review_height_only_at_the_edge_margin() -> None:
    shop, asked = a_band(22.0), usual("For Rosa, gardener")

    result = checked(asked, shop=shop)

    size = result.inscriptions[0].size_mm
    assert set(codes(result)) == {"less_room", "small_capitals"} and result.verdict is Verdict.REVIEW
    assert size is not None and size < 2.0
    assert size == checked(replace(asked, size="largest"), shop=shop).inscriptions[0].size_mm


def test_a_size_that_was_asked_for_is_kept_whatever_is_usual() -> None:
    result = checked(usual("Rosa", height_mm=7.0), shop=a_band(40.0))

    assert (result.inscriptions[0].size_mm, codes(result)) == (7.0, [])


def test_a_zone_without_a_usual_height_gives_the_largest() -> None:
    shop = with_zone("heel", lambda zone: replace(zone, usual_height_mm=None))

    sizes = [
        checked(usual("Rosa", size=size), shop=shop).inscriptions[0].size_mm for size in ("usual", "largest")
    ]

    assert sizes[0] == sizes[1]


@pytest.mark.parametrize(
    "asked",
    [
        ArtworkInscription("heel", "leaf"),
        MonogramInscription("heel", "RM", "lato-bold", "ring"),
        CodeInscription("heel", "qr", "A&Q 1961"),
    ],
)
def test_what_is_no_line_of_words_stands_as_tall_as_two_lines_of_them(asked) -> None:
    shop = with_zone(
        "heel", lambda zone: replace(zone, usual_height_mm=USUAL, usual_room_mm=ROOM, leading=1.6)
    )

    (one,) = checked(asked, shop=shop).inscriptions

    assert one.fit is not None
    assert one.fit.block.bounds[3] - one.fit.block.bounds[1] == pytest.approx(2.6 * USUAL, rel=0.06)


def test_where_words_may_be_broken_they_stay_in_as_few_lines_as_have_the_usual_height() -> None:
    shop = a_band(40.0)

    lines = [
        checked(usual(text, breaks="fitted"), shop=shop).inscriptions[0].lines
        for text in ("For Rosa", "For Rosa, gardener")
    ]

    assert lines == [("For Rosa",), ("For Rosa,", "gardener")]


def test_words_round_a_hole_have_the_usual_height_too() -> None:
    asked = TextInscription("round_hole_1", "Brie", "lato-bold")

    result = checked(asked, sku="AQ-CHEESE-14")

    assert (result.verdict, result.inscriptions[0].size_mm) == (Verdict.ACCEPT, 2.0)
