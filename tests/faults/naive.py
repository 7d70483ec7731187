"""A shop as everybody writes it first, under the same faults: without rows behind its messages, without keys
of requests, with a plain claim, without a fence. Each control must lose or double something; were one to
pass, the storm would prove nothing about the real service.

`python -m tests.faults.naive PART DATABASE_URL BROKER_URL PORT` is one of its processes.
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
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import redis
from sqlalchemy import Engine, create_engine, text

from tests.faults.processes import free_port, wait

_TABLES = (
    "CREATE TABLE naive_order (id SERIAL PRIMARY KEY, ref TEXT)",
    "CREATE TABLE naive_task (ref TEXT)",
    "CREATE TABLE naive_job (id SERIAL PRIMARY KEY, state TEXT DEFAULT 'ready', lease TIMESTAMPTZ)",
    "CREATE TABLE naive_burn (job INTEGER, how TEXT, bench INTEGER)",
)
_JOBS, _LEASE_SECONDS, _BENCHES = 20_000, 1.0, 3


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


# --- its processes ---


def _intake(engine: Engine, broker: str, port: int) -> None:
    """Takes an order, hands its work to the broker alone, and answers."""
    queue = redis.Redis.from_url(broker)

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            ref = self.rfile.read(int(self.headers["content-length"])).decode()
            with engine.begin() as connection:
                connection.execute(text("INSERT INTO naive_order (ref) VALUES (:ref)"), {"ref": ref})
            queue.lpush("naive", ref)
            time.sleep(0.3)  # what else is done before an answer
            self.send_response(201)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    ThreadingHTTPServer(("127.0.0.1", port), Handler).serve_forever()


def _work(engine: Engine, broker: str, _: int) -> None:
    """Takes a message, then does its work."""
    queue = redis.Redis.from_url(broker)
    while True:
        message: Any = queue.brpop(["naive"])
        time.sleep(0.1)
        with engine.begin() as connection:
            connection.execute(
                text("INSERT INTO naive_task (ref) VALUES (:ref)"), {"ref": message[1].decode()}
            )


def _plain(engine: Engine, *_: Any) -> None:
    """Looks for what is ready, then takes it."""
    while True:
        with engine.begin() as connection:
            seen = connection.execute(
                text("SELECT id FROM naive_job WHERE state = 'ready' ORDER BY id LIMIT 3")
            ).scalars()
            jobs = list(seen)
        if not jobs:
            time.sleep(0.05)
            continue
        time.sleep(0.02)  # the operator looks at what is offered
        with engine.begin() as connection:
            for job in jobs:
                connection.execute(text("UPDATE naive_job SET state = 'done' WHERE id = :job"), {"job": job})
                connection.execute(
                    text("INSERT INTO naive_burn VALUES (:job, 'plain', :me)"),
                    {"job": job, "me": os.getpid()},
                )


def _unfenced(engine: Engine, *_: Any) -> None:
    """Takes a job under a lease and locks as it should; never looks whether the lease is still its own."""
    take = text(
        "UPDATE naive_job SET lease = now() + :lasts * interval '1 second'"
        " WHERE id = (SELECT id FROM naive_job WHERE state = 'ready' AND (lease IS NULL OR lease < now())"
        " ORDER BY id LIMIT 1 FOR UPDATE SKIP LOCKED) RETURNING id"
    )
    while True:
        with engine.begin() as connection:
            job = connection.execute(take, {"lasts": _LEASE_SECONDS}).scalar()
        if job is None:
            time.sleep(0.05)
            continue
        time.sleep(0.4)  # seating
        with engine.begin() as connection:
            connection.execute(
                text("INSERT INTO naive_burn VALUES (:job, 'unfenced', :me)"), {"job": job, "me": os.getpid()}
            )
            connection.execute(text("UPDATE naive_job SET state = 'done' WHERE id = :job"), {"job": job})


_PARTS = {"intake": _intake, "work": _work, "plain": _plain, "unfenced": _unfenced}


# --- the storm ---


def naive_storm(database_url: str, broker_url: str, *, seed: int, kills: int) -> Losses:
    """Every control under `kills` kills or freezes each, one after the other."""
    chance = random.Random(seed)
    engine = create_engine(database_url)
    try:
        with engine.begin() as connection:
            for table in _TABLES:
                connection.execute(text(table))
        acked = _orders_and_messages(database_url, broker_url, chance, kills)
        _refill(engine)
        _benches("plain", database_url, engine, chance, kills)
        _refill(engine)
        _benches("unfenced", database_url, engine, chance, kills)
        return _counted(engine, acked)
    finally:
        engine.dispose()


def _orders_and_messages(database_url: str, broker_url: str, chance: random.Random, kills: int) -> set[str]:
    """Four stores that ask again when no answer came; intake and worker are killed in turn."""
    acked: set[str] = set()
    over = threading.Event()
    port = free_port()

    def store(name: int) -> None:
        number = 0
        while not over.is_set():
            number += 1
            while not over.is_set():
                with contextlib.suppress(httpx.TransportError):
                    httpx.post(f"http://127.0.0.1:{port}/", content=f"{name}-{number}".encode(), timeout=5)
                    acked.add(f"{name}-{number}")
                    break
                wait(0.05)

    stores = [threading.Thread(target=store, args=(name,)) for name in range(4)]
    with _parts(database_url, broker_url, port) as start:
        running = {name: start(name) for name in ("intake", "work")}
        for one in stores:
            one.start()
        _until(lambda: len(acked) > 20)
        for number in range(kills):
            name = ("intake", "work")[number % 2]
            os.kill(running[name].pid, signal.SIGKILL)
            running[name].wait()
            running[name] = start(name)
            far = len(acked) + 20
            _until(lambda far=far: len(acked) > far)  # type: ignore[misc]
            wait(chance.uniform(0.0, 0.5))
        over.set()
        for one in stores:
            one.join()
        queue = redis.Redis.from_url(broker_url)
        _until(lambda: not queue.llen("naive"))
        wait(1.0)
    return acked


def _until(so: Callable[[], bool]) -> None:
    """Wait for other processes, no longer than needed."""
    end = time.monotonic() + 120
    while not so():
        if time.monotonic() > end:
            raise TimeoutError("the naive shop does not work")
        wait(0.05)


def _benches(how: str, database_url: str, engine: Engine, chance: random.Random, kills: int) -> None:
    """Three of them; now and then one stands still for longer than a lease lasts."""
    begun = text("SELECT count(DISTINCT bench) FROM naive_burn WHERE how = :how")

    def all_work() -> bool:
        with engine.connect() as connection:
            return bool(connection.execute(begun, {"how": how}).scalar_one() >= _BENCHES)

    with _parts(database_url, "", 0) as start:
        running = [start(how) for _ in range(_BENCHES)]
        _until(all_work)
        for _ in range(max(5, kills // 2)):
            one = chance.choice(running)
            os.kill(one.pid, signal.SIGSTOP)
            wait(_LEASE_SECONDS + 0.4)
            os.kill(one.pid, signal.SIGCONT)
            wait(0.2)


@contextmanager
def _parts(database_url: str, broker_url: str, port: int) -> Iterator[Any]:
    """Starts processes of the naive shop; all of them are ended afterwards."""
    with ExitStack() as stack:

        def start(part: str) -> subprocess.Popen[bytes]:
            process = subprocess.Popen(
                [sys.executable, "-m", "tests.faults.naive", part, database_url, broker_url, str(port)],
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
    burned = text(
        "SELECT count(*) FROM"
        " (SELECT job FROM naive_burn WHERE how = :how GROUP BY job HAVING count(*) > 1) doubled"
    )
    with engine.connect() as connection:
        worked = set(connection.execute(text("SELECT ref FROM naive_task")).scalars())
        doubled = connection.execute(
            text("SELECT count(*) FROM (SELECT ref FROM naive_order GROUP BY ref HAVING count(*) > 1) d")
        ).scalar_one()
        return Losses(
            messages_lost=len(acked - worked),
            orders_doubled=doubled,
            plain_claim_doubled=connection.execute(burned, {"how": "plain"}).scalar_one(),
            no_fence_doubled=connection.execute(burned, {"how": "unfenced"}).scalar_one(),
        )


def main() -> None:
    part, database_url, broker_url, port = sys.argv[1:]
    _PARTS[part](create_engine(database_url), broker_url, int(port))


if __name__ == "__main__":
    main()
