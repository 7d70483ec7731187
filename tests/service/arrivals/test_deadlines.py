"""Connections that idle, stall or trickle are ended, and never stand in the way of others."""

from __future__ import annotations

import http.client
import resource
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest
import uvicorn
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from service.arrivals.deadlines import TimedConnection, raise_open_files

HALF_A_HEAD = b"GET /healthz HTTP/1.1\r\nHost: shop.example\r\nX-Slow: "
#: More than the narrow line of a test holds, and less than the server waits for before it writes on.
SOME = 40_000
WHOLE = b"GET / HTTP/1.1\r\nHost: shop.example\r\n\r\n"


class Quick(TimedConnection):
    head_seconds = 0.3
    stalled_seconds = 0.3
    most_connections = 20


async def answers(scope: Scope, receive: Receive, send: Send) -> None:
    size = {"/large": 50_000_000, "/some": SOME}.get(scope["path"], 2)
    await PlainTextResponse("." * size)(scope, receive, send)


@contextmanager
def serving(
    kind: type[uvicorn.protocols.http.h11_impl.H11Protocol], *, is_narrow: bool = False
) -> Iterator[tuple[str, int]]:
    listening = socket.create_server(("127.0.0.1", 0))
    if is_narrow:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    server = uvicorn.Server(uvicorn.Config(answers, http=kind, log_config=None, lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    try:
        yield listening.getsockname()
    finally:
        server.should_exit = True
        thread.join(10)


@pytest.fixture
def address() -> Iterator[tuple[str, int]]:
    with serving(Quick) as where:
        yield where


def is_ended(connection: socket.socket, within: float = 5.0) -> bool:
    connection.settimeout(within)
    try:
        while connection.recv(65536):
            pass
    except ConnectionError:
        return True
    except TimeoutError:
        return False
    return True


@pytest.mark.parametrize("said", [b"", HALF_A_HEAD, WHOLE + HALF_A_HEAD])
def test_a_connection_without_a_whole_head_is_ended(address: tuple[str, int], said: bytes) -> None:
    with socket.create_connection(address) as connection:
        connection.sendall(said)

        assert is_ended(connection)


def test_a_connection_may_rest_between_two_requests_for_longer_than_a_head_may_take(
    address: tuple[str, int],
) -> None:
    with socket.create_connection(address) as connection:
        answered = http.client.HTTPConnection(*address)
        answered.sock = connection
        answered.request("GET", "/")
        first = answered.getresponse().read()
        threading.Event().wait(2 * Quick.head_seconds)
        answered.request("GET", "/")

        assert (first, answered.getresponse().read()) == (b"..", b"..")
        assert answered.sock is connection


def test_a_head_that_begins_after_a_rest_has_its_deadline(address: tuple[str, int]) -> None:
    with socket.create_connection(address) as connection:
        connection.settimeout(5)
        connection.sendall(WHOLE)
        connection.recv(100)
        threading.Event().wait(0.2)
        connection.sendall(HALF_A_HEAD)

        assert is_ended(connection, within=2.0)


def test_the_server_underneath_would_wait_for_ever() -> None:
    """The control: without the deadlines nothing ends the same connection."""
    plain = uvicorn.protocols.http.h11_impl.H11Protocol
    with serving(plain) as address, socket.create_connection(address) as connection:
        connection.sendall(HALF_A_HEAD)

        assert not is_ended(connection, within=1.0)


def test_whoever_reads_nothing_of_an_answer_is_let_go(address: tuple[str, int]) -> None:
    with socket.create_connection(address) as connection:
        connection.sendall(WHOLE.replace(b"/ ", b"/large "))
        threading.Event().wait(1.2)

        connection.settimeout(5)
        got = 0
        try:
            while piece := connection.recv(1_000_000):
                got += len(piece)
        except ConnectionError:
            pass

    assert got < 50_000_000


@contextmanager
def narrow_line() -> Iterator[socket.socket]:
    """To a server whose answers mostly wait in the process."""
    with serving(Quick, is_narrow=True) as address, socket.socket() as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        connection.connect(address)
        connection.settimeout(5)
        yield connection


@pytest.mark.parametrize("said", [b"", b"Connection: close\r\n"])
def test_whoever_leaves_the_end_of_an_answer_is_let_go(said: bytes) -> None:
    with narrow_line() as connection:
        connection.sendall(WHOLE.replace(b"/ ", b"/some ")[:-2] + said + b"\r\n")
        threading.Event().wait(1.2)

        got = 0
        try:
            while got < SOME and (piece := connection.recv(100_000)):
                got += len(piece)
        except ConnectionError:
            pass

    assert got < SOME


def test_whoever_takes_an_answer_slowly_may_rest_after_it() -> None:
    with narrow_line() as connection:
        connection.sendall(WHOLE.replace(b"/ ", b"/some "))
        threading.Event().wait(0.2)
        got = b""
        while len(got.partition(b"\r\n\r\n")[2]) < SOME:
            got += connection.recv(100_000)
        threading.Event().wait(3 * Quick.head_seconds)
        connection.sendall(WHOLE)

        assert b"200 OK" in connection.recv(SOME)


def test_the_longest_idle_make_room_for_others(address: tuple[str, int]) -> None:
    with ExitStack() as opened:
        idle = [opened.enter_context(socket.create_connection(address)) for _ in range(60)]
        busy = opened.enter_context(socket.create_connection(address))
        busy.sendall(WHOLE)
        busy.settimeout(5)

        assert busy.recv(100).startswith(b"HTTP/1.1 200")
        assert is_ended(idle[0])


def test_as_many_files_may_be_open_as_the_system_grants() -> None:
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(512, before[1]), before[1]))
    try:
        connections = raise_open_files()
        now, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)

    assert now == min(before[1], 8_200)
    assert connections == now - 200
