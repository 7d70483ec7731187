"""The processes of the naive shop (`naive`), with as few imports as they need: they are started often.

`python -m tests.faults.naive_parts PART DATABASE_URL BROKER_URL PORT` is one of them.
"""

from __future__ import annotations

import os
import sys
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import redis
from sqlalchemy import Engine, create_engine, text

LEASE_SECONDS = 1.0


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
            job = connection.execute(take, {"lasts": LEASE_SECONDS}).scalar()
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


def main() -> None:
    part, database_url, broker_url, port = sys.argv[1:]
    _PARTS[part](create_engine(database_url), broker_url, int(port))


if __name__ == "__main__":
    main()
