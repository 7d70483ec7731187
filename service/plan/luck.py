"""How what happens differs from what was planned, read off the rows: the luck that promises are made with.

Burns that take longer, units that are spoiled and lasers that fail put everything off that comes after;
so does work that comes later and is wanted sooner. All of it is taken from the last weeks of this very
shop; until there are enough of them, what is assumed stands beside its name."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import accumulate

from sqlalchemy.orm import Session

from layout.plan.promise import NONE_OVERTAKES, Luck, Overtaking
from layout.shop.hours import DAY_S, open_spans
from layout.shop.shop import Shop
from service.plan import luck_rows as rows
from service.plan.backlog import WallClock, hours_of
from service.plan.paces import Paces

#: Scrap is the share of so many units inspected last; failures are counted on so many loads started last.
UNITS_INSPECTED, LOADS = 1_000, 500
#: How long a failure keeps a station (common practice, no source): how long it really does is not recorded.
STOP_S = 1_800.0
#: What usually overtakes is read off so many days.
DAYS = 14


def luck(session: Session, paces: Paces) -> Luck:
    """The spread of burns, scrap and failures on record."""
    inspected, scrapped = rows.inspected(session, limit=UNITS_INSPECTED)
    burned_s, stops = rows.interrupted(session, loads=LOADS)
    return Luck(
        spread=paces.spread,
        scrap=scrapped / inspected if inspected else 0.0,
        stops_per_s=stops / burned_s if burned_s > 0 else 0.0,
        stop_s=STOP_S,
    )


@dataclass(frozen=True, slots=True)
class Overtaken:
    """The work of the last days by how soon it was wanted: `leads` from order to ship-by, in seconds,
    sorted; `work` the seconds of burning of all with that lead or a shorter one; `open_s` the time that
    the stations were open in those days."""

    read_at: datetime
    leads: Sequence[float] = ()
    work: Sequence[float] = ()
    open_s: float = 0.0

    @property
    def usual_lead_s(self) -> float:
        """How long before their ship-by time orders usually come."""
        return self.leads[len(self.leads) // 2] if self.leads else 0.0

    def sooner_than(self, lead_s: float) -> Overtaking:
        """What usually comes later and is wanted sooner than an order with that lead, day by day: what comes
        on the third day is wanted sooner if it has two days less."""
        shares: list[float] = []
        while not shares or shares[-1] > 0:
            count = bisect_left(self.leads, lead_s - len(shares) * DAY_S)
            shares.append(self.work[count - 1] / self.open_s if count and self.open_s > 0 else 0.0)
        if shares[0] <= 0:
            return NONE_OVERTAKES
        count = bisect_left(self.leads, lead_s)
        return Overtaking(shares[0], self.work[count - 1] / count, tuple(shares[1:]))


def overtaken(session: Session, shop: Shop, clock: WallClock, *, now: datetime) -> Overtaken:
    """What came in the last days."""
    came = rows.work_since(session, now - timedelta(days=DAYS))
    if not came:
        return Overtaken(now)
    since = clock.seconds(min(at for at, _, _ in came))
    spans = [
        span
        for hours in hours_of(shop, clock)
        for span in open_spans(hours, since, max(since + 1.0, clock.seconds(now)))
    ]
    by_lead = sorted(((ship_by - at).total_seconds(), seconds) for at, ship_by, seconds in came)
    return Overtaken(
        read_at=now,
        leads=[lead for lead, _ in by_lead],
        work=list(accumulate(seconds for _, seconds in by_lead)),
        open_s=sum(closes - opens for opens, closes in spans),
    )
