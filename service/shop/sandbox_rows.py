"""Stock that never runs out, for the sandbox."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import Bin, Stock

_BIN, _BOXED = "TEST", 100_000


def fill(session: Session, skus: Iterable[str]) -> None:
    """Put units of every product into the sandbox's one bin, where there are none of it yet."""
    if session.get(Bin, _BIN) is None:
        session.add(Bin(bin=_BIN, walking_order=0))
        session.flush()
    there = set(session.scalars(select(Stock.sku)))
    session.add_all(Stock(bin=_BIN, sku=sku, boxed=_BOXED, reserved=0) for sku in skus if sku not in there)
