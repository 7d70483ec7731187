"""Pictures of what was approved: of the line and the face that was asked for."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import resvg_py
from PIL import Image

from service.intake import proofs
from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import a_line, an_inscription, an_open_counter, an_order


def test_the_picture_shows_the_face_that_was_asked_for_and_its_words(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    front, back = an_inscription(), an_inscription(zone="ricasso_back", text="Ada", height_mm=4.0)
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        orders = [
            counter.post_order(an_order(lines=[a_line(inscriptions=inscriptions)])).json()["id"]
            for inscriptions in ([front, back], [front], [back])
        ]
        both, *alone = (f"/v1/orders/{order}/proof.svg?captions=no" for order in orders)
        mark_side, pile_side, first, spine, front_alone, back_alone = (
            counter.ask("store", "GET", address)
            for address in (
                *(f"{both}&face={face}" for face in ("mark_side", "pile_side")),
                both,
                f"{both}&face=spine",
                *alone,
            )
        )

    assert mark_side.text == first.text == front_alone.text
    assert pile_side.text == back_alone.text != first.text
    assert spine.status_code == 404


def test_words_are_on_a_picture_where_the_machine_has_no_letters_of_its_own() -> None:
    words = '<text y="15" font-family="sans-serif">Ada</text>'
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" width="90" height="20">{words}</svg>'

    with_ours, without = (
        bytes(resvg_py.svg_to_bytes(svg_string=svg, skip_system_fonts=True, **letters))
        for letters in (proofs.letters(), {})
    )

    assert Image.open(BytesIO(with_ours)).getbbox() is not None
    assert Image.open(BytesIO(without)).getbbox() is None
