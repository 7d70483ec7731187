"""Which routine checks are due at a station.

A day's and a week's checks are due from the start of the shop's working day or week
(`layout.shop.hours.day_starts`: a shift through midnight belongs to the day on which it began), the others by
the station's meter or by when a process was burned last. An entry from the future was written by a clock that
has been set back since, and does not count: the check is due once more.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from layout.shop.hours import Hours, day_starts, working_day
from layout.shop.shop import Shop
from layout.shop.upkeep import Routine
from service.loads import meter_rows as meters
from service.plan.backlog import WallClock, hours_at
from service.records.clock import APART
from service.records.errors import RoutineDue
from service.records.tables import RoutineEntry
from service.routines import routine_rows as rows
from service.routines.routine_answers import RoutineAnswer, entry_answer


def routines_of(session: Session, shop: Shop, station: str, *, now: datetime) -> list[RoutineAnswer]:
    """All checks of a station; one for each of its processes where they are tried on scrap."""
    return list(_Looked(session, shop, station, now).answers(processes=None))


def due_at(
    session: Session, shop: Shop, station: str, *, now: datetime, processes: Collection[str] = ()
) -> list[RoutineAnswer]:
    """What is due at a station before it burns with these processes."""
    answers = _Looked(session, shop, station, now).answers(processes=processes)
    return [answer for answer in answers if answer.is_due]


def must_be_done(
    session: Session, shop: Shop, station: str, *, now: datetime, processes: Collection[str] = ()
) -> None:
    """Raises RoutineDue while a check is due that stops the station."""
    due = [one for one in due_at(session, shop, station, now=now, processes=processes) if one.stops]
    if due:
        named = ", ".join(f"{one.name} ({one.process})" if one.process else one.name for one in due)
        raise RoutineDue(
            f"first do the routine checks at {station}: {named}",
            station=station,
            routines=sorted({one.routine for one in due}),
        )


@dataclass(frozen=True, slots=True)
class _Looked:
    """One look at a station's checks."""

    session: Session
    shop: Shop
    station: str
    now: datetime

    def answers(self, *, processes: Collection[str] | None) -> Iterator[RoutineAnswer]:
        """The checks; of those that try a process, one for each named (None: for all of the station)."""
        routines = self.shop.stations[self.station].routines
        if not routines:
            return
        meter_s = meters.burned_seconds(self.session, self.station)
        for routine in routines:
            if routine.every != "process":
                yield self._answer(routine, "", meter_s)
                continue
            own = sorted(p.process for p in self.shop.processes.values() if p.station == self.station)
            for process in own if processes is None else sorted(set(own) & set(processes)):
                yield self._answer(routine, process, meter_s)

    def _answer(self, routine: Routine, process: str, meter_s: float) -> RoutineAnswer:
        last = rows.newest(self.session, self.station, routine.routine, process)
        burned_s = meter_s - (last.burned_s if last else 0.0)
        return RoutineAnswer(
            station=self.station,
            routine=routine.routine,
            process=process or None,
            name=routine.name,
            how=routine.how,
            if_not_ok=routine.if_not_ok,
            every=routine.every,
            hours=routine.hours,
            unused_days=routine.unused_days,
            burned_hours=round(burned_s / 3600, 1) if routine.every == "hours" else None,
            stops=routine.stops,
            is_due=self._is_due(routine, process, last, burned_s),
            last=entry_answer(last) if last else None,
        )

    def _is_due(self, routine: Routine, process: str, last: RoutineEntry | None, burned_s: float) -> bool:
        if last is not None and not last.is_ok:
            return True
        if routine.hours is not None:
            return burned_s >= routine.hours * 3600
        done_at = last.at if last is not None and self._has_been(last.at) else None
        if routine.unused_days is not None:
            used_at = meters.last_burned(self.session, self.station, process)
            known = [at for at in (done_at, used_at) if at is not None and self._has_been(at)]
            return not known or self.now - max(known) > timedelta(days=routine.unused_days)
        return done_at is None or done_at < self._begin_of(routine)

    def _has_been(self, at: datetime) -> bool:
        return at <= self.now + APART

    def _begin_of(self, routine: Routine) -> datetime:
        """When the working day, or the week, began that it is now."""
        clock = WallClock.before(self.now - timedelta(days=7), self.shop.policy.time_zone)
        hours: Hours = hours_at(self.shop, self.station, clock)
        day = working_day(hours, clock.seconds(self.now))
        if routine.every == "week":
            day -= day % 7  # a week begins on Monday, as the clock does
        return clock.moment(day_starts(hours, day))
