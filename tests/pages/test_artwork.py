"""The owner's page for marks, over HTTP: a drawing becomes a mark or a frame of the draft."""

from __future__ import annotations

import io
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import ezdxf
import pytest
from httpx import Response

from layout.marks.artwork import read_artwork
from service.pages.artworks import ADDRESS
from service.records.db import Database
from service.records.who import SWEEP
from service.shop import drafts
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter
from tests.made_up import put_in_force
from tests.pages.forms import form_to

RING = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">'
    '<circle cx="10" cy="10" r="9" fill="none" stroke="black" stroke-width="1"/></svg>'
)


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        put_in_force(counter.tools.database, by=counter.tools.by(SWEEP))
        counter.client.post("/sign-in", data={"key": counter.keys["owner"], "name": "Olga"})
        yield counter


def brought_in(counter: Counter, name: str, data: bytes, **said: str) -> Response:
    fields = form_to(counter.client.get(ADDRESS).text, ADDRESS).fields
    return counter.client.post(
        ADDRESS, data={"token": fields["token"], **said}, files={"file": (name, data, "image/svg+xml")}
    )


def drafted(counter: Counter) -> dict[str, str]:
    with counter.tools.database.reading() as session:
        draft = drafts.find(session)
        return dict(draft.content) if draft is not None else {}


def test_strokes_become_a_frame_with_its_box_in_the_draft(counter: Counter) -> None:
    first = brought_in(counter, "My Hoop.svg", RING.encode(), use="frame")

    assert "19.0 × 19.0 mm as drawn. Thinnest stroke 1.00 mm." in first.text
    assert "data:image/svg+xml;base64," in first.text
    assert re.search(r'name="x0"[^>]*value="3\.9\d*"', first.text)
    assert drafted(counter) == {}
    fields = form_to(first.text, ADDRESS).fields
    again = counter.client.post(ADDRESS, data={**fields, "use": "frame", "name": "Hoop", "act": "draft"})
    assert "Written into the draft" in again.text
    content = drafted(counter)
    entry = tomllib.loads(content["artwork/artwork.toml"])["artwork"][-1]
    assert (entry["artwork"], entry["name"], entry["use"]) == ("My-Hoop", "Hoop", "frame")
    assert entry["initials_box_mm"] == pytest.approx([4.0, 4.0, 15.0, 15.0], abs=0.15)
    outline = read_artwork(content["artwork/My-Hoop.svg"].encode())
    assert outline.bounds_mm == pytest.approx((0, 0, 19, 19), abs=0.01)

    taken = counter.client.post(ADDRESS, data={**fields, "use": "frame", "name": "Hoop", "act": "draft"})
    assert taken.status_code == 422
    assert "there is a drawing My-Hoop.svg already" in taken.text.replace("&#39;", "'")


def test_a_drawing_without_a_unit_and_with_open_lines_is_asked_about(counter: Counter) -> None:
    drawing = ezdxf.new(units=0)
    drawing.modelspace().add_line((0, 0), (10, 0))
    written = io.StringIO()
    drawing.write(written)

    first = brought_in(counter, "bar.dxf", written.getvalue().encode())
    assert "choose the unit of its numbers, or say how wide the mark is." in first.text
    fields = form_to(first.text, ADDRESS).fields
    second = counter.client.post(ADDRESS, data={**fields, "unit": "mm"})
    assert "say how wide they are" in second.text
    third = counter.client.post(ADDRESS, data={**fields, "unit": "mm", "line": "2"})
    assert "12.0 × 2.0 mm as drawn." in third.text


def test_what_can_be_no_mark_is_refused_and_the_page_is_the_owner_s(counter: Counter) -> None:
    assert "can't be used like this" in brought_in(counter, "x.svg", b"<svg").text
    token = form_to(counter.client.get(ADDRESS).text, ADDRESS).fields["token"]
    for form, said in [
        ({}, "choose a drawing"),
        ({"drawing": "%%%"}, "lost on the way"),
    ]:
        refused = counter.client.post(ADDRESS, data={"token": token, **form})
        assert refused.status_code == 422 and said in refused.text
    assert brought_in(counter, "x.svg", RING.encode(), width="wide").status_code == 422
    counter.client.post("/sign-in", data={"key": counter.keys["bench"], "name": "Ines"})
    assert counter.client.get(ADDRESS).status_code == 403
