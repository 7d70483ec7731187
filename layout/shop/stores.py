"""Stores that sell a part of what the shop engraves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Store:
    """What one store offers of the shop: products, fonts, and by blade its zones. None: all; a blade that is
    not named is offered with all its zones. `language` is spoken where nobody asks for another; empty: the
    shop's own."""

    store: str
    products: frozenset[str] | None = None
    zones: Mapping[str, frozenset[str]] = field(default_factory=dict)
    fonts: frozenset[str] | None = None
    language: str = ""
