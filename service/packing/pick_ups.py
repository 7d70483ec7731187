"""With which cut-off of the carrier an order must leave."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from layout.shop.carrier import Carrier
from layout.shop.shop import Shop
from service.plan.backlog import WallClock, carrier_of


@dataclass(frozen=True, slots=True)
class PickUps:
    """The carrier's cut-offs as moments; `carrier` is None where the shop names none."""

    clock: WallClock
    carrier: Carrier | None

    @staticmethod
    def of(shop: Shop, *, now: datetime) -> PickUps:
        clock = WallClock.before(now, shop.policy.time_zone)
        return PickUps(clock, carrier_of(shop, clock))

    def last_before(self, ship_by: datetime) -> datetime | None:
        """The last cut-off by which something shipped by then may leave; None where nothing ever leaves."""
        if self.carrier is None:
            return None
        try:
            boxed_by = self.carrier.latest(self.clock.seconds(ship_by))
        except ValueError:
            return None
        return self.clock.moment(boxed_by + self.carrier.packing_s)

    def may_be_taken_back(self, handed_over_at: datetime, *, now: datetime) -> bool:
        """Whether what was handed over then is still here: until the carrier's next cut-off after it, or for
        the rest of the day where the shop names no carrier."""
        leaves = self.next_after(handed_over_at)
        if leaves is not None:
            return now < leaves
        days = (moment.astimezone(self.clock.zone).date() for moment in (handed_over_at, now))
        return len(set(days)) == 1

    def next_after(self, now: datetime) -> datetime | None:
        """The next cut-off; None where nothing ever leaves."""
        if self.carrier is None:
            return None
        try:
            return self.clock.moment(self.carrier.leaves(self.clock.seconds(now) - self.carrier.packing_s))
        except ValueError:
            return None
