"""The days ahead: hours of work by ship-by day against the hours that the stations are open, what will be
late, and which days bring far more than usual.

It reads the plan that is kept (`service.plan.in_force`) and makes none.

Work is everything that is not burned yet, in whatever state; hours open are the stations' own, from now on.
Where the shop says who works when, people's work (pulling, seating, looking, inspecting, wiping, bagging,
boxing) is held against their time as well: whichever is scarcer decides.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from statistics import median
from typing import Any, Literal

from sqlalchemy.orm import Session

from layout.loading.backlog import Backlog
from layout.shop.hours import DAY_S, open_spans
from service.plan import board_rows as rows
from service.plan.backlog import WallClock
from service.plan.planning import Planned

#: A day with so many times the usual work is a release day (common practice, no source: a maker's release
#: brings about twice an ordinary day's orders).
RELEASE_TIMES = 2.0
#: What is usual is the median of the ship-by days of so many days back, where there are enough of them.
_USUAL_DAYS, _FEWEST_DAYS = 28, 5
#: Days shown: a week at least, and days with work up to two weeks ahead.
_DAYS, _MOST_DAYS = 7, 14


@dataclass(frozen=True, slots=True)
class Day:
    """Work to be shipped on one day, in hours of burning. `day` is None for what was due before today.

    `due_hours` and `until_hours` sum up the work and the open hours of all days up to this one, it
    included; `hands_due_hours` and `hands_until_hours` do so for people's work and time. `times_usual`
    compares all that is to be shipped on the day, done or not, with an ordinary day's work."""

    day: date | None
    units: int
    hours: float
    late_units: int
    late_hours: float
    open_hours: float
    due_hours: float
    until_hours: float
    hands_due_hours: float = 0.0
    hands_until_hours: float = 0.0
    times_usual: float | None = None

    @property
    def fits(self) -> bool:
        """Whether the hours until then are enough, of lasers and of people. Whether plates allow it, the plan
        knows."""
        due, until = self.scarce_hours
        return due <= until + 1e-9

    @property
    def scarcer(self) -> Literal["lasers", "hands"]:
        """What there is less of, compared with the work."""
        hands = self.hands_due_hours * max(self.until_hours, 1e-9)
        return "hands" if hands > self.due_hours * max(self.hands_until_hours, 1e-9) else "lasers"

    @property
    def scarce_hours(self) -> tuple[float, float]:
        """Work, and the hours there are for it until then, of what is scarcer."""
        if self.scarcer == "hands":
            return self.hands_due_hours, self.hands_until_hours
        return self.due_hours, self.until_hours

    @property
    def is_release(self) -> bool:
        return self.times_usual is not None and self.times_usual >= RELEASE_TIMES


def outlook(session: Session, planned: Planned, *, now: datetime) -> list[Day]:
    """What was due before today, when there is any, then today and the days after it."""
    clock = planned.clock
    today = int(clock.seconds(now) // DAY_S)
    work: dict[int, list[tuple[int, float]]] = {}
    late_units: dict[int, int] = defaultdict(int)
    late_hours: dict[int, float] = defaultdict(float)
    for ship_by, seconds, count in rows.unburned(session):
        day = max(int(clock.seconds(ship_by) // DAY_S), today - 1)
        hours = count * (seconds or 0.0) / 3600
        work.setdefault(day, []).append((count, hours))
        if ship_by < now:
            late_units[day] += count
            late_hours[day] += hours
    for job in planned.late_to_come():
        day = int(job.shipped_by // DAY_S)
        late_units[day] += 1
        late_hours[day] += job.seconds * len(job.kind.faces) / 3600
    usual = _usual(session, clock, today, now=now)
    made: list[Day] = []
    due_hours = until_hours = hands_due = hands_until = 0.0
    a_unit = _handling_hours(planned.backlog)
    for day in _days(work, today):
        units, hours = sum(n for n, _ in work.get(day, ())), sum(h for _, h in work.get(day, ()))
        open_hours = _open_hours(planned.backlog, day)
        due_hours, until_hours = due_hours + hours, until_hours + open_hours
        hands_due, hands_until = hands_due + units * a_unit, hands_until + _hand_hours(planned.backlog, day)
        made.append(
            Day(
                day=None if day < today else clock.monday + timedelta(days=day),
                units=units,
                hours=hours,
                late_units=late_units[day],
                late_hours=min(hours, late_hours[day]),
                open_hours=open_hours,
                due_hours=due_hours,
                until_hours=until_hours,
                hands_due_hours=hands_due,
                hands_until_hours=hands_until,
                times_usual=usual.get(day),
            )
        )
    return [ship_day for ship_day in made if ship_day.units or ship_day.open_hours]


def _days(work: Mapping[int, Any], today: int) -> range:
    last = max([today + _DAYS - 1, *(day for day in work if day < today + _MOST_DAYS)])
    return range(today - 1 if today - 1 in work else today, last + 1)


def _open_hours(backlog: Backlog, day: int) -> float:
    """Hours that all stations together are open on a day, today from now on."""
    begins, ends = max(backlog.now, day * DAY_S), (day + 1) * DAY_S
    if ends <= begins:
        return 0.0
    spans = [span for station in backlog.stations for span in open_spans(station.hours, begins, ends)]
    return sum(closes - opens for opens, closes in spans) / 3600


def _handling_hours(backlog: Backlog) -> float:
    """Hours of people's work that a unit takes, where the shop says who works when; at a usual station."""
    by_people = [
        station.load_seconds + station.after_burn_s
        for station in backlog.stations
        if station.hands is not None
    ]
    return median(by_people) / 3600 if by_people else 0.0


def _hand_hours(backlog: Backlog, day: int) -> float:
    """Hours that all people together work on a day, today from now on."""
    begins, ends = max(backlog.now, day * DAY_S), (day + 1) * DAY_S
    hands = [station_hands.hands for station_hands in backlog.stations if station_hands.hands is not None]
    if ends <= begins:
        return 0.0
    return (
        sum((b - a) * people for station_hands in hands for a, b, people in station_hands.spans(begins, ends))
        / 3600
    )


def _usual(session: Session, clock: WallClock, today: int, *, now: datetime) -> dict[int, float]:
    """By day ahead, how many times an ordinary day's work is to be shipped on it; nothing while it is not
    known what an ordinary day is."""
    span = timedelta(days=_USUAL_DAYS), timedelta(days=_MOST_DAYS)
    by_day: dict[int, float] = {}
    for ship_by, seconds, count in rows.work_by_ship_by(session, now - span[0], now + span[1]):
        day = int(clock.seconds(ship_by) // DAY_S)
        by_day[day] = by_day.get(day, 0.0) + count * (seconds or 0.0)
    ordinary = [work for day, work in by_day.items() if day < today and work > 0]
    if len(ordinary) < _FEWEST_DAYS:
        return {}
    return {day: work / median(ordinary) for day, work in by_day.items() if day >= today}
