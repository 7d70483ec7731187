"""One guarded POST to somewhere a store has named: resolved once, checked, no redirects, bounded in time
and size, nothing taken from the environment."""

from __future__ import annotations

import ssl
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from urllib.parse import urlsplit

import httpcore

from service.callbacks import addresses
from service.callbacks.addresses import AddressRefused

CONNECT_SECONDS = 5.0
TOTAL_SECONDS = 15.0
_LARGEST_ANSWER = 65_536
_PORTS = frozenset({443, 8443})
#: Whom the machine trusts is read anew after so long: it takes more than all else of a POST.
_TRUST_SECONDS = 3600.0


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back. `status` 0: nothing did, and `error` says why in the service's own words."""

    status: int
    retry_after: str | None = None
    error: str | None = None
    is_late: bool = False  # the receiver took all the time it may have


def check_url(url: str, *, loopback_allowed: bool = False) -> str | None:
    """What is wrong with the URL as written, or None. Where it leads is judged at connect time."""
    try:
        parts = urlsplit(url)
        port = 443 if parts.port is None else parts.port
    except ValueError:
        return "is no URL"
    plain = loopback_allowed and parts.scheme == "http"
    wrongs = (
        (not url.isascii() or any(character.isspace() for character in url), "must be plain ASCII"),
        (not parts.hostname, "needs a host name"),
        (parts.username is not None or parts.password is not None, "must not hold a user or password"),
        (bool(parts.fragment), "must not have a fragment"),
        (parts.scheme != "https" and not plain, "must begin with https://"),
        (port not in _PORTS and not loopback_allowed, "must use port 443 or 8443"),
    )
    return next((message for wrong, message in wrongs if wrong), None)


def post(url: str, *, headers: Mapping[str, str], body: bytes, loopback_allowed: bool = False) -> Answer:
    """Send once and give the answer; never raises for what the other side does."""
    wrong = check_url(url, loopback_allowed=loopback_allowed)
    if wrong:
        return Answer(0, error=f"the address {wrong}")
    backend = _Guarded(loopback_allowed=loopback_allowed, deadline=time.monotonic() + TOTAL_SECONDS)
    waits = {"connect": CONNECT_SECONDS, "read": TOTAL_SECONDS, "write": TOTAL_SECONDS, "pool": 1.0}
    try:
        with (
            httpcore.ConnectionPool(
                ssl_context=_trust(int(time.monotonic() / _TRUST_SECONDS)), network_backend=backend, retries=0
            ) as pool,
            pool.stream(
                "POST", url, headers=list(headers.items()), content=body, extensions={"timeout": waits}
            ) as response,
        ):
            _read_a_little(response)
            received = {name.lower(): value for name, value in response.headers}
            retry_after = received.get(b"retry-after", b"").decode("ascii", "replace") or None
            return Answer(response.status, retry_after=retry_after)
    except AddressRefused as refused:
        return Answer(0, error=refused.message)
    except httpcore.TimeoutException:
        return Answer(0, error="no answer in time", is_late=True)
    except (httpcore.NetworkError, httpcore.ProtocolError, httpcore.UnsupportedProtocol, OSError) as error:
        return Answer(0, error=type(error).__name__)


@lru_cache(maxsize=1)
def _trust(_hour: int) -> ssl.SSLContext:
    """Whom this machine trusts."""
    return ssl.create_default_context()


def _read_a_little(response: httpcore.Response) -> None:
    """Take the body off the wire, so that the sender sees it read; its words are never used."""
    size = 0
    stream: Any = response.stream
    for chunk in stream:
        size += len(chunk)
        if size > _LARGEST_ANSWER:
            return


class _Guarded(httpcore.NetworkBackend):
    """Connects to the very address that was judged; the name stays in Host and in the TLS handshake."""

    def __init__(self, *, loopback_allowed: bool, deadline: float) -> None:
        self._inner = httpcore.SyncBackend()
        self._loopback_allowed = loopback_allowed
        self._deadline = deadline

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        left_s = min(CONNECT_SECONDS, self._deadline - time.monotonic())
        address = addresses.resolve(host, port, within_s=left_s, loopback_allowed=self._loopback_allowed)
        stream = self._inner.connect_tcp(address, port, timeout, local_address, socket_options)
        return _Bounded(stream, self._deadline)

    def connect_unix_socket(
        self, path: str, timeout: float | None = None, socket_options: Iterable[Any] | None = None
    ) -> httpcore.NetworkStream:
        raise AddressRefused("callbacks don't go to sockets of this machine")


class _Bounded(httpcore.NetworkStream):
    """Ends the whole exchange at its deadline: a byte every few seconds would pass any single time-out."""

    def __init__(self, stream: httpcore.NetworkStream, deadline: float) -> None:
        self._stream = stream
        self._deadline = deadline

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return self._stream.read(max_bytes, self._left(timeout))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        self._stream.write(buffer, self._left(timeout))

    def close(self) -> None:
        self._stream.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        inner = self._stream.start_tls(ssl_context, server_hostname, self._left(timeout))
        return _Bounded(inner, self._deadline)

    def get_extra_info(self, info: str) -> Any:
        return self._stream.get_extra_info(info)

    def _left(self, timeout: float | None) -> float:
        left = self._deadline - time.monotonic()
        if left <= 0:
            raise httpcore.ReadTimeout("the exchange took too long")
        return left if timeout is None else min(timeout, left)
