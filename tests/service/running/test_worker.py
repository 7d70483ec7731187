"""Real Celery workers on a real broker and PostgreSQL, killed and cut off."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select, update

from service.intake import import_orders as imports
from service.records import clock
from service.records.db import Database
from service.records.tables import IdempotentRequest, Order, Outbox
from service.running import relay, tasks
from service.running.worker import celery, publisher
from service.shop.catalogue import default_folder
from service.shop.geometry_workers import Geometry
from service.shop.settings import Settings
from service.shop.tools import Tools
from service.shop.versions import Shelf
from tests.servers import a_broker

pytestmark = [pytest.mark.postgres, pytest.mark.redis]


def until(condition: Callable[[], bool], what: str, seconds: float = 140.0) -> None:
    """Wait for other processes, no longer than needed. On a full machine a worker has a tenth of a share."""
    end, tick = time.monotonic() + seconds, threading.Event()
    while not condition():
        assert time.monotonic() < end, f"not within {seconds} s: {what}"
        tick.wait(0.05)


@pytest.fixture
def tools(postgres_database: Database, broker_url: str, tmp_path: Path) -> Tools:
    settings = Settings(
        data=tmp_path,
        broker_url=broker_url,
        database_url=postgres_database.engine.url.render_as_string(hide_password=False),
    )
    geometry = Geometry(default_folder(), tmp_path / "features", workers=0, timeout_seconds=60)
    return Tools(postgres_database, settings, Shelf(default_folder()), geometry, clock.now)


@contextmanager
def working(tools: Tools) -> Iterator[subprocess.Popen[bytes]]:
    """`ricasso worker`, in a process group of its own."""
    with (tools.settings.data / "worker.log").open("ab") as log:
        worker = subprocess.Popen(
            [sys.executable, "-c", "from service.cli import main; main()", "worker", "--concurrency", "2"],
            env={
                **os.environ,
                "RICASSO_DATA": str(tools.settings.data),
                "RICASSO_DATABASE_URL": tools.settings.database_url,
                "RICASSO_BROKER_URL": tools.settings.broker_url,
            },
            cwd=Path(__file__).parents[3],
            start_new_session=True,
            stdout=log,
            stderr=log,
        )
    try:
        yield worker
    finally:
        if worker.poll() is None:
            os.killpg(worker.pid, signal.SIGTERM)
            try:
                worker.wait(20)
            except subprocess.TimeoutExpired:
                os.killpg(worker.pid, signal.SIGKILL)
                worker.wait()


def ask_for_orders(tools: Tools, count: int) -> None:
    """So many tasks, each of which takes in one order."""
    heading = "order_ref,ship_by,line_ref,sku,quantity,zone,text,font\n"
    for number in range(count):
        row = f"W-{number},2030-01-01,1,AQ-CHEF-20,1,heel,Ada,lato-bold\n"
        imports.store_for_later(tools, (heading + row).encode(), client="garden-shop")


def done(tools: Tools) -> int:
    with tools.database.reading() as session:
        return session.scalar(select(func.count()).where(Outbox.done_at.is_not(None))) or 0


def order_refs(tools: Tools) -> list[str]:
    with tools.database.reading() as session:
        return sorted(session.scalars(select(Order.order_ref)))


def test_a_worker_killed_in_the_middle_loses_nothing_and_does_nothing_twice(tools: Tools) -> None:
    count = 20
    ask_for_orders(tools, count)
    publish = publisher(tools.settings)
    assert relay.send_due(tools.database, publish, clock=tools.clock) == count

    with working(tools) as worker:
        until(lambda: done(tools) >= 3, "the first tasks of the first worker")
        os.killpg(worker.pid, signal.SIGKILL)
        worker.wait()
    at_kill = done(tools)

    # What happens by itself when the leases of the dead runs are over, without waiting for that.
    # Long past, for the workers' clocks as well: they keep the machine's time where this test has another.
    past = clock.now() - timedelta(days=3_650)
    tools.database.write(lambda s: s.execute(update(IdempotentRequest).values(claimed_until=past)))
    tools.database.write(
        lambda s: s.execute(
            update(Outbox).where(Outbox.running_until.is_not(None)).values(running_until=past)
        )
    )
    tasks.sweep_outbox(tools, lost_after=timedelta(0))
    relay.send_due(tools.database, publish, clock=tools.clock)
    with working(tools):
        until(lambda: done(tools) == count, "all tasks, by the second worker")

    assert at_kill < count, "the first worker was too quick to be killed in the middle"
    assert order_refs(tools) == sorted(f"W-{number}" for number in range(count))


def test_orders_are_taken_while_the_broker_is_down_and_sent_when_it_is_back(tools: Tools) -> None:
    server = a_broker()
    server.start()
    settings = tools.settings.model_copy(update={"broker_url": f"{server.connection_url}/0"})
    publish, port = publisher(settings), server.port
    server.stop()

    ask_for_orders(tools, 3)  # needs no broker
    while_down = relay.send_due(tools.database, publish, clock=tools.clock)
    with a_broker(port):
        after = relay.send_due(tools.database, publish, clock=tools.clock)

    assert (while_down, after) == (0, 3)


def test_a_broker_that_has_stopped_answering_holds_nobody_up_for_long(tools: Tools) -> None:
    """Half-open: the connection is taken and nothing comes back."""
    with socket.create_server(("127.0.0.1", 0)) as silent:
        settings = tools.settings.model_copy(
            update={"broker_url": f"redis://127.0.0.1:{silent.getsockname()[1]}/0"}
        )
        ask_for_orders(tools, 2)

        begun = time.monotonic()
        sent = relay.send_due(tools.database, publisher(settings), clock=tools.clock)
        took = time.monotonic() - begun

    assert sent == 0
    assert took < 45.0


def test_messages_hold_numbers_only() -> None:
    """Words of a customer must not lie in a broker: what is sent is the row's number."""
    sent: list[object] = []
    from service.running import worker
    from service.running.outbox_rows import Hint

    class Recorder:
        def send_task(self, name: str, **how: object) -> None:
            sent.append((name, how))

    worker._publish_to(Recorder())(Hint(id=7, task="import_orders"))

    assert sent == [("ricasso.run", {"args": [7], "ignore_result": True})]


def test_the_settings_that_keep_messages_are_in_force() -> None:
    """Celery's documentation of the Redis transport, "Caveats", and of `task_acks_late`."""
    conf = celery.conf

    assert conf.task_acks_late
    assert conf.task_reject_on_worker_lost
    assert conf.worker_prefetch_multiplier == 1
    assert conf.accept_content == ["json"]
    assert conf.broker_transport_options["visibility_timeout"] > 3 * conf.task_time_limit
