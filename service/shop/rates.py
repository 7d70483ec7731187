"""How often somebody may ask, and how many units a store may order in a day.

Counted in this process's memory (`limits`, moving windows): several processes allow as many times more, and a
restart forgets. That is enough against a client that has run wild, which is what it is for.
"""

from __future__ import annotations

import math
import time

from limits import RateLimitItem, RateLimitItemPerDay, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import FixedWindowRateLimiter, MovingWindowRateLimiter

from service.records.errors import TooManyRequests, TooManyUnits

#: An address may be a whole shop's behind a proxy: what all its keys may, twice.
_ADDRESS_OVER_KEY = 2
#: Wrong keys from one address: nobody mistypes as often as that.
_WRONG_KEYS_A_MINUTE = 60
#: A storefront's key is every buyer's; an address is a buyer's, or a few buyers' behind one line.
_KEY_OVER_ADDRESS = 5


class Rates:
    """Counts by key, by address and by store. May be used from any thread."""

    def __init__(self, *, requests_a_minute: int, previews_a_minute: int, units_a_day: int) -> None:
        """`requests_a_minute` and `previews_a_minute`: of one key."""
        memory = MemoryStorage()
        self._moving, self._fixed = MovingWindowRateLimiter(memory), FixedWindowRateLimiter(memory)
        self._of_key = RateLimitItemPerMinute(requests_a_minute)
        self._of_address = RateLimitItemPerMinute(requests_a_minute * _ADDRESS_OVER_KEY)
        self._wrong = RateLimitItemPerMinute(_WRONG_KEYS_A_MINUTE)
        self._previews = RateLimitItemPerMinute(previews_a_minute)
        self._previews_from = RateLimitItemPerMinute(max(1, previews_a_minute // _KEY_OVER_ADDRESS))
        self._units = RateLimitItemPerDay(units_a_day)

    def asked_by_key(self, key_id: str) -> None:
        """Count a request of a key. Raises TooManyRequests."""
        self._count(self._of_key, "key", key_id)

    def asked_from(self, address: str) -> None:
        """Count a request from an address. Raises TooManyRequests, also for one that guesses keys."""
        self._count(self._of_address, "address", address)
        if not self._moving.test(self._wrong, "wrong key", address):
            raise self._refusal(self._wrong, "wrong key", address)

    def preview(self, key_id: str, address: str) -> None:
        """Count a preview of a key, asked from an address. Raises TooManyRequests."""
        # The address first: one that is over its own budget takes nothing of the key's.
        self._count(self._previews_from, "previews from", address)
        self._count(self._previews, "previews", key_id)

    def wrong_key_from(self, address: str) -> None:
        """Count a request with a key that is none."""
        self._moving.hit(self._wrong, "wrong key", address)

    def order(self, client: str, units: int) -> None:
        """Count the units of an order. Raises TooManyUnits."""
        if not self._fixed.test(self._units, "units", client, cost=units):  # a refused order counts nothing
            left = self._fixed.get_window_stats(self._units, "units", client)
            raise TooManyUnits(
                f"a store may order {self._units.amount} units a day; {left.remaining} are left of today's",
                most=self._units.amount,
                left=left.remaining,
                retry_after_s=max(1, math.ceil(left.reset_time - time.time())),
            )
        self._fixed.hit(self._units, "units", client, cost=units)

    def _count(self, limit: RateLimitItem, *whose: str) -> None:
        if not self._moving.hit(limit, *whose):
            raise self._refusal(limit, *whose)

    def _refusal(self, limit: RateLimitItem, *whose: str) -> TooManyRequests:
        until = self._moving.get_window_stats(limit, *whose).reset_time
        return TooManyRequests(
            f"at most {limit.amount} requests a minute; nothing was changed",
            most_a_minute=limit.amount,
            retry_after_s=max(1, math.ceil(until - time.time())),
        )
