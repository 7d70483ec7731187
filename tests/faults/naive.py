"""A shop as everybody writes it first, under the same faults: without rows behind its messages, without keys
of requests, with a plain claim, without a fence. Each control must lose or double something; were one to
pass, the storm would prove nothing about the real service. Its processes are in `naive_parts`.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import redis
from sqlalchemy import Engine, create_engine, text

from tests.faults.naive_parts import LEASE_SECONDS
from tests.faults.processes import free_port, wait

_TABLES = (
    "CREATE TABLE naive_order (id SERIAL PRIMARY KEY, ref TEXT)",
    "CREATE TABLE naive_task (ref TEXT)",
    "CREATE TABLE naive_job (id SERIAL PRIMARY KEY, state TEXT DEFAULT 'ready', lease TIMESTAMPTZ)",
    "CREATE TABLE naive_burn (job INTEGER, how TEXT, bench INTEGER)",
)
_JOBS, _BENCHES = 20_000, 3
#: What is being said when a process is stopped has arrived after so long.
_SETTLED_SECONDS = 0.2


@dataclass(frozen=True, slots=True)
class Losses:
    """What each control lost or doubled."""

    messages_lost: int
    orders_doubled: int
    plain_claim_doubled: int
    no_fence_doubled: int

    @property
    def lost(self) -> int:
        return self.messages_lost

    @property
    def doubled(self) -> int:
        return self.orders_doubled + self.plain_claim_doubled + self.no_fence_doubled


# --- the storm ---


def naive_storm(database_url: str, broker_url: str, *, seed: int, kills: int) -> Losses:
    """Every control under `kills` kills or freezes each, one after the other."""
    chance = random.Random(seed)
    engine = create_engine(database_url)
    try:
        with engine.begin() as connection:
            for table in _TABLES:
                connection.execute(text(table))
        acked = _orders_and_messages(database_url, broker_url, engine, chance, kills)
        _refill(engine)
        _benches("plain", database_url, engine, chance, kills)
        _refill(engine)
        _benches("unfenced", database_url, engine, chance, kills)
        return _counted(engine, acked)
    finally:
        engine.dispose()


def _orders_and_messages(
    database_url: str, broker_url: str, engine: Engine, chance: random.Random, kills: int
) -> set[str]:
    """Four stores that ask again when no answer came; intake and worker are killed in turn, the one with an
    order that it has not answered, the other with a message in hand."""
    acked: set[str] = set()
    over = threading.Event()
    port = free_port()

    def store(name: int) -> None:
        number = 0
        with httpx.Client(timeout=5, trust_env=False) as client:
            while not over.is_set():
                number += 1
                while not over.is_set():
                    with contextlib.suppress(httpx.TransportError):
                        client.post(f"http://127.0.0.1:{port}/", content=f"{name}-{number}".encode())
                        acked.add(f"{name}-{number}")
                        break
                    wait(0.05)

    stores = [threading.Thread(target=store, args=(name,)) for name in range(4)]
    queue = redis.Redis.from_url(broker_url)
    lost: set[str] = set()

    def in_hand() -> set[str]:
        """Orders whose message is neither waiting nor done, while nobody takes any."""
        taken = _refs(engine, "naive_order")
        wait(_SETTLED_SECONDS)
        waiting = {one.decode() for one in queue.lrange("naive", 0, -1)}  # type: ignore[union-attr]
        return taken - waiting - _refs(engine, "naive_task") - lost

    with _parts(database_url, broker_url, port) as start:
        running = {name: start(name) for name in ("intake", "work")}
        for one in stores:
            one.start()
        try:
            _until(lambda: len(acked) > 20)
            for number in range(kills):
                if number % 2:
                    _kill_when(running["work"], lambda: bool(in_hand()))
                    lost |= in_hand()
                    running["work"] = start("work")
                else:
                    _kill_when(running["intake"], lambda: bool(_refs(engine, "naive_order") - acked))
                    running["intake"] = start("intake")
                far = len(acked) + 20
                _until(lambda far=far: len(acked) > far)  # type: ignore[misc]
                wait(chance.uniform(0.0, 0.5))
        finally:
            over.set()
            for one in stores:
                one.join()
        _until(lambda: not queue.llen("naive"))
        wait(1.0)
    return acked


def _kill_when(process: subprocess.Popen[bytes], so: Callable[[], bool]) -> None:
    """Kill it at a moment at which that is so, however slow the machine is."""

    def is_killed() -> bool:
        os.kill(process.pid, signal.SIGSTOP)
        wait(_SETTLED_SECONDS)
        if so():
            process.kill()
            process.wait()
            return True
        os.kill(process.pid, signal.SIGCONT)
        return False

    _until(is_killed)


def _refs(engine: Engine, table: str) -> set[str]:
    with engine.connect() as connection:
        return set(connection.execute(text(f"SELECT ref FROM {table}")).scalars())


def _until(so: Callable[[], bool]) -> None:
    """Wait for other processes, no longer than needed."""
    end = time.monotonic() + 120
    while not so():
        if time.monotonic() > end:
            raise TimeoutError("the naive shop does not work")
        wait(0.05)


def _benches(how: str, database_url: str, engine: Engine, chance: random.Random, kills: int) -> None:
    """Three of them; again and again one stands still for longer than a lease lasts, half as often as there
    are kills, and until a job was burned twice."""
    begun = text("SELECT count(DISTINCT bench) FROM naive_burn WHERE how = :how")

    def all_work() -> bool:
        with engine.connect() as connection:
            return bool(connection.execute(begun, {"how": how}).scalar_one() >= _BENCHES)

    with _parts(database_url, "", 0) as start:
        running = [start(how) for _ in range(_BENCHES)]
        _until(all_work)

        def is_doubled() -> bool:
            one = chance.choice(running)
            os.kill(one.pid, signal.SIGSTOP)
            wait(LEASE_SECONDS + 0.4)
            os.kill(one.pid, signal.SIGCONT)
            wait(0.2)
            return _doubled(engine, how) > 0

        for _ in range(kills // 2):
            is_doubled()
        _until(is_doubled)


@contextmanager
def _parts(database_url: str, broker_url: str, port: int) -> Iterator[Any]:
    """Starts processes of the naive shop; all of them are ended afterwards."""
    with ExitStack() as stack:

        def start(part: str) -> subprocess.Popen[bytes]:
            process = subprocess.Popen(
                [sys.executable, "-m", "tests.faults.naive_parts", part, database_url, broker_url, str(port)],
                cwd=Path(__file__).parents[2],
                stderr=subprocess.DEVNULL,
            )

            def end() -> None:
                process.kill()
                process.wait()

            stack.callback(end)
            return process

        yield start


def _refill(engine: Engine) -> None:
    with engine.begin() as connection:
        connection.execute(text("TRUNCATE naive_job RESTART IDENTITY"))
        connection.execute(
            text("INSERT INTO naive_job (state) SELECT 'ready' FROM generate_series(1, :jobs)"),
            {"jobs": _JOBS},
        )


def _counted(engine: Engine, acked: set[str]) -> Losses:
    with engine.connect() as connection:
        doubled = connection.execute(
            text("SELECT count(*) FROM (SELECT ref FROM naive_order GROUP BY ref HAVING count(*) > 1) d")
        ).scalar_one()
        return Losses(
            messages_lost=len(acked - _refs(engine, "naive_task")),
            orders_doubled=doubled,
            plain_claim_doubled=_doubled(engine, "plain"),
            no_fence_doubled=_doubled(engine, "unfenced"),
        )


def _doubled(engine: Engine, how: str) -> int:
    """Jobs that were burned more than once."""
    burned = text(
        "SELECT count(*) FROM"
        " (SELECT job FROM naive_burn WHERE how = :how GROUP BY job HAVING count(*) > 1) doubled"
    )
    with engine.connect() as connection:
        return int(connection.execute(burned, {"how": how}).scalar_one())
