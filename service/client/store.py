"""A store's end of the HTTP surface."""

from __future__ import annotations

import hashlib
import random
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Literal, Self, TypeVar
from urllib.parse import quote

import httpx

from service.client.answers import (
    Asked,
    Batch,
    Callback,
    CallbackAndSecret,
    Check,
    Job,
    Order,
    Preview,
    Remake,
)
from service.client.problems import NoAnswer, Problem

T = TypeVar("T")

#: Refusals that pass by themselves.
_PASSING = frozenset({408, 429, 500, 502, 503, 504})
_LONGEST_PAUSE_S = 60.0


@dataclass(frozen=True, slots=True)
class Versioned(Generic[T]):
    """A thing as it was when it was read; `etag` names that state, and changes are made to it alone."""

    value: T
    etag: str


class Store:
    """The service at `address`, called with a store's key.

    Whatever was lost on the way is sent again, up to `attempts` times: nothing is done twice, because new
    things are posted with an Idempotency-Key and changes name the state that they change. Pauses grow, and
    last as long as the service asks for (`Retry-After`), a minute at the most. All calls raise `Problem`
    where the service refuses, and `NoAnswer` where nobody answered.

    A change whose answer was lost and that is refused with `stale_version` when it is sent again may have
    been done: read the thing anew and look.

    `transport` and `pause` are for tests.
    """

    def __init__(
        self,
        address: str,
        key: str,
        *,
        timeout_s: float = 30.0,
        attempts: int = 5,
        transport: httpx.BaseTransport | None = None,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self._http = httpx.Client(
            base_url=address,
            headers={"Authorization": f"Bearer {key}"},
            timeout=timeout_s,
            transport=transport,
        )
        self._attempts, self._pause = attempts, pause

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the connections."""
        self._http.close()

    # --- words and orders ---

    def check(self, sku: str, inscriptions: Sequence[Asked], *, quantity: int = 1) -> Check:
        """Whether the inscriptions can be engraved on the product, and what else could be."""
        body = {"sku": sku, "inscriptions": list(inscriptions), "quantity": quantity}
        answer: Check = self._ask("POST", "/v1/checks", body=body).json()
        return answer

    def preview(
        self, sku: str, inscriptions: Sequence[Asked], *, language: Literal["en", "de"] = "en"
    ) -> Preview:
        """The inscriptions on the product as their buyer sees them: a sentence, pictures, what else could be.
        A page of the store asks for this itself, with a storefront's key."""
        body = {"sku": sku, "inscriptions": list(inscriptions), "language": language}
        answer: Preview = self._ask("POST", "/v1/previews", body=body).json()
        return answer

    def offer(self, sku: str, *, language: Literal["en", "de"] = "en") -> dict[str, Any]:
        """What may be tried on a product: places, fonts with their names set in them, pictures, frames."""
        path = f"/v1/previews/{quote(sku, safe='')}"
        answer: dict[str, Any] = self._ask("GET", path, query={"language": language}).json()
        return answer

    def take_order(self, order: Mapping[str, Any], *, key: str | None = None) -> Versioned[Order]:
        """Post an order. Without a `key` of the caller's own the key follows from `order_ref`, so that the
        same order can be posted again even by another process: the answer is the first one's."""
        given = key or "order-" + hashlib.sha256(str(order.get("order_ref")).encode()).hexdigest()[:32]
        return self._versioned(
            self._ask("POST", "/v1/orders", body=order, headers={"Idempotency-Key": given})
        )

    def take_batch(self, orders: Sequence[Mapping[str, Any]], *, key: str) -> Batch:
        """Post up to 500 orders at once; they are taken one by one behind the answer. The same orders under
        the same key again: how far it is, and what was given up is tried again."""
        body = {"orders": [dict(order) for order in orders]}
        asked = self._ask("POST", "/v1/orders/batch", body=body, headers={"Idempotency-Key": key})
        answer: Batch = asked.json()
        return answer

    def batch(self, identity: str) -> Batch:
        """How far a batch is, and what became of each order."""
        answer: Batch = self._ask("GET", f"/v1/batches/{quote(identity, safe='')}").json()
        return answer

    def advance(self, identity: str, to: str | None = None) -> Versioned[Order]:
        """With a test key: move an order of the sandbox on, to that state or to its next."""
        path = f"/v1/sandbox/orders/{quote(identity, safe='')}/advance"
        return self._versioned(self._ask("POST", path, body={} if to is None else {"to": to}, attempts=1))

    def order(self, identity: str) -> Versioned[Order]:
        """One order, by the service's id."""
        return self._versioned(self._ask("GET", f"/v1/orders/{quote(identity, safe='')}"))

    def orders(
        self, *, order_ref: str | None = None, state: str | None = None, q: str | None = None
    ) -> Iterator[Order]:
        """The store's orders, newest first, page after page as they are read."""
        yield from self._pages("/v1/orders", "orders", order_ref=order_ref, state=state, q=q)

    def amend(
        self, order: Versioned[Order], line_ref: str, inscriptions: Sequence[Asked]
    ) -> Versioned[Order]:
        """Other words for a line, until a unit of it is in a load."""
        path = f"/v1/orders/{order.value['id']}/lines/{quote(line_ref, safe='')}"
        return self._changed("PATCH", path, order, {"inscriptions": list(inscriptions)})

    def cancel(
        self, order: Versioned[Order], *, lines: Sequence[str] = (), reason: str = "cancelled by the buyer"
    ) -> Versioned[Order]:
        """Cancel the order, or those of its lines."""
        body = {"lines": list(lines), "reason": reason}
        return self._changed("POST", f"/v1/orders/{order.value['id']}/cancel", order, body)

    def remake_unit(self, identity: str, wanted: Mapping[str, Any], *, key: str) -> Remake:
        """A released unit of an order once more; `wanted` says which one, why, and who pays."""
        path = f"/v1/orders/{quote(identity, safe='')}/remakes"
        asked = self._ask("POST", path, body=wanted, headers={"Idempotency-Key": key})
        answer: Remake = asked.json()
        return answer

    def remake(self, identity: str) -> Remake:
        """One unit made once more."""
        answer: Remake = self._ask("GET", f"/v1/remakes/{quote(identity, safe='')}").json()
        return answer

    def remakes(self, *, order: str | None = None, returned: str | None = None) -> Iterator[Remake]:
        """Units made once more, newest first, page after page."""
        yield from self._pages("/v1/remakes", "remakes", order=order, returned=returned)

    def job(self, identity: str) -> Job:
        """One unit with its history."""
        answer: Job = self._ask("GET", f"/v1/jobs/{quote(identity, safe='')}").json()
        return answer

    def jobs(self, *, state: str | None = None) -> Iterator[Job]:
        """The store's units, page after page."""
        yield from self._pages("/v1/jobs", "jobs", state=state)

    def proof(self, identity: str, kind: Literal["svg", "png", "pdf"] = "svg") -> bytes:
        """The picture of what will be engraved for an order; `pdf` is the sheet at true size."""
        return self._ask("GET", f"/v1/orders/{quote(identity, safe='')}/proof.{kind}").content

    def proof_link(self, identity: str) -> str:
        """An address for the buyer, who can approve the proof there or wish for a change."""
        url: str = self._ask("POST", f"/v1/orders/{quote(identity, safe='')}/proof-link").json()["url"]
        return url

    def withdraw_proof_links(self, identity: str) -> None:
        """Make all links to the order's proof void."""
        self._ask("DELETE", f"/v1/orders/{quote(identity, safe='')}/proof-link")

    def catalogue(self) -> dict[str, Any]:
        """What is sold, and where it can be engraved, in which fonts and sizes."""
        answer: dict[str, Any] = self._ask("GET", "/v1/catalogue").json()
        return answer

    # --- being told ---

    def register_callback(self, url: str, *, key: str) -> CallbackAndSecret:
        """Be told at that address. The secret is told once: keep it before anything else."""
        asked = self._ask("POST", "/v1/callbacks", body={"url": url}, headers={"Idempotency-Key": key})
        answer: CallbackAndSecret = asked.json()
        return answer

    def callbacks(self) -> list[Callback]:
        """Where the store is told."""
        answer: list[Callback] = self._ask("GET", "/v1/callbacks").json()["callbacks"]
        return answer

    def callback(self, identity: str) -> dict[str, Any]:
        """One callback with its newest deliveries."""
        answer: dict[str, Any] = self._ask("GET", f"/v1/callbacks/{quote(identity, safe='')}").json()
        return answer

    def given_up(self, identity: str) -> Iterator[dict[str, Any]]:
        """What was not taken there and is not sent any more, newest first, page after page; `resend` sends it
        again."""
        yield from self._pages(f"/v1/callbacks/{quote(identity, safe='')}/given-up", "deliveries")

    def rotate_secret(self, identity: str) -> CallbackAndSecret:
        """A new secret; for a day both sign. Asked once: sent again it would be another rotation, so after
        `NoAnswer` call it anew when the old secret is of no more use."""
        path = f"/v1/callbacks/{quote(identity, safe='')}/rotate-secret"
        answer: CallbackAndSecret = self._ask("POST", path, attempts=1).json()
        return answer

    def resend(self, identity: str, *, deliveries: Sequence[str] | None = None) -> int:
        """Send deliveries again, or all that were not taken; gives how many."""
        path = f"/v1/callbacks/{quote(identity, safe='')}/resend"
        body = {"deliveries": deliveries and list(deliveries)}
        count: int = self._ask("POST", path, body=body).json()["resent"]
        return count

    def remove_callback(self, identity: str) -> None:
        """Be told there no more."""
        self._ask("DELETE", f"/v1/callbacks/{quote(identity, safe='')}")

    # --- one request ---

    def _changed(
        self, method: str, path: str, seen: Versioned[Order], body: Mapping[str, Any]
    ) -> Versioned[Order]:
        return self._versioned(self._ask(method, path, body=body, headers={"If-Match": seen.etag}))

    def _versioned(self, answer: httpx.Response) -> Versioned[Order]:
        return Versioned(answer.json(), answer.headers["ETag"])

    def _pages(self, path: str, name: str, **asked: str | None) -> Iterator[Any]:
        query = {key: value for key, value in asked.items() if value is not None}
        answer = self._ask("GET", path, query=query)
        yield from answer.json()[name]
        while (following := answer.links.get("next")) is not None:
            answer = self._ask("GET", following["url"])
            yield from answer.json()[name]

    def _ask(
        self,
        method: str,
        path: str,
        *,
        body: Any = None,
        query: Mapping[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
        attempts: int | None = None,
    ) -> httpx.Response:
        """The answer to a request, sent up to so many times (those of the store, unless said otherwise)."""
        most = attempts or self._attempts
        for attempt in range(1, most + 1):
            answer: httpx.Response | None = None
            try:
                answer = self._http.request(method, path, json=body, params=query, headers=headers)
            except httpx.TransportError as error:
                if attempt == most:
                    raise NoAnswer(f"{method} {path}: {type(error).__name__}") from error
            if answer is not None and answer.is_success:
                return answer
            pause = _pause_before(attempt, answer)
            if attempt == most or pause is None:
                break
            self._pause(pause)
        assert answer is not None
        raise _refusal(method, path, answer)


def _pause_before(attempt: int, answer: httpx.Response | None) -> float | None:
    """Seconds to wait before the next attempt; None where it would not help. Without a word of the service
    it is half a second, twice as long each time, and up to as much again by chance, so that many callers
    don't come back at once."""
    if answer is not None:
        wanted = answer.headers.get("Retry-After", "")
        if wanted.isdigit():
            return float(wanted) if float(wanted) <= _LONGEST_PAUSE_S else None
        if answer.status_code not in _PASSING:
            return None
    least = min(0.5 * 2.0 ** (attempt - 1), _LONGEST_PAUSE_S / 2)
    return least * (1 + random.random())  # noqa: S311  no secret


def _refusal(method: str, path: str, answer: httpx.Response) -> Exception:
    """The problem that was answered, or that somebody else answered, such as a proxy."""
    if answer.headers.get("content-type", "").startswith("application/problem+json"):
        return Problem(answer.status_code, answer.json())
    return NoAnswer(f"{method} {path}: {answer.status_code} from something that is not the service")
