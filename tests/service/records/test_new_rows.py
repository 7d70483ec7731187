"""Rows that are put straight into their table."""

from __future__ import annotations

from functools import partial

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records import new_rows
from service.records.db import Database
from service.records.tables import Bin, Callback, Event, Promise, Stock
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
