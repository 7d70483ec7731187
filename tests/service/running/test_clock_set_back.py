"""The clock is set back by a day, or forward: nothing waits for the old time to come again, and nothing that
somebody holds is taken from him by a step back. Each rule is left out once, as its control."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service.callbacks import deliveries as callbacks
from service.loads import leases
from service.records import outgoing as messages
from service.records.db import Database
from service.records.tables import Callback, Delivery, Load
from service.records.who import By, Role, Who
from service.running import outbox_rows as outbox
from service.running import relay, sweeps, tasks
from service.running.tasks import Outcome
from tests.benches import Bench
from tests.clocks import SetClock

A_DAY = {"hours": -24.0}


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def only(bench: Bench, model: type[Any]) -> Any:
    (row,) = bench.rows(model)
    return row


def test_a_lease_lasts_as_long_as_ever_after_a_step_back_and_no_longer(bench: Bench) -> None:
    lease = timedelta(seconds=bench.tools.settings.lease_seconds)
    bench.order()
    load = bench.claimed()
    bench.clock.advance(**A_DAY)

    without_it = sweeps.sweep_loads(bench.tools)
    tasks.count_anew(bench.tools)
    until = only(bench, Load).lease_until
    held = bench.post(load, "renew").status_code
    bench.clock.advance(seconds=lease.total_seconds() + 1)
    lapsed = sweeps.sweep_loads(bench.tools)

    assert without_it.dropped == ()
    assert until == bench.clock() - timedelta(seconds=1)
    assert held == 200
    assert lapsed.dropped == (1,)


def test_a_burn_keeps_its_own_time_after_a_step_back(bench: Bench) -> None:
    lease = timedelta(seconds=bench.tools.settings.lease_seconds)
    bench.order()
    bench.burning()
    bench.clock.advance(**A_DAY)

    tasks.count_anew(bench.tools)

    load = only(bench, Load)
    assert load.lease_until == bench.clock() + leases.while_burning(load, lease)


def test_a_lease_within_its_time_is_left_alone(bench: Bench) -> None:
    bench.order()
    bench.claimed()
    before = only(bench, Load).lease_until
    bench.clock.advance(seconds=-30)  # clocks of several machines may be so far apart

    changed = tasks.count_anew(bench.tools)

    assert changed == 0
    assert only(bench, Load).lease_until == before


def test_a_step_forward_ends_a_lease_and_burns_nothing(bench: Bench) -> None:
    bench.order()
    load = bench.seated(bench.pulled(bench.claimed()))
    bench.clock.advance(hours=24)
    sweeps.sweep_loads(bench.tools)

    refused = bench.post(load, "start", {"turn": 1, "file_sha256": "0" * 64})

    assert refused.json()["code"] == "lease_lost"


def _asked(database: Database, clock: SetClock) -> None:
    database.write(lambda session: messages.ask_for(session, "count", now=clock()))


def _asked_and_claimed(database: Database, clock: SetClock) -> None:
    _asked(database, clock)
    until = clock() + timedelta(seconds=30)
    database.write(lambda session: outbox.claim_due(session, now=clock(), until=until, limit=9))


def _sent_and_lost(database: Database, clock: SetClock) -> None:
    _asked(database, clock)
    assert relay.send_due(database, lambda _: None, clock=clock) == 1


def _running_and_dead(database: Database, clock: SetClock) -> None:
    _sent_and_lost(database, clock)
    until = clock() + timedelta(seconds=150)
    assert database.write(lambda session: outbox.begin(session, 1, now=clock(), until=until)) is not None


@pytest.mark.parametrize("left", [_asked, _asked_and_claimed, _sent_and_lost, _running_and_dead])
def test_a_task_is_done_although_the_clock_was_set_back(
    bench: Bench, left: Callable[[Database, SetClock], None]
) -> None:
    left(bench.database, bench.clock)
    bench.clock.advance(**A_DAY)
    done: list[Outcome] = []
    count = {"count": lambda _tools: None}

    def work() -> None:
        tasks.sweep_outbox(bench.tools)
        relay.send_due(
            bench.database,
            lambda hint: done.append(tasks.run(bench.tools, hint.id, tasks=count)),
            clock=bench.clock,
        )

    work()
    without_it = len(done)
    tasks.count_anew(bench.tools)
    bench.clock.advance(seconds=301)  # a lost message is looked for after five minutes
    work()

    assert (without_it, done) == (0, [Outcome.DONE])


def _due(_: Delivery, __: Callback, ___: SetClock) -> None:
    """As it was told."""


def _claimed(delivery: Delivery, _: Callback, clock: SetClock) -> None:
    delivery.claimed_until = clock() + timedelta(seconds=120)


def _resting(_: Delivery, callback: Callback, clock: SetClock) -> None:
    callback.rests_until = clock() + timedelta(hours=1)


@pytest.mark.parametrize("left", [_due, _claimed, _resting])
def test_a_callback_is_sent_although_the_clock_was_set_back(
    bench: Bench, left: Callable[[Delivery, Callback, SetClock], None]
) -> None:
    clock = bench.clock
    store = By(Who(role=Role.STORE, client="store-1", name="store-1"), clock())

    def tell(session: Any) -> None:
        callbacks.register(session, "https://93.184.216.34/told", client=None, by=store)
        messages.tell(session, "order.accepted", client="store-1", now=clock(), order="O1")
        session.flush()
        ping, delivery = session.scalars(select(Delivery).order_by(Delivery.id))
        ping.next_at = None
        left(delivery, session.get(Callback, 1), clock)

    bench.database.write(tell)
    clock.advance(**A_DAY)

    def claimed() -> int:
        return len(callbacks._claim(bench.database, 9, now=clock()))

    without_it = claimed()
    tasks.count_anew(bench.tools)

    assert (without_it, claimed()) == (0, 1)
