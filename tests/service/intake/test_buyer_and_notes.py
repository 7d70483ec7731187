"""Who ordered, and notes of people: kept with the order, shown to whoever needs them, told to nobody else."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service.records.db import Database
from service.records.tables import Event, History, IdempotentRequest, Order, Outbox
from service.requests.idempotency import fingerprint_of
from service.requests.order_in import OrderIn
from tests import pdf
from tests.clocks import SetClock
from tests.counter import Counter, a_key, an_open_counter, an_order

BUYER = {"name": "Nan  Alder "}
NOTES = {"order": "Rang twice.", "gift": "Happy birthday!", "bench": "Handle is oiled."}


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def rows(counter: Counter, model: type[Any]) -> list[Any]:
    with counter.tools.database.reading() as session:
        return list(session.scalars(select(model)))


def test_an_order_is_answered_with_its_buyer_and_the_notes_that_somebody_wrote(counter: Counter) -> None:
    taken = counter.post_order(an_order(buyer=BUYER, notes={**NOTES, "order": " "})).json()

    order = counter.ask("desk", "GET", f"/v1/orders/{taken['id']}").json()

    assert order["buyer"] == {"name": "Nan Alder"}
    assert order["notes"] == {"gift": NOTES["gift"], "bench": NOTES["bench"]}


def test_an_order_without_them_is_answered_as_ever(counter: Counter) -> None:
    order = counter.post_order(an_order(notes={})).json()

    assert not {"buyer", "notes"} & order.keys()


def test_an_order_posted_before_they_could_be_sent_is_the_same_order_when_it_is_posted_again(
    counter: Counter,
) -> None:
    body, key = an_order(), a_key()
    counter.post_order(body, key=key)

    kept = rows(counter, IdempotentRequest)[0].fingerprint

    before = OrderIn.model_validate(body).model_dump(mode="json")
    del before["buyer"], before["notes"]  # what such a body was before
    assert kept == fingerprint_of(before)
    assert counter.post_order({**body, "buyer": BUYER}, key=key).status_code == 422


@pytest.mark.parametrize(
    "wrong",
    [
        {"buyer": {"name": "N" * 121}},
        {"buyer": {"name": "Nan", "mail": "nan@alder.example"}},
        {"notes": {"gift": "x" * 501}},
        {"notes": {"card": "Hello"}},
        {"notes": {"bench": "\x00"}},
    ],
)
def test_what_is_too_long_or_unknown_is_refused(counter: Counter, wrong: dict[str, Any]) -> None:
    assert counter.post_order(an_order(**wrong)).status_code == 422
    assert rows(counter, Order) == []


def test_no_callback_event_task_or_history_names_a_buyer_or_says_a_note(counter: Counter) -> None:
    counter.post_order(an_order(buyer=BUYER, notes=NOTES))

    written = [
        str({column.name: getattr(row, column.name) for column in row.__table__.columns})
        for model in (Event, History, Outbox)
        for row in rows(counter, model)
    ]

    assert len(written) > 2
    assert not [text for text in written for said in ("Alder", *NOTES.values()) if said in text]


def test_the_bench_reads_its_note_and_that_there_is_a_gift_note_not_what_it_says(counter: Counter) -> None:
    counter.post_order(an_order(buyer=BUYER, notes=NOTES))
    load = next(
        answer.json()
        for station in ("north", "south")
        if (
            answer := counter.ask("bench", "POST", "/v1/loads/next", {"station": station, "operator": "Ines"})
        ).status_code
        == 201
    )
    counter.client.post("/sign-in", data={"key": counter.keys["bench"], "name": "Ines"})

    slot = load["turns"][0]["slots"][0]
    papers = [
        " ".join(pdf.words_of(counter.ask("bench", "GET", f"/v1/loads/{load['id']}/{name}.pdf").content))
        for name in ("labels", "sheet")
    ]

    assert (slot["bench_note"], slot["gift_note"]) == (NOTES["bench"], True)
    assert all("Gift note" in paper for paper in papers)
    assert not [text for text in (str(load), *papers) for said in ("Alder", NOTES["gift"]) if said in text]


def test_a_note_to_the_shop_alone_is_answered_alone(counter: Counter) -> None:
    order = counter.post_order(an_order(notes={"order": NOTES["order"]})).json()

    assert order["notes"] == {"order": NOTES["order"]}
