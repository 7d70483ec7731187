"""The service as its own process, its keys, and a store's end of the callbacks."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

import httpx

RICASSO = [sys.executable, "-c", "from service.cli import main; main()"]
_START_SECONDS = 90


class StoryBroken(Exception):
    """A step did not end as it must."""


def free_port(wanted: int | None, usual: int = 8000) -> tuple[int, str | None]:
    """The port to serve on, and what to say when it is not the usual one. Raises StoryBroken."""
    port = usual if wanted is None else wanted
    if _is_free(port):
        return port, None
    if wanted is not None:
        raise StoryBroken(f"port {port} is taken by another program; choose another with --port N")
    with socket.socket() as any_port:
        any_port.bind(("127.0.0.1", 0))
        other: int = any_port.getsockname()[1]
    return other, f"port {port} is taken by another program, so this run uses {other}"


def _is_free(port: int) -> bool:
    with socket.socket() as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True


@contextmanager
def serving(port: int, data: Path) -> Iterator[str]:
    """The service, up and ready; its address. Stopped at the end. Raises StoryBroken."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("RICASSO_")}
    # The store of this story listens on this very machine, which callbacks otherwise never go to.
    # A small or busy machine may take its time for the first check, which reads all fonts.
    environment |= {"RICASSO_CALLBACKS_TO_LOOPBACK": "true", "RICASSO_CHECK_SECONDS": "120"}
    data.mkdir(parents=True, exist_ok=True)
    with (data / "service.log").open("wb") as log:
        # A group of its own, so that Ctrl-C reaches the story first and the service is stopped in order.
        process = subprocess.Popen(
            [*RICASSO, "serve", "--port", str(port), "--data", str(data)],
            env=environment,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
    address = f"http://127.0.0.1:{port}"
    try:
        _until_ready(process, address, data / "service.log")
        yield address
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@contextmanager
def working_out_heights(data: Path) -> Iterator[Path]:
    """`ricasso fonts measure --heights-only` beside the story, at the lowest priority, and the file that it
    prints to. Stopped at the end: what is worked out by then is kept."""
    path = data / "fonts.log"
    with path.open("wb") as log:
        process = subprocess.Popen(
            [*RICASSO, "fonts", "measure", "--heights-only", "--data", str(data)],
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
        os.setpriority(os.PRIO_PROCESS, process.pid, 19)
        try:
            yield path
        finally:
            process.terminate()
            process.wait()


def _until_ready(process: subprocess.Popen[bytes], address: str, log: Path) -> None:
    pause = threading.Event()
    for _ in range(_START_SECONDS * 5):
        if process.poll() is not None:
            last = log.read_text(errors="replace").strip().splitlines()[-1:]
            raise StoryBroken(f"the service did not start: {' '.join(last)}")
        try:
            if httpx.get(f"{address}/readyz", timeout=2).status_code == 200:
                return
        except httpx.TransportError:
            pass
        pause.wait(0.2)
    raise StoryBroken(f"the service is not ready after {_START_SECONDS} s; see {log}")


def new_key(role: str, client: str, data: Path, *more: str) -> str:
    """A key, made as a person would make it; `more` goes to the command."""
    made = subprocess.run(
        [*RICASSO, "keys", "new", role, "--client", client, "--data", str(data), *more],
        check=True,
        capture_output=True,
        text=True,
    )
    return made.stdout.strip()


class Caller:
    """One user's HTTP: a key, an address, and steps that must end as expected."""

    def __init__(self, address: str, key: str) -> None:
        self._http = httpx.Client(
            base_url=address, headers={"Authorization": f"Bearer {key}"}, timeout=180, trust_env=False
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._http.close()

    def call(self, method: str, path: str, *, expect: int | tuple[int, ...], **how: Any) -> httpx.Response:
        """Call and insist on the status. Raises StoryBroken."""
        answer = self._http.request(method, path, **how)
        wanted = (expect,) if isinstance(expect, int) else expect
        if answer.status_code not in wanted:
            raise StoryBroken(
                f"{method} {path} answered {answer.status_code}, not {expect}: {answer.text[:600]}"
            )
        return answer

    def get(self, path: str, *, expect: int | tuple[int, ...] = 200, **how: Any) -> httpx.Response:
        return self.call("GET", path, expect=expect, **how)

    def post(
        self, path: str, body: Any, *, expect: int | tuple[int, ...] = 200, **headers: str
    ) -> httpx.Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.call("POST", path, expect=expect, json=body, headers=named)


class Listener:
    """The store's end of the callbacks: checks each signature itself and keeps the events."""

    def __init__(self) -> None:
        self.secret = ""
        self.events: list[dict[str, Any]] = []
        self.unsigned = 0
        listener = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                signed = f"{self.headers['webhook-id']}.{self.headers['webhook-timestamp']}.".encode() + body
                key = base64.b64decode(listener.secret.removeprefix("whsec_"))
                wanted = "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()
                if wanted in self.headers["webhook-signature"].split():
                    listener.events.append(json.loads(body))
                else:
                    listener.unsigned += 1
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/events"
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True
        )

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def wait_for(self, kind: str, count: int, seconds: float = 30) -> None:
        """Raises StoryBroken when so many events of the kind have not come in time."""
        pause = threading.Event()
        for _ in range(int(seconds * 10)):
            if sum(event["type"] == kind for event in self.events) >= count:
                return
            pause.wait(0.1)
        raise StoryBroken(f"fewer than {count} callbacks {kind} came within {seconds:.0f} s: {self.events}")
