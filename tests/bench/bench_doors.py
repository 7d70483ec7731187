"""Whether idle connections turn anybody away: the real service (`ricasso serve`), a thousand connections that
say nothing, half a head or half a body, and as many event streams as one key may have."""

from __future__ import annotations

import http.client
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from tests.bench.timing import figure, input_line

_START = "from service.cli import main; main()"
_IDLE = 1_000
_ASKED = 100


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, a_service(folder, check_workers="0") as address:
        key = a_new_key(folder, "store")
        with ExitStack() as opened:
            for number in range(_IDLE):
                idle = opened.enter_context(socket.create_connection(address))
                idle.sendall(_said(number, key))
            begun = time.perf_counter()
            statuses = [
                ask(address, path, key) for _ in range(_ASKED // 2) for path in ("/healthz", "/v1/orders")
            ]
            seconds = time.perf_counter() - begun
    given = ", ".join(str(status) for status in sorted(set(statuses)))
    input_line("idle connections", f"{_IDLE} idle, {_ASKED} asked in {seconds:.1f} s", given)
    # Whatever is not an answer counts, not only a 503.
    figure("idle_connections_503", sum(status != 200 for status in statuses))


def _said(number: int, key: str) -> bytes:
    if number < 200:
        return f"GET /v1/events HTTP/1.1\r\nHost: shop\r\nAuthorization: Bearer {key}\r\n\r\n".encode()
    head = b"POST /v1/orders HTTP/1.1\r\nHost: shop\r\nContent-Length: 5000\r\n"
    return (b"", head, head + b"\r\n{")[number % 3]


def ask(address: tuple[str, int], path: str, key: str) -> int:
    connection = http.client.HTTPConnection(*address, timeout=60)
    try:
        connection.request("GET", path, headers={"Authorization": f"Bearer {key}"})
        return connection.getresponse().status
    except OSError:
        return 0
    finally:
        connection.close()


@contextmanager
def a_service(folder: str, **settings: str) -> Iterator[tuple[str, int]]:
    """The embedded service on a free port; its host and port."""
    # Not compiled anew at every start, wherever this is run: an installed program is compiled once.
    left_out = ("RICASSO_", "PYTHONDONTWRITEBYTECODE")
    environment = {name: value for name, value in os.environ.items() if not name.startswith(left_out)}
    environment |= {f"RICASSO_{name.upper()}": value for name, value in settings.items()}
    told = Path(folder) / "told"
    with told.open("wb") as log:
        command = [sys.executable, "-c", _START, "serve", "--port", "0", "--data", folder]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=log, env=environment)
    try:
        while (started := _started(told)) is None:
            assert process.poll() is None
            time.sleep(0.02)
        where = urlsplit(started)
        address = (str(where.hostname), int(where.port or 0))
        _wait_until_it_answers(address)
        yield address
    finally:
        process.terminate()
        process.wait()


def _started(log: Path) -> str | None:
    """The address that a service says it was started at."""
    lines = (json.loads(line) for line in log.read_text().splitlines(keepends=True) if line.endswith("\n"))
    return next((line["address"] for line in lines if line["event"] == "started"), None)


def _wait_until_it_answers(address: tuple[str, int]) -> None:
    """The geometry workers are started before the first request is answered."""
    connection = http.client.HTTPConnection(*address, timeout=120)
    connection.request("GET", "/healthz")
    assert connection.getresponse().status == 200
    connection.close()


def a_new_key(folder: str, role: str, client: str = "") -> str:
    """A key of the service in that folder."""
    made = subprocess.run(
        [sys.executable, "-c", _START, "keys", "new", role, "--client", client, "--data", folder],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return made.stdout.strip()


if __name__ == "__main__":
    main()
