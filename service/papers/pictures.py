"""The plan and the backlog as pictures in one language: read from the rows, drawn by `layout.pictures`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from babel import Locale
from babel.dates import format_date
from sqlalchemy.orm import Session

from layout.loading.backlog import PlannedLoad
from layout.pictures.blades_and_plates import draw_plate
from layout.pictures.timeline import USUAL_S, Bar, Lane, TimelineWords, clock_time, draw_timeline
from layout.pictures.workload import DayBar, WorkloadWords, draw_workload
from layout.shop.hours import DAY_S, Hours
from layout.shop.shop import Shop
from service.papers import picture_rows as rows
from service.papers.texts import Texts, texts_of
from service.plan.outlook import Day
from service.plan.planning import Planned
from service.records import ids
from service.records.errors import NotFound
from service.records.states import LoadState
from service.records.tables import Load

#: Loads that begin later than this are on no picture.
_FARTHEST_S = 28 * DAY_S


def timeline(
    planned: Planned,
    loads: Sequence[Load],
    *,
    now: datetime,
    language: str,
    most_open_s: float = USUAL_S,
    has_links: bool = True,
) -> str:
    """What the stations burn and prepare, in the shop's own time. `loads` are those in hand."""
    texts = texts_of(language)
    stations = {station.station: station.hours for station in planned.backlog.stations}
    bars = [*_in_hand(planned, loads, texts, now=now), *_planned(planned, texts)]
    if not has_links:
        bars = [replace(bar, href=None) for bar in bars]
    return draw_timeline(
        [Lane(station, hours) for station, hours in stations.items()],
        bars,
        now=planned.clock.seconds(now),
        words=TimelineWords(
            day=lambda day: day_name(planned.clock.monday + timedelta(days=day), language),
            title=texts.gettext("Plan"),
            note=summary(planned, texts),
            now=texts.gettext("now"),
            burning=texts.gettext("burning"),
            preparing=texts.gettext("being seated"),
            in_hand=texts.gettext("in hand"),
            late=texts.gettext("late"),
            closed=texts.gettext("closed"),
            nothing=texts.gettext("Nothing is planned."),
        ),
        most_open_s=most_open_s,
    )


def workload(days: Sequence[Day], *, language: str) -> str:
    """The backlog by ship-by day."""
    texts = texts_of(language)
    return draw_workload(
        [
            DayBar(
                name=day_name(day.day, language) if day.day else texts.gettext("overdue"),
                hours=day.hours,
                late_hours=day.late_hours,
                open_hours=day.open_hours,
                figures=texts.gettext("%(work)s of %(open)s h, %(units)s")
                % {
                    "work": f"{day.hours:.1f}",
                    "open": f"{day.open_hours:.1f}",
                    "units": texts.ngettext("%(count)s unit", "%(count)s units", day.units)
                    % {"count": day.units},
                },
                remark=remark(day, texts),
            )
            for day in days
        ],
        words=WorkloadWords(
            title=texts.gettext("Backlog by ship-by day"),
            work=texts.gettext("hours of work"),
            late=texts.gettext("late"),
            open=texts.gettext("hours open that day"),
            nothing=texts.gettext("Nothing waits."),
        ),
    )


def remark(day: Day, texts: Texts) -> str:
    """What is unusual about a day; empty when nothing is."""
    remarks = []
    if day.late_units:
        remarks.append(texts.gettext("! %(count)s late") % {"count": day.late_units})
    if not day.fits:
        due_hours, until_hours = day.scarce_hours
        over = due_hours - until_hours
        if over < 1:
            minutes = {"minutes": math.ceil(over * 60)}
            remarks.append(texts.gettext("! %(minutes)s min too much until then") % minutes)
        else:
            remarks.append(texts.gettext("! %(hours)s h too much until then") % {"hours": f"{over:.1f}"})
    if day.is_release:
        remarks.append(texts.gettext("! %(times)s times the usual") % {"times": f"{day.times_usual:.1f}"})
    return " ".join(remarks)


def summary(planned: Planned, texts: Texts) -> str:
    """How good the plan is, in one line."""
    plan = planned.plan
    late = len(planned.late())
    loads = texts.ngettext("%(count)s load", "%(count)s loads", plan.score.loads) % {
        "count": plan.score.loads
    }
    jobs = texts.ngettext("%(count)s job late", "%(count)s jobs late", late) % {"count": late}
    return texts.gettext("%(loads)s (no plan has fewer than %(least)s), %(late)s") % {
        "loads": loads,
        "least": plan.bound.loads,
        "late": jobs,
    }


def day_name(day: date, language: str) -> str:
    return format_date(day, "EEE d MMM", locale=Locale.parse(language))


def planned_load(session: Session, shop: Shop, planned: Planned, number: int, turn: int) -> str:
    """The plate of a planned load, by its number, with what shall sit on it. Raises NotFound."""
    load = load_of(planned, number)
    if not 1 <= turn <= len(load.turns):
        raise NotFound(f"the plan's load {number} has {len(load.turns)} turn(s)")
    fills = load.turns[turn - 1]
    jobs = rows.jobs_shown(session, {ids.number(ids.JOB, f.job) for f in fills if f.job is not None})
    lots = rows.lot_blades(session, {ids.number(ids.LOT, f.lot) for f in fills if f.lot is not None})
    seated: dict[str, tuple[str, str]] = {}
    words: dict[str, list[str]] = {}
    for fill in fills:
        if fill.job is not None:
            job = jobs[ids.number(ids.JOB, fill.job)]
            seated[fill.slot] = job.blade, fill.face
            words[fill.slot] = [f"{fill.job}, {job.order_ref}", *job.texts.get(fill.face, ())]
        elif fill.lot is not None:
            seated[fill.slot] = lots[ids.number(ids.LOT, fill.lot)], fill.face
            words[fill.slot] = [fill.lot]
    title = f"Load {number} of the plan, {load.station}, plate {load.copy}" + (
        f", turn {turn} of {len(load.turns)}" if len(load.turns) > 1 else ""
    )
    return draw_plate(shop.plates[load.plate], shop.blades, seated=seated, words=words, title=title)


def load_of(planned: Planned, number: int) -> PlannedLoad:
    """The planned load of that number. Raises NotFound."""
    if number not in planned.numbers:
        raise NotFound(f"the plan as it is now has no load {number}")
    return planned.plan.loads[planned.numbers.index(number)]


def dues_of(planned: Planned) -> Mapping[str, float]:
    """By job, when it must be ready to hand over."""
    return {job.job: job.due for job in planned.backlog.jobs}


def late_jobs(planned: Planned, load: PlannedLoad, dues: Mapping[str, float]) -> list[str]:
    """Jobs that are done in this load, after their ship-by time."""
    return [job for job in load.jobs if load.ready > dues[job] and planned.plan.done.get(job) == load.ready]


# --- bars ---


def _planned(planned: Planned, texts: Texts) -> list[Bar]:
    stations = {station.station: station for station in planned.backlog.stations}
    dues = dues_of(planned)
    bars = []
    for number, load in zip(planned.numbers, planned.plan.loads, strict=True):
        if load.begins > planned.backlog.now + _FARTHEST_S:
            break
        station, units = stations[load.station], len(load.jobs) + load.blades
        late = len(late_jobs(planned, load, dues))
        counted = texts.ngettext("%(count)s unit", "%(count)s units", units) % {"count": units}
        title = texts.gettext(
            "Load %(number)s, %(station)s, plate %(plate)s, %(units)s: burned %(begins)s to %(ends)s."
        ) % {
            "number": number,
            "station": load.station,
            "plate": load.copy,
            "units": counted,
            "begins": clock_time(load.begins),
            "ends": clock_time(load.ends),
        }
        bars.append(
            Bar(
                station=load.station,
                name=str(number),
                note=f"{load.copy} · {units}",
                title=f"{title} {texts.gettext('! %(count)s late') % {'count': late}}" if late else title,
                prepares=load.prepares,
                prepared=min(load.begins, station.hours.spend(load.prepares, units * station.load_seconds)),
                begins=load.begins,
                ends=load.ends,
                late=late,
                href=f"/plan#load-{number}",
            )
        )
    return bars


def _in_hand(planned: Planned, loads: Sequence[Load], texts: Texts, *, now: datetime) -> list[Bar]:
    """Loads in hand: a burning one from its start, one in preparation after it."""
    clock, moment = planned.clock, planned.clock.seconds(now)
    hours: dict[str, Hours] = {station.station: station.hours for station in planned.backlog.stations}
    free: dict[str, float] = {}
    bars = []
    for load in sorted(loads, key=lambda load: (load.started_at is None, load.id)):
        if load.station not in hours or LoadState(load.state) in {LoadState.BURNED, LoadState.INTERRUPTED}:
            continue
        taken = clock.seconds(load.created_at)
        if load.started_at is not None:
            begins = clock.seconds(load.started_at)
            ends = max(begins + load.burn_seconds, moment)
        else:
            begins = max(moment, free.get(load.station, moment))
            ends = begins + load.burn_seconds
        free[load.station] = ends
        bars.append(
            Bar(
                station=load.station,
                name=ids.public(ids.LOAD, load.id),
                note=load.copy,
                title=texts.gettext(
                    "%(load)s, %(station)s, plate %(plate)s, %(operator)s: in hand, until about %(ends)s."
                )
                % {
                    "load": ids.public(ids.LOAD, load.id),
                    "station": load.station,
                    "plate": load.copy,
                    "operator": load.operator,
                    "ends": clock_time(ends),
                },
                prepares=taken,
                prepared=min(moment, begins),
                begins=begins,
                ends=ends,
                in_hand=True,
                href=f"/bench/loads/{ids.public(ids.LOAD, load.id)}",
            )
        )
    return bars
