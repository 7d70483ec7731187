"""Rows that are put straight into their table."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from functools import partial
from typing import Any

import pytest
from sqlalchemy import bindparam, select
from sqlalchemy.exc import StatementError
from sqlalchemy.orm import Session

from service.records import new_rows
from service.records.db import Database
from service.records.tables import Bin, Callback, Event, History, Promise, Stock
from service.records.tables.messages import Delivery
from tests.clocks import MORNING


def _events(count: int) -> list[Event]:
    return [
        Event(type=f"t{number}", client="store-1", data={"n": number}, at=MORNING) for number in range(count)
    ]


def test_rows_get_their_numbers_in_their_own_order(database: Database) -> None:
    for count in (1, 2, 1200):  # more than go into one statement
        events = _events(count)

        database.write(partial(new_rows.put, rows=events))

        with database.reading() as session:
            kept = {event.id: event.data for event in session.scalars(select(Event))}
        assert [kept[event.id] for event in events] == [event.data for event in events]


def test_what_is_left_out_is_what_the_session_would_have_written(database: Database) -> None:
    callback = Callback(client="store-1", url="https://shop.example", secret="s", created_at=MORNING)
    event, by_session = _events(2)
    database.write(lambda session: session.add_all([callback, event, by_session]))
    straight = Delivery(event_id=event.id, callback_id=callback.id)
    added = Delivery(event_id=by_session.id, callback_id=callback.id)

    database.write(lambda session: new_rows.put(session, [straight]))
    database.write(lambda session: session.add(added))

    shown = {*straight.__mapper__.columns.keys()} - {"id", "event_id"}
    assert [getattr(straight, name) for name in shown] == [getattr(added, name) for name in shown]
    with database.reading() as session:
        one, other = session.scalars(select(Delivery).order_by(Delivery.id))
        assert [getattr(one, name) for name in shown] == [getattr(other, name) for name in shown]


def test_a_row_without_a_number_of_its_own_is_put_too(database: Database) -> None:
    def put(session: Session) -> None:
        new_rows.put(session, [Bin(bin="A-01", walking_order=1)])
        new_rows.put(session, [Stock(bin="A-01", sku=sku, boxed=3, reserved=0) for sku in ("one", "two")])
        new_rows.put(session, list[Promise]())

    database.write(put)

    with database.reading() as session:
        assert {row.sku: (row.boxed, row.version) for row in session.scalars(select(Stock))} == {
            "one": (3, 1),
            "two": (3, 1),
        }


def _numbers(session: Session, many: int) -> list[int]:
    column = new_rows.numbers(Event, bindparam("many"), dialect=session.get_bind().dialect.name)
    found = session.execute(select(column), {"many": many}).scalar_one()
    return list(new_rows.numbers_from(found, many))


def test_rows_of_several_tables_are_put_as_the_session_would_write_them(database: Database) -> None:
    """Each with the numbers that it was given, in its order, to the last bit."""
    said: list[dict[str, Any]] = [
        {
            "words": "Zo\u00eb \u201cO\u2019Neill\u201d \\ \U0001f5e1 %s %(n)s",
            "n": [0.1 + 0.2, None, 2**53 + 1, True],
        },
        {},
    ]
    callback = Callback(client="store-1", url="https://shop.example", secret="s", created_at=MORNING)
    database.write(lambda session: session.add_all([callback, *_events(2)]))
    moment = datetime(2026, 11, 3, 4, 5, 6, 789, tzinfo=timezone(timedelta(hours=-5)))

    def put(session: Session) -> list[int]:
        numbers = _numbers(session, 2)
        rows = [
            Event(id=number, type="t", client="store-1", data=data, at=moment)
            for number, data in zip(numbers, said, strict=True)
        ]
        history = [
            History(subject="job", subject_id=at, move_to="ready", who="desk:x", why="", at=moment)
            for at in range(12)
        ]
        deliveries = [Delivery(event_id=number, callback_id=callback.id) for number in numbers]
        put = new_rows.filled({Event: rows, Delivery: deliveries, History: history, Promise: []})
        assert [(one.attempts, one.tries) for one in deliveries] == [(0, [])] * 2
        change = new_rows.Change(Event, 2, {"type": "other", "client": "store-2"})
        new_rows.put_all(session, put, change=change)
        return numbers

    numbers = database.write(put)
    database.write(lambda session: session.add(Event(type="t", client="store-1", data={}, at=MORNING)))

    with database.reading() as session:
        kept = session.scalars(select(Event).order_by(Event.id)).all()
        assert [(event.type, event.client) for event in kept[:2]] == [("t0", "store-1"), ("other", "store-2")]
        assert [event.id for event in kept] == [1, 2, *numbers, 5]
        assert [(event.data, event.at) for event in kept[2:4]] == [(data, moment) for data in said]
        deliveries = session.scalars(select(Delivery).order_by(Delivery.id)).all()
        assert [(one.event_id, one.attempts, one.tries, one.next_at) for one in deliveries] == [
            (number, 0, [], None) for number in numbers
        ]
        assert [row.subject_id for row in session.scalars(select(History).order_by(History.id))] == [
            *range(12)
        ]


def test_a_moment_without_its_zone_is_put_nowhere(database: Database) -> None:
    nameless = Event(id=1, type="t", client="store-1", data={}, at=MORNING.replace(tzinfo=None))

    with pytest.raises((ValueError, StatementError), match="without a zone"):
        database.write(lambda session: new_rows.put_all(session, new_rows.filled({Event: [nameless]})))
