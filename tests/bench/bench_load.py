"""The service under load, its clients on the same processors: what taking an order costs over writing one row
(two API processes, PostgreSQL with `fsync`), and what one store notices of another (one process, SQLite).

Each client asks again when it has its answer. There are as many as keep two processors busy with either: 8
do with inserts, but with 8 orders under way, which wait for the disk, for each other's stock and for their
process's turn, 1.3 of two processors were used. How much is used is printed beside the figures."""

from __future__ import annotations

import http.client
import itertools
import json
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from service.records.db import Database, open_engine
from service.records.who import SWEEP, By, Role
from service.requests import keys
from service.shop import catalogue
from service.shop.versions import Shelf
from service.stock import reservations as stock
from tests.bench.bench_doors import a_new_key, a_service
from tests.bench.timing import figure, input_line
from tests.faults.processes import Postgres, Program, Wall, free_port, until_idle, wait
from tests.servers import create_tables

_SECONDS, _CLIENTS = 8.0, 16
_QUIET_SECONDS, _CHECKS, _EVENTS = 0.15, 60, 25
_PLENTY = "1000000"
_letters = itertools.cycle("ABCDEFGHIKLMNOPRSTUVWYZ")
_numbers = itertools.count(1)
Address = tuple[str, int]


def main(*parts: str) -> None:
    """All figures, or those of the parts that are named: `intake`, `neighbours`."""
    if not parts or "intake" in parts:
        intake()
    if not parts or "neighbours" in parts:
        neighbours()


def neighbours() -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        a_service(
            folder,
            check_workers="2",
            check_seconds="60",
            requests_a_minute=_PLENTY,
            callbacks_to_loopback="true",
        ) as address,
    ):
        mine, theirs = (a_new_key(folder, "store", client) for client in ("store-1", "store-2"))
        neighbour_check(address, mine, theirs)
        neighbour_callback(address, mine, theirs)


# --- intake ---


def intake() -> None:
    with tempfile.TemporaryDirectory() as folder, _two_processes(Path(folder)) as served:
        until_idle(served.worked_s)
        _a_second(served, lambda _: ("/bare", None), seconds=1.0)
        bare, bare_s = _a_second(served, lambda _: ("/bare", None))
        _a_second(served, lambda _: _a_note(), seconds=1.0)
        noted, noted_s = _a_second(served, lambda _: _a_note())
        _a_second(served, lambda _: _an_order("Ada"), seconds=3.0)
        known, known_s = _a_second(served, lambda _: _an_order("Ada"))
        unseen, _ = _a_second(served, lambda _: _an_order(_unseen()))
    said = (
        f"{bare:.0f} inserts, {noted:.0f} with a key and a body, {known:.1f} orders without and {unseen:.1f}"
        " with their check a second"
    )
    input_line("intake", said, "")
    used = f"{bare * bare_s:.2f}, {noted * noted_s:.2f} and {known * known_s:.2f} processors"
    said = (
        f"{1000 * bare_s:.1f} ms an insert, {1000 * noted_s:.1f} ms with a key and a body,"
        f" {1000 * known_s:.1f} ms an order; {used}"
    )
    input_line("processor", said, "")
    figure("intake_vs_insert", known / bare)
    # An insert as a door of the service would do it: whoever asks has a key, and what they send is read.
    figure("intake_vs_keyed_insert", known / noted)
    figure("intake_with_check_vs_insert", unseen / bare)
    # The same by what service and database took of the processors, for a machine that others use.
    figure("intake_vs_insert_processor", bare_s / known_s)


@dataclass(frozen=True, slots=True)
class _Served:
    addresses: list[Address]
    key: str
    programs: list[Program]
    postgres: Postgres

    def worked_s(self) -> float:
        return sum(program.worked_s() for program in self.programs) + self.postgres.worked_s()


@contextmanager
def _two_processes(folder: Path) -> Iterator[_Served]:
    with ExitStack() as stack:
        postgres = Postgres()
        stack.callback(postgres.stop)
        url = postgres.url.render_as_string(hide_password=False)
        engine = open_engine(url)
        create_tables(engine)
        shop, now = Shelf(catalogue.default_folder()), datetime.now(UTC)
        made: list[str] = []

        def prepare(session: Any) -> None:
            shop.keep_current(session, now=now)
            made.append(keys.new_key(session, Role.STORE, client="store-1", now=now, who=SWEEP))
            counts = [
                stock.Count(b.bin, b.sku, 100_000, b.walking_order)
                for b in catalogue.load_stock(catalogue.default_folder())
            ]
            stock.put_counts(session, counts, by=By(SWEEP, now))

        Database(engine).write(prepare)
        engine.dispose()
        settings = {
            "RICASSO_DATA": str(folder / "data"),
            "RICASSO_DATABASE_URL": url,
            # No broker is there: tasks wait in the outbox, as they would for workers elsewhere.
            "RICASSO_BROKER_URL": f"redis://127.0.0.1:{free_port()}/0",
            "RICASSO_CHECK_WORKERS": "1",
            "RICASSO_CHECK_SECONDS": "60",
            "RICASSO_REQUESTS_A_MINUTE": _PLENTY,
            "RICASSO_UNITS_A_DAY": _PLENTY,
            "RICASSO_LOG_LEVEL": "ERROR",
            # On a new folder fonts are measured behind for some minutes, by what is left of the processors:
            # in a shop that is over before anybody counts orders, and here it would go into the figures.
            "RICASSO_MEASURE_FONTS": "false",
        }
        clock, addresses, programs = Wall(folder / "clock"), [], []
        for number in (1, 2):
            port = free_port()
            program = Program(
                f"api-{number}",
                ["serve", "--port", str(port)],
                clock=clock,
                settings=settings,
                log=folder / f"{number}.log",
                launcher="tests.bench.bare",
            )
            stack.callback(program.stop)
            program.start()
            programs.append(program)
            addresses.append(("127.0.0.1", port))
        for address in addresses:
            _until_ready(address)
        yield _Served(addresses, made[-1], programs, postgres)


def _until_ready(address: Address) -> None:
    end = time.monotonic() + 120
    while time.monotonic() < end:
        try:
            if _asked(http.client.HTTPConnection(*address, timeout=5), "GET", "/readyz", "", None) == 200:
                return
        except OSError:
            wait(0.2)
    raise TimeoutError("the service does not start")


def _a_second(
    served: _Served,
    request: Callable[[int], tuple[str, dict[str, Any] | None]],
    *,
    seconds: float = _SECONDS,
) -> tuple[float, float]:
    """Requests answered with 201 a second, by as many clients as there are, each after the other's answer,
    and the processor time that each took."""
    addresses, before = served.addresses, served.worked_s()
    end = time.monotonic() + seconds

    def client(number: int) -> int:
        connection = http.client.HTTPConnection(*addresses[number % len(addresses)], timeout=60)
        done = 0
        while time.monotonic() < end:
            path, body = request(number)
            status = _asked(connection, "POST", path, served.key, body)
            assert status == 201, status
            done += 1
        connection.close()
        return done

    begun = time.monotonic()
    with ThreadPoolExecutor(_CLIENTS) as pool:
        done = sum(pool.map(client, range(_CLIENTS)))
    return done / (time.monotonic() - begun), (served.worked_s() - before) / done


def _asked(
    connection: http.client.HTTPConnection, method: str, path: str, key: str, body: dict[str, Any] | None
) -> int:
    headers = {"Authorization": f"Bearer {key}"} if key else {}
    if body is not None:
        headers |= {"Content-Type": "application/json", "Idempotency-Key": f"bench-{next(_numbers):06d}"}
    connection.request(method, path, None if body is None else json.dumps(body), headers)
    answer = connection.getresponse()
    answer.read()
    return answer.status


def _a_note() -> tuple[str, dict[str, Any]]:
    return "/v1/bare", {"note": f"N-{next(_numbers)}"}


def _an_order(words: str) -> tuple[str, dict[str, Any]]:
    return "/v1/orders", {
        "order_ref": f"B-{next(_numbers)}",
        "ship_by": (datetime.now(UTC) + timedelta(days=5)).isoformat(),
        "lines": [
            {"line_ref": "1", "sku": "AQ-CHEF-20", "quantity": 1, "inscriptions": [_inscription(words)]}
        ],
    }


def _inscription(words: str) -> dict[str, Any]:
    return {"zone": "heel", "text": words, "font": "lato-bold"}


def _unseen() -> str:
    return f"{next(_letters)}{next(_letters).lower()} {next(_numbers)}"


# --- neighbours ---


def neighbour_check(address: Address, mine: str, theirs: str) -> None:
    """p95 of a store's checks while another asks for as many as it can, over quiet."""

    def check(connection: http.client.HTTPConnection, key: str) -> float:
        begun = time.perf_counter()
        body = {"sku": "AQ-CHEF-20", "inscriptions": [_inscription(_unseen())]}
        status = _asked(connection, "POST", "/v1/checks", key, body)
        if key == mine:
            assert status == 200, status
        return time.perf_counter() - begun

    def p95() -> float:
        connection = http.client.HTTPConnection(*address, timeout=120)
        times = []
        for _ in range(_CHECKS):
            times.append(check(connection, mine))
            wait(_QUIET_SECONDS)
        connection.close()
        return statistics.quantiles(times, n=20)[-1]

    over = threading.Event()
    flooded = itertools.count()

    def flood() -> None:
        connection = http.client.HTTPConnection(*address, timeout=120)
        while not over.is_set():
            check(connection, theirs)
            next(flooded)
        connection.close()

    p95()  # fonts are read, letters are measured
    quiet = p95()
    floods = [threading.Thread(target=flood) for _ in range(12)]
    for one in floods:
        one.start()
    busy = p95()
    over.set()
    for one in floods:
        one.join()
    said = f"p95 {1000 * quiet:.0f} ms quiet, {1000 * busy:.0f} ms beside {next(flooded)} of another store"
    input_line("neighbour's checks", said, "")
    figure("neighbour_check_ratio", busy / quiet)


def neighbour_callback(address: Address, mine: str, theirs: str) -> None:
    """p95 of the time from an order's answer to its callback, while ten receivers of another store hang and
    as many events as it has orders wait for each of them, over quiet."""
    came: dict[str, float] = {}
    over = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["content-length"])))
            if self.path.startswith("/hangs"):
                over.wait(120)
                return
            if body["type"] == "order.accepted":
                came[body["data"]["order"]] = time.perf_counter()
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    here = f"http://127.0.0.1:{server.server_address[1]}"
    connection = http.client.HTTPConnection(*address, timeout=120)
    assert _asked(connection, "POST", "/v1/callbacks", mine, {"url": f"{here}/good"}) == 201

    def p95() -> float:
        times = []
        for _ in range(_EVENTS):
            path, body = _an_order("Ada")
            answered = _posted(address, mine, path, body)
            end = time.monotonic() + 120
            while answered[0] not in came and time.monotonic() < end:
                wait(0.01)
            times.append(max(0.0, came.get(answered[0], time.perf_counter()) - answered[1]))
        return statistics.quantiles(times, n=20)[-1]

    quiet = p95()
    connection.close()  # idle so long that the service may have ended it; it is opened anew
    for number in range(10):
        body = {"url": f"{here}/hangs/{number}"}
        assert _asked(connection, "POST", "/v1/callbacks", theirs, body) == 201
    for _ in range(20):
        path, body = _an_order("Ada")
        assert _asked(connection, "POST", path, theirs, body) == 201
    wait(2.0)
    busy = p95()
    over.set()
    connection.close()
    server.shutdown()
    said = f"p95 {quiet:.2f} s quiet, {busy:.2f} s beside ten receivers that hang, 20 events for each"
    input_line("neighbour's callbacks", said, "")
    figure("neighbour_callback_ratio", busy / quiet)


def _posted(address: Address, key: str, path: str, body: dict[str, Any]) -> tuple[str, float]:
    """The order's id, and when its answer came."""
    connection = http.client.HTTPConnection(*address, timeout=120)
    headers = {
        "Authorization": f"Bearer {key}",
        "Content-Type": "application/json",
        "Idempotency-Key": f"bench-{next(_numbers):06d}",
    }
    connection.request("POST", path, json.dumps(body), headers)
    answer = connection.getresponse()
    identity = json.loads(answer.read())["id"]
    connection.close()
    return identity, time.perf_counter()


if __name__ == "__main__":
    main(*sys.argv[1:])
