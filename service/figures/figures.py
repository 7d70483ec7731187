"""Units, times, promises, scrap and seconds by step, by day or week of the shop."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime, timedelta
from math import ceil
from statistics import median
from typing import Literal, TypeVar
from zoneinfo import ZoneInfo

from pydantic import Field

from service.figures import figure_rows as rows
from service.figures.figure_rows import ClosedLoad, Released
from service.figures.steps import STEPS, seconds_per_unit
from service.requests.answers import AnswerBody, OrLeftOut
from service.requests.days import moments
from service.requests.sheet_files import csv_text
from service.shop.tools import Tools

Every = Literal["day", "week"]
_Thing = TypeVar("_Thing")
#: Days that are counted at the most, and if nobody says otherwise.
MOST_DAYS, USUAL_DAYS = 92, 28

_SECONDS = "Seconds per unit, of the median load; left out: no load tells."


class StepsAnswer(AnswerBody):
    """Seconds that each step took for one unit, from tap to tap, waiting and breaks included: of the median
    load among those that were neither interrupted nor burned again."""

    loads: int = Field(description="Loads that tell.", examples=[9])
    pull: OrLeftOut[float] = Field(default=None, description=_SECONDS, examples=[18.5])
    seat: OrLeftOut[float] = Field(default=None, description=_SECONDS, examples=[42.0])
    burn: OrLeftOut[float] = Field(default=None, description=_SECONDS, examples=[61.3])
    inspect: OrLeftOut[float] = Field(default=None, description=_SECONDS, examples=[22.0])
    box: OrLeftOut[float] = Field(default=None, description=_SECONDS, examples=[30.8])


class FigureAnswer(AnswerBody):
    """Figures of a day, of a week or of all of them."""

    begins: date = Field(description="The day, the week's Monday, or the first day.", examples=["2026-11-23"])
    released: int = Field(description="Units released, each once for every release.", examples=[42])
    scrapped: int = Field(description="Units scrapped at the bench.", examples=[1])
    hours_median: OrLeftOut[float] = Field(
        default=None,
        description="Hours from the order to the release: half of the units took no longer.",
        examples=[30.5],
    )
    hours_90: OrLeftOut[float] = Field(
        default=None, description="Hours in which nine of ten units were released.", examples=[52.0]
    )
    in_time: int = Field(description="Units released by their ship-by time.", examples=[41])
    promised: int = Field(
        description="Units released of orders that something was promised for.", examples=[40]
    )
    kept: int = Field(description="Of these, released by the time promised last.", examples=[39])
    seconds: StepsAnswer = Field(description="How long the steps took.")

    @property
    def kept_percent(self) -> float | None:
        return 100 * self.kept / self.promised if self.promised else None

    @property
    def in_time_percent(self) -> float | None:
        return 100 * self.in_time / self.released if self.released else None

    @property
    def scrap_percent(self) -> float | None:
        made = self.released + self.scrapped
        return 100 * self.scrapped / made if made else None


class FiguresAnswer(AnswerBody):
    """Figures by day or week, and of all the days together. Nothing is counted by person."""

    since: date = Field(description="First day.", examples=["2026-11-02"])
    until: date = Field(description="Last day.", examples=["2026-11-29"])
    by: Every = Field(description="By `day` or by `week`.", examples=["week"])
    periods: tuple[FigureAnswer, ...] = Field(description="One a day or week, the earliest first.")
    whole: FigureAnswer = Field(description="All the days together.")


def figures(tools: Tools, since: date, until: date, by: Every) -> FiguresAnswer:
    """What happened on those days of the shop. Raises BadRequest for days that are none, or too many."""
    zone = ZoneInfo(tools.catalogue.current.policy.time_zone)
    begin, end = moments(since, until, zone.key, most=MOST_DAYS)
    with tools.database.reading() as session:
        released = rows.released(session, begin, end)
        scrapped = rows.scrapped(session, begin, end)
        loads = rows.closed_loads(session, begin, end)

    def period_of(day: date) -> date:
        return day if by == "day" else max(since, day - timedelta(days=day.weekday()))

    def period_at(moment: datetime) -> date:
        return period_of(moment.astimezone(zone).date())

    units_of = _grouped(released, lambda unit: period_at(unit.at))
    scrap_of = _grouped(scrapped, period_at)
    loads_of = _grouped(loads, lambda load: period_at(load.ended))
    days = (since + timedelta(days=number) for number in range((until - since).days + 1))
    return FiguresAnswer(
        since=since,
        until=until,
        by=by,
        periods=tuple(
            _figure(period, units_of.get(period, []), len(scrap_of.get(period, [])), loads_of.get(period, []))
            for period in sorted({period_of(day) for day in days})
        ),
        whole=_figure(since, released, len(scrapped), loads),
    )


def _grouped(things: Iterable[_Thing], key: Callable[[_Thing], date]) -> dict[date, list[_Thing]]:
    grouped: dict[date, list[_Thing]] = {}
    for thing in things:
        grouped.setdefault(key(thing), []).append(thing)
    return grouped


def _figure(
    begins: date, released: Sequence[Released], scrapped: int, loads: Iterable[ClosedLoad]
) -> FigureAnswer:
    hours = sorted((unit.at - unit.came).total_seconds() / 3600 for unit in released)
    promised = [unit for unit in released if unit.promised is not None]
    return FigureAnswer(
        begins=begins,
        released=len(released),
        scrapped=scrapped,
        hours_median=round(median(hours), 2) if hours else None,
        hours_90=round(hours[ceil(0.9 * len(hours)) - 1], 2) if hours else None,
        in_time=sum(unit.at <= unit.ship_by for unit in released),
        promised=len(promised),
        kept=sum(unit.promised is not None and unit.at <= unit.promised for unit in promised),
        seconds=_steps(loads),
    )


def _steps(loads: Iterable[ClosedLoad]) -> StepsAnswer:
    told = [seconds for seconds in map(seconds_per_unit, loads) if seconds is not None]
    if not told:
        return StepsAnswer(loads=0)
    return StepsAnswer(
        loads=len(told), **{step: round(median(one[step] for one in told), 1) for step in STEPS}
    )


CSV_COLUMNS = (
    "begins",
    "released",
    "scrapped",
    "hours_median",
    "hours_90",
    "in_time",
    "promised",
    "kept",
    "loads",
    *(f"{step}_s_per_unit" for step in STEPS),
)


def figures_csv(answer: FiguresAnswer) -> str:
    """A row for each day or week; what is not known is left empty."""
    return csv_text(
        CSV_COLUMNS,
        [
            (
                one.begins.isoformat(),
                one.released,
                one.scrapped,
                _or_empty(one.hours_median),
                _or_empty(one.hours_90),
                one.in_time,
                one.promised,
                one.kept,
                one.seconds.loads,
                *(_or_empty(getattr(one.seconds, step)) for step in STEPS),
            )
            for one in answer.periods
        ],
    )


def _or_empty(value: float | None) -> float | str:
    return "" if value is None else value
