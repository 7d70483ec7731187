"""Who does something, and when: every row of history is signed with both.

An act has one `By`, made at its beginning: all rows that it writes carry the same name and the same time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Role(StrEnum):
    STORE = "store"
    DESK = "desk"
    BENCH = "bench"
    OWNER = "owner"
    STOREFRONT = "storefront"  # a publishable key: previews, and nothing else


#: Roles of keys that are not the shop's own people's.
OUTSIDE = frozenset({Role.STORE, Role.STOREFRONT})


@dataclass(frozen=True, slots=True)
class Who:
    """A role, the client that the key belongs to, and a name for the history."""

    role: Role
    client: str
    name: str

    @property
    def sees_all(self) -> bool:
        """A store sees its own orders only; the shop's own people see all."""
        return self.role not in OUTSIDE

    @property
    def sees_client(self) -> str | None:
        """The client whose rows may be seen; None for everybody's."""
        return None if self.sees_all else self.client


@dataclass(frozen=True, slots=True)
class By:
    """By whom, and when. One act has one of these: all its rows carry the same name and the same time."""

    who: Who
    at: datetime


#: The service acting by itself: sweeps and relays.
SWEEP = Who(role=Role.OWNER, client="ricasso", name="sweep")
