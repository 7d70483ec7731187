"""What the store keeps, and its end of the service.

A real store keeps baskets, orders and event ids in its database; here they are gone when it stops.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from standardwebhooks import Webhook

from service.client import NoAnswer, Order, Problem, Store, Versioned


@dataclass
class Basket:
    """What a buyer means to order. It has its order's reference from the beginning, so that a button that is
    pressed twice, or pressed again after a fault, makes one order."""

    order_ref: str
    lines: list[dict[str, Any]] = field(default_factory=list)


@dataclass
class Placed:
    """An order that was paid for. `order` is the service's answer when it was last read; None until then."""

    buyer: str
    asked: dict[str, Any]
    order: Versioned[Order] | None = None
    told: list[str] = field(default_factory=list)
    note: str = ""


class Records:
    """Baskets and orders, and what the service is asked and tells about them."""

    def __init__(self, service: Store, secret: str) -> None:
        self.service, self._secret = service, secret
        self.baskets: dict[str, Basket] = {}
        self.placed: dict[str, Placed] = {}
        self._worked_in: set[str] = set()
        self._lock, self._asking = threading.Lock(), threading.Lock()

    def basket(self, buyer: str) -> Basket:
        """The buyer's basket; a new one where there is none."""
        with self._lock:
            return self.baskets.setdefault(buyer, Basket("W-" + secrets.token_hex(4).upper()))

    def remove(self, buyer: str, number: int) -> None:
        """Take a line out of the basket."""
        with self._lock:
            lines = self.baskets[buyer].lines if buyer in self.baskets else []
            lines[number : number + 1] = []

    def pay(self, buyer: str) -> str:
        """The basket becomes an order, on record before the service hears of it; gives its reference."""
        with self._lock:
            basket = self.baskets.pop(buyer, None)
            if basket is None or not basket.lines:
                mine = [ref for ref, order in self.placed.items() if order.buyer == buyer]
                return mine[-1] if mine else ""
            ship_by = (datetime.now(UTC) + timedelta(days=5)).replace(microsecond=0).isoformat()
            lines = [line | {"line_ref": str(n)} for n, line in enumerate(basket.lines, start=1)]
            asked = {"order_ref": basket.order_ref, "ship_by": ship_by, "proof": "buyer", "lines": lines}
            self.placed[basket.order_ref] = Placed(buyer, asked)
        return basket.order_ref

    def send(self, placed: Placed) -> None:
        """Post the order, or read it anew where it was posted. The client makes the Idempotency-Key from the
        reference: sent twice, it is one order."""
        if (seen := placed.order) is None:
            self._keep(placed, lambda: self.service.take_order(placed.asked))
        else:
            self._keep(placed, lambda: self.service.order(seen.value["id"]))

    def cancel(self, placed: Placed) -> None:
        """Cancel the order as it was last seen. Has it changed since, the buyer sees it and decides again."""
        if (seen := placed.order) is None:
            return
        self._keep(placed, lambda: self.service.cancel(seen))
        if why := placed.note:
            self.send(placed)
            placed.note = why

    def _keep(self, placed: Placed, ask: Callable[[], Versioned[Order]]) -> None:
        with self._asking:  # one after another, so that no older answer is kept over a newer one
            try:
                placed.order, placed.note = ask(), ""
            except Problem as problem:
                placed.note = problem.code
            except NoAnswer:
                placed.note = "no_answer"

    def told(self, body: bytes, headers: Mapping[str, str]) -> Placed | None:
        """The order that an event is about, once; None for an event that came before, or of no order here.
        Raises WebhookVerificationError."""
        event = Webhook(self._secret).verify(body, dict(headers))
        with self._lock:
            if headers["webhook-id"] in self._worked_in:
                return None
            self._worked_in.add(headers["webhook-id"])
            placed = self.placed.get(event["data"].get("order_ref", ""))
            if placed is not None:
                placed.told.append(event["type"])
        return placed
