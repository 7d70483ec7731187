"""The guides as pages of the service: all of them are there, and every link and picture leads somewhere."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from service.pages.guides import FOLDER, READERS
from service.records.db import Database
from service.requests.refusals import MEANINGS
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter

NAMES = [name for names in READERS.values() for name in names]


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Any:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        yield counter


class Named(HTMLParser):
    """Links, pictures and places of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.pictures: list[str] = []
        self.places: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = {name: value or "" for name, value in attrs}
        self.places |= {named["id"]} if "id" in named else set()
        if tag == "a":
            self.links.append(named["href"])
        if tag == "img":
            self.pictures.append(named["src"])


def shown(counter: Counter, address: str) -> Named:
    """What an address shows to somebody without a key."""
    answer = counter.client.get(address)
    assert answer.status_code == 200, address
    return Named(answer.text)


def test_every_file_of_the_guides_is_in_the_index(counter: Counter) -> None:
    written = {path.stem for path in FOLDER.glob("*.md")}

    linked = {link.removeprefix("/guides/") for link in shown(counter, "/guides").links}

    assert written == set(NAMES)
    assert written <= linked


@pytest.mark.parametrize("name", NAMES)
def test_every_link_and_picture_of_a_guide_leads_somewhere(counter: Counter, name: str) -> None:
    here = shown(counter, f"/guides/{name}")

    for link in here.links:
        address, _, place = link.partition("#")
        assert not address.endswith(".md"), link
        if address.startswith("/guides/") or not address:
            there = shown(counter, address) if address else here
            assert not place or place in there.places, link
        if address.startswith("/problems/"):
            assert address.removeprefix("/problems/") in MEANINGS
    for picture in here.pictures:
        answer = counter.client.get(picture)
        assert answer.status_code == 200, picture
        assert answer.headers["content-type"] in {"image/png", "image/svg+xml"}


def test_no_guide_and_no_picture_brings_anything_from_another_host(counter: Counter) -> None:
    for name in NAMES:
        text = counter.client.get(f"/guides/{name}").text

        assert not re.findall(r'(?:src|srcset)="(?!/)', text), name


@pytest.mark.parametrize(
    "address", ["/guides/no-such", "/guides/pictures/no-such.png", "/guides/%2e%2e%2fapp"]
)
def test_what_is_no_guide_is_not_there(counter: Counter, address: str) -> None:
    assert counter.client.get(address).status_code == 404
