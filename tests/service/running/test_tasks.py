"""Outbox, relay and tasks: what was asked for is done, once, whatever dies in between."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier, Event, Thread
from typing import Any

import pytest
from sqlalchemy import select

from service.records import outgoing as messages
from service.records.db import Database
from service.records.tables import Outbox
from service.running import outbox_rows as outbox
from service.running import relay, tasks
from service.running import tick_rows as ticks
from service.running.outbox_rows import Hint
from service.running.runner import Runner
from service.running.tasks import Outcome, Periodic
from service.shop.settings import Settings
from service.shop.tools import Tools
from tests.benches import BenchShelf, HereGeometry, a_bench_shop
from tests.clocks import SetClock


def tools_on(database: Database, clock: SetClock) -> Tools:
    """Tools for tasks that touch neither catalogue nor geometry."""
    return Tools(
        database=database,
        settings=Settings(),
        catalogue=BenchShelf(a_bench_shop()),  # type: ignore[arg-type]
        geometry=HereGeometry(),  # type: ignore[arg-type]
        clock=clock,
    )


def ask(database: Database, clock: SetClock, count: int = 1, task: str = "count", **arguments: Any) -> None:
    def write(session: Any) -> None:
        for _ in range(count):
            messages.ask_for(session, task, now=clock(), **arguments)

    database.write(write)


def rows(database: Database) -> list[Outbox]:
    with database.reading() as session:
        return list(session.scalars(select(Outbox).order_by(Outbox.id)))


def test_a_task_that_was_asked_for_is_sent_and_done_once(database: Database, clock: SetClock) -> None:
    done: list[int] = []
    tools = tools_on(database, clock)
    ask(database, clock, load=7)
    count = {"count": lambda tools, load: done.append(load)}

    sent = relay.send_due(database, lambda hint: tasks.run(tools, hint.id, tasks=count), clock=clock)
    again = tasks.run(tools, 1, tasks=count)

    assert (sent, again, done) == (1, Outcome.NOT_OURS, [7])
    assert rows(database)[0].done_at == clock()


def test_a_row_is_marked_sent_only_after_the_publish_returned(database: Database, clock: SetClock) -> None:
    seen: list[Any] = []
    ask(database, clock)

    relay.send_due(database, lambda _: seen.append(rows(database)[0].sent_at), clock=clock)

    assert seen == [None]
    assert rows(database)[0].sent_at == clock()


def test_a_dead_broker_loses_nothing_and_the_rest_is_sent_when_it_is_back(
    database: Database, clock: SetClock
) -> None:
    published: list[int] = []

    def broken_after_two(hint: Hint) -> None:
        if len(published) == 2:
            raise ConnectionError("no broker")
        published.append(hint.id)

    ask(database, clock, count=5)

    first = relay.send_due(database, broken_after_two, clock=clock)
    second = relay.send_due(database, lambda hint: published.append(hint.id), clock=clock)

    assert (first, second) == (2, 3)
    assert published == [1, 2, 3, 4, 5]


def test_a_relay_that_died_between_publish_and_mark_sends_again(database: Database, clock: SetClock) -> None:
    ask(database, clock)
    database.write(
        lambda session: outbox.claim_due(
            session, now=clock(), until=clock() + timedelta(seconds=30), limit=10
        )
    )

    while_claimed = relay.send_due(database, lambda _: None, clock=clock)
    clock.advance(seconds=31)
    after = relay.send_due(database, lambda _: None, clock=clock)

    assert (while_claimed, after) == (0, 1)


@pytest.mark.parametrize("relays", [4])
def test_relays_side_by_side_send_every_row_once(database: Database, clock: SetClock, relays: int) -> None:
    ask(database, clock, count=200)
    start = Barrier(relays)

    def send_all(_: int) -> list[int]:
        published: list[int] = []
        start.wait()
        while relay.send_due(database, lambda hint: published.append(hint.id), clock=clock, batch=7):
            pass
        return published

    with ThreadPoolExecutor(relays) as pool:
        published = [number for sent in pool.map(send_all, range(relays)) for number in sent]

    # A relay may find nothing while another holds the last rows, so some may stop early; none sends twice.
    assert sorted(published) == list(range(1, 201))


def test_a_batch_is_never_larger_than_asked_for(database: Database, clock: SetClock) -> None:
    ask(database, clock, count=30)

    claimed = database.write(lambda session: outbox.claim_due(session, now=clock(), until=clock(), limit=10))

    assert [hint.id for hint in claimed] == list(range(1, 11))


def test_a_failing_task_is_tried_again_later_and_later_and_then_shown_as_failed(
    database: Database, clock: SetClock
) -> None:
    tools = tools_on(database, clock)
    ask(database, clock)
    outcomes: list[Outcome] = []

    def fail(tools: Tools) -> None:
        raise OSError("Happy birthday, Zoe")  # what a customer wrote must not end up in the row

    for _ in range(tasks.MAX_ATTEMPTS):
        relay.send_due(
            database,
            lambda hint: outcomes.append(tasks.run(tools, hint.id, tasks={"count": fail})),
            clock=clock,
        )
        clock.advance(minutes=10)

    assert outcomes == [Outcome.PUT_OFF] * 4 + [Outcome.GIVEN_UP]
    (row,) = rows(database)
    assert row.failed_why == "OSError, after 5 runs"
    assert row.done_at is None


def test_a_task_put_off_is_not_sent_before_its_time(database: Database, clock: SetClock) -> None:
    tools = tools_on(database, clock)
    ask(database, clock)

    def fail(tools: Tools) -> None:
        raise OSError

    def publish(hint: Hint) -> None:
        tasks.run(tools, hint.id, tasks={"count": fail})

    first = relay.send_due(database, publish, clock=clock)
    at_once = relay.send_due(database, publish, clock=clock)
    clock.advance(seconds=3)
    later = relay.send_due(database, publish, clock=clock)

    assert (first, at_once, later) == (1, 0, 1)


def test_a_message_that_was_lost_is_sent_again_by_the_sweep(database: Database, clock: SetClock) -> None:
    tools = tools_on(database, clock)
    ask(database, clock)
    relay.send_due(database, lambda _: None, clock=clock)  # the broker took it, and lost it

    early = tasks.sweep_outbox(tools)
    clock.advance(minutes=6)
    late = tasks.sweep_outbox(tools)
    sent = relay.send_due(database, lambda hint: tasks.run(tools, hint.id, tasks=DO_NOTHING), clock=clock)

    assert (early, late, sent) == (0, 1, 1)
    assert rows(database)[0].done_at is not None


DO_NOTHING = {"count": lambda tools: None}


def test_a_worker_that_died_is_followed_by_another_when_its_lease_is_over(
    database: Database, clock: SetClock
) -> None:
    tools = tools_on(database, clock)
    ask(database, clock)
    database.write(
        lambda session: outbox.begin(session, 1, now=clock(), until=clock() + timedelta(seconds=150))
    )

    while_alive = tasks.run(tools, 1, tasks=DO_NOTHING)
    clock.advance(seconds=151)
    after = tasks.run(tools, 1, tasks=DO_NOTHING)

    assert (while_alive, after) == (Outcome.NOT_OURS, Outcome.DONE)
    assert rows(database)[0].attempts == 2


def test_a_worker_that_wakes_after_its_lease_changes_nothing(database: Database, clock: SetClock) -> None:
    ask(database, clock)
    lease = timedelta(seconds=150)
    sleeper = database.write(lambda s: outbox.begin(s, 1, now=clock(), until=clock() + lease))
    clock.advance(seconds=151)
    second = database.write(lambda s: outbox.begin(s, 1, now=clock(), until=clock() + lease))

    late = database.write(lambda s: outbox.finish(s, sleeper, now=clock()))
    ended = database.write(lambda s: outbox.give_up(s, second, why="no such load"))

    assert (late, ended) == (False, True)
    assert rows(database)[0].done_at is None


def test_a_task_that_kills_its_worker_every_time_is_given_up(database: Database, clock: SetClock) -> None:
    tools = tools_on(database, clock)
    ask(database, clock)
    for _ in range(tasks.MAX_ATTEMPTS):
        relay.send_due(database, lambda _: None, clock=clock)
        database.write(lambda s: outbox.begin(s, 1, now=clock(), until=clock() + timedelta(seconds=150)))
        clock.advance(minutes=6)
        tasks.sweep_outbox(tools)

    sent = relay.send_due(database, lambda _: None, clock=clock)

    assert sent == 0
    assert rows(database)[0].failed_why == "its worker died in each of 5 runs"


def test_a_task_nobody_knows_is_shown_as_failed(database: Database, clock: SetClock) -> None:
    ask(database, clock, task="sharpen")

    outcome = tasks.run(tools_on(database, clock), 1)

    assert outcome is Outcome.GIVEN_UP
    assert rows(database)[0].failed_why == "no task is called sharpen"


EVERY = timedelta(seconds=5)


def _take(database: Database, clock: SetClock) -> bool:
    return database.write(lambda session: ticks.take(session, "sweep", every=EVERY, now=clock()))


def test_of_many_schedulers_one_runs_a_task_when_it_is_due(database: Database, clock: SetClock) -> None:
    start = Barrier(8)

    def take(_: int) -> bool:
        start.wait()
        return _take(database, clock)

    with ThreadPoolExecutor(8) as pool:
        first = list(pool.map(take, range(8)))
        clock.advance(seconds=4)
        too_soon = list(pool.map(take, range(8)))
        clock.advance(seconds=1)
        again = list(pool.map(take, range(8)))

    assert (sum(first), sum(too_soon), sum(again)) == (1, 0, 1)


def test_a_clock_set_back_stops_no_periodic_task(database: Database, clock: SetClock) -> None:
    taken = _take(database, clock)
    clock.advance(seconds=-600)

    after_the_step = _take(database, clock)
    at_once_again = _take(database, clock)
    clock.advance(seconds=5)

    assert (taken, after_the_step, at_once_again) == (True, True, False)
    assert _take(database, clock)


def test_a_receiver_that_hangs_keeps_no_sweep_from_running(database: Database, clock: SetClock) -> None:
    """The naive way, one lane for all, has the sweep wait behind the hanging task: it is the control."""
    tools = tools_on(database, clock)
    hangs, swept = Event(), Event()
    jobs = (
        Periodic("send_callbacks", 1.0, lambda _: hangs.wait(5), tasks.CALLBACKS),
        Periodic("sweep_loads", 1.0, lambda _: swept.set()),
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tasks, "periodic", lambda _: jobs)
        runner = Runner(tools)
        runner.start()
        in_time = swept.wait(3)
        hangs.set()
        runner.stop()
        swept.clear()
        hangs.clear()
        clock.advance(seconds=10)
        naive = Thread(target=tasks.run_periodic, args=(tools,))
        naive.start()
        behind_it = swept.wait(0.5)
        hangs.set()
        naive.join()

    assert in_time
    assert not behind_it


def test_old_rows_are_forgotten_but_what_failed_stays(
    database: Database, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.running.sweeps.forget_answers", lambda tools: None)
    tools = tools_on(database, clock)
    ask(database, clock, count=1)
    ask(database, clock, count=1, task="sharpen")
    tasks.run(tools, 1, tasks=DO_NOTHING)
    tasks.run(tools, 2, tasks=DO_NOTHING)
    clock.advance(days=8)

    tasks.forget_old_rows(tools)

    assert [row.task for row in rows(database)] == ["sharpen"]
