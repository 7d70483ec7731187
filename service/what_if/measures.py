"""Simulated runs summed up, with their spread."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from service.requests.answers import AnswerBody
from service.what_if.simulation import Run


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run in a few numbers.

    `units` are those that waited and those that came, `late` done after their ship-by time (or never),
    `latest_s` the worst lateness. `backlog_s` is how long what waits now took; None when it was not done.
    `broken` are promised orders done after their promise. `busy` is the share of its open time that a station
    burned.
    """

    units: int
    late: int
    unfinished: int
    latest_s: float
    backlog_s: float | None
    loads: int
    broken: int
    busy: Mapping[str, float]


def outcome_of(run: Run, *, now: float, promised: Mapping[str, float]) -> Outcome:
    """`promised` is by order, in the run's seconds."""
    units = run.units.values()
    ends: dict[str, float] = {}
    for unit in units:
        done = unit.done if unit.done is not None else float("inf")
        ends[unit.order] = max(done, ends.get(unit.order, now))
    backlog = [unit.done for unit in units if unit.is_backlog]
    finished = [done for done in backlog if done is not None]
    return Outcome(
        units=len(units),
        late=sum(unit.done is None or unit.done > unit.due for unit in units),
        unfinished=sum(unit.done is None for unit in units),
        latest_s=max((unit.done - unit.due for unit in units if unit.done is not None), default=0.0),
        backlog_s=max(finished, default=now) - now if len(finished) == len(backlog) else None,
        loads=run.loads,
        broken=sum(ends.get(order, now) > by for order, by in promised.items()),
        busy={
            name: run.burned_s[name] / open_s if open_s > 0 else 0.0 for name, open_s in run.open_s.items()
        },
    )


class Points(AnswerBody):
    """A measure's 10 %, 50 % and 90 % points over the runs; null where a run had no end, because the points
    would then tell of the others only."""

    p10: float | None = Field(description="One run in ten came to less.", examples=[2.0])
    median: float | None = Field(description="Half of the runs came to less.", examples=[3.0])
    p90: float | None = Field(description="Nine runs in ten came to less.", examples=[6.0])


class Measures(AnswerBody):
    """What becomes of one shop."""

    units: Points = Field(description="Units that wait or come.")
    units_late: Points = Field(description="Those done after their ship-by time, or never.")
    units_unfinished: Points = Field(description="Those never done.")
    latest_hours: Points = Field(description="The worst lateness, in hours of the wall clock.")
    backlog_hours: Points = Field(description="How long what waits now takes, in hours of the wall clock.")
    loads: Points = Field(description="Loads burned.")
    promises_broken: Points = Field(description="Promised orders that are done too late.")
    busy: dict[str, Points] = Field(
        description="By station, the share of its open time that it burns, 0 to 1.",
        examples=[{"fibre-1": {"p10": 0.4, "median": 0.5, "p90": 0.7}}],
    )


def measures_of(outcomes: Sequence[Outcome]) -> Measures:
    """The runs of one shop, at least one."""

    def spread(of: Callable[[Outcome], float | None], digits: int = 1) -> Points:
        return _points([of(outcome) for outcome in outcomes], digits)

    return Measures(
        units=spread(lambda outcome: outcome.units),
        units_late=spread(lambda outcome: outcome.late),
        units_unfinished=spread(lambda outcome: outcome.unfinished),
        latest_hours=spread(lambda outcome: max(0.0, outcome.latest_s) / 3600, 2),
        backlog_hours=spread(
            lambda outcome: None if outcome.backlog_s is None else outcome.backlog_s / 3600, 2
        ),
        loads=spread(lambda outcome: outcome.loads),
        promises_broken=spread(lambda outcome: outcome.broken),
        busy={
            name: spread(lambda outcome, name=name: outcome.busy[name], 3)  # type: ignore[misc]
            for name in sorted(outcomes[0].busy)
        },
    )


def _points(values: Sequence[float | None], digits: int) -> Points:
    ended = [value for value in values if value is not None]
    if len(ended) < len(values):
        return Points(p10=None, median=None, p90=None)
    tenths = np.quantile(ended, (0.1, 0.5, 0.9))
    p10, median, p90 = (round(float(value), digits) for value in tenths)
    return Points(p10=p10, median=median, p90=p90)
