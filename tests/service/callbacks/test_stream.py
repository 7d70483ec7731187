"""What listeners and scrapers are told."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.callbacks.stream import Follower
from service.records.db import Database
from service.records.gauges import Metrics
from service.records.outgoing import ask_for, tell
from service.records.tables import Event
from service.records.who import Role, Who
from tests.clocks import SetClock

STORE = Who(role=Role.STORE, client="garden-shop", name="garden-shop")
BENCH = Who(role=Role.BENCH, client="bench", name="Ines")


def happen(database: Database, clock: SetClock, client: str = "garden-shop") -> None:
    database.write(lambda session: tell(session, "order.accepted", client=client, now=clock(), order="O1"))


def test_a_listener_hears_each_event_once_from_when_it_came(database: Database, clock: SetClock) -> None:
    happen(database, clock)
    follower = Follower(database, BENCH, clock=clock)

    first = follower.news()
    happen(database, clock)
    second = follower.news()
    third = follower.news()

    assert [len(news) for news in (first, second, third)] == [0, 1, 0]


def test_a_listener_that_comes_back_hears_what_it_missed(database: Database, clock: SetClock) -> None:
    for _ in range(3):
        happen(database, clock)

    follower = Follower(database, BENCH, clock=clock, after=1)

    assert [event.id for event in follower.news()] == [2, 3]


def test_a_store_hears_of_its_own_orders_only(database: Database, clock: SetClock) -> None:
    store, bench = (Follower(database, who, clock=clock) for who in (STORE, BENCH))
    happen(database, clock, client="other-shop")
    happen(database, clock)

    assert [event.id for event in store.news()] == [2]
    assert [event.id for event in bench.news()] == [1, 2]


def test_an_event_that_is_committed_late_under_a_smaller_number_is_heard_too(
    database: Database, clock: SetClock
) -> None:
    """PostgreSQL numbers rows before their transaction commits."""
    follower = Follower(database, BENCH, clock=clock)

    def numbered(number: int) -> None:
        def write(session: Session) -> None:
            session.add(Event(id=number, type="order.held", client="garden-shop", data={}, at=clock()))

        database.write(write)

    numbered(7)
    first = [event.id for event in follower.news()]
    numbered(6)
    late = [event.id for event in follower.news()]
    clock.advance(seconds=60)
    quiet = follower.news()

    assert (first, late, list(quiet)) == ([7], [6], [])


def test_metrics_tell_what_the_tables_hold_without_a_word_of_a_customer(
    database: Database, clock: SetClock
) -> None:
    database.write(lambda session: ask_for(session, "render_load", now=clock(), load=7))
    clock.advance(seconds=90)

    text = Metrics(database, clock=clock, version="1.2.3").page()[0].decode()

    assert "ricasso_outbox_pending 1.0" in text
    assert "ricasso_outbox_oldest_seconds 90.0" in text
    assert 'ricasso_jobs{state="doubtful"} 0.0' in text
    assert 'ricasso_build_info{version="1.2.3"} 1.0' in text


def _gauges(metrics: Metrics) -> list[str]:
    """What the page says of the tables; this process's counters go on."""
    lines = metrics.page()[0].decode().splitlines()
    return [line for line in lines if not line.startswith(("ricasso_http_", "ricasso_check_"))]


def test_scrapers_don_t_wear_the_database_out(database: Database, clock: SetClock) -> None:
    metrics = Metrics(database, clock=clock, version="1", keep_seconds=3600)
    before = _gauges(metrics)
    database.write(lambda session: ask_for(session, "render_load", now=clock(), load=7))

    assert _gauges(metrics) == before
