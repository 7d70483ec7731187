"""The plan and the backlog as the service answers them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Literal

from pydantic import Field

from layout.loading.backlog import PlannedLoad
from service.plan.outlook import Day
from service.plan.planning import Planned
from service.requests.answers import AnswerBody, Moment, OrLeftOut

_MADE_AT = Field(description="When the plan was made.")
_JOB = Field(description="The job.", examples=["J42"])
_LATE_DAYS = Field(
    description="Working days by which jobs are late, each weighted by its priority.", examples=[0]
)
_LOADS = Field(description="Loads that hold orders' units.", examples=[12])


class ScoreAnswer(AnswerBody):
    """What a plan is judged by, smaller is better: lateness first, then loads, then the weighted sum."""

    late_working_days: int = _LATE_DAYS
    loads: int = _LOADS
    changes: int = Field(description="Changes of plate and of process.", examples=[5])
    orders_split: int = Field(
        description="Loads by which orders are split: an order in three loads counts two.", examples=[1]
    )
    walking: int = Field(
        description="Places on the way round the store room between the nearest and the farthest unit of"
        " each load, added up.",
        examples=[40],
    )
    turned_loads: int = Field(description="Loads in which units are turned over.", examples=[2])
    waiting: float = Field(
        description="For each job the share of its time until ship-by, or until an earlier promise, that has"
        " passed when it is done, by its weight.",
        examples=[3.25],
    )
    near_cutoff: float = Field(
        description="For each job how far its end lies within the last hours before its ship-by time, or"
        " before the end of an earlier day that was promised, by its weight.",
        examples=[0.5],
    )
    weighted_sum: float = Field(description="All but lateness and loads, weighted.", examples=[18.4])


class BoundAnswer(AnswerBody):
    """No plan at all could have less of either."""

    late_working_days: int = _LATE_DAYS
    loads: int = _LOADS


class PlannedSlotAnswer(AnswerBody):
    """A unit or a bare blade in a slot of a planned load, one face up."""

    slot: str = Field(description="The slot.", examples=["3"])
    face: str = Field(description="The face that is up.", examples=["mark_side"])
    job: OrLeftOut[str] = Field(
        default=None, description="The job; left out for a bare blade.", examples=["J42"]
    )
    lot: OrLeftOut[str] = Field(default=None, description="The lot of a bare blade.", examples=["LOT3"])


class PlannedLoadAnswer(AnswerBody):
    """A load to come."""

    number: int = Field(description="Its number in the plan.", examples=[4])
    station: str = Field(description="Station.", examples=["fibre-1"])
    plate: str = Field(description="The plate.", examples=["parer-8"])
    plate_copy: str = Field(
        serialization_alias="copy", description="Which of the plates made alike.", examples=["parer-8-a"]
    )
    prepared_from: Moment = Field(description="When its units are to be pulled and seated.")
    begins: Moment = Field(description="When it is to be burned.")
    ends: Moment = Field(description="When it is to have burned.")
    ready: Moment = Field(description="When its units are to be boxed and ready to hand over.")
    changes: int = Field(description="Changes of plate and of process before and in it.", examples=[1])
    turns: tuple[tuple[PlannedSlotAnswer, ...], ...] = Field(description="What sits where, turn by turn.")


class UnplannedAnswer(AnswerBody):
    """A job that no planned load has."""

    job: str = _JOB
    reason: str = Field(description="Why, in English.", examples=["waits for a test card of steel-satin"])


class PlanAnswer(AnswerBody):
    """The plan in force, and how far from the best possible it is at most."""

    made_at: Moment = _MADE_AT
    rule: str = Field(
        description="How it was made: the name of the best of the ways tried.", examples=["kept"]
    )
    score: ScoreAnswer = Field(description="What it is judged by.")
    bound: BoundAnswer = Field(description="What no plan could be better than.")
    loads: tuple[PlannedLoadAnswer, ...] = Field(description="In order of time.")
    unplanned: tuple[UnplannedAnswer, ...] = Field(description="Jobs that it has no load for.")


class DueDayAnswer(AnswerBody):
    """Planned work by ship-by day."""

    day: date = Field(description="The day, by the shop's clock.", examples=["2026-11-30"])
    units: int = Field(description="Units due on it.", examples=[14])
    hours: float = Field(description="Hours of burning that they take.", examples=[0.25])
    late: int = Field(description="Units of them that will be late.", examples=[0])


class LateJobAnswer(AnswerBody):
    """A job that will be ready too late to be shipped in time."""

    job: str = _JOB
    order: str = Field(description="Its order.", examples=["O17"])
    ship_by: Moment = Field(description="When its order must be handed over.")
    ready_by: Moment = Field(description="When the plan has it ready to hand over.")


class ShortAnswer(AnswerBody):
    """A product of which no unit is boxed for jobs that want one."""

    sku: str = Field(description="The product.", examples=["AQ-PARER-OAK"])
    units: int = Field(description="Jobs that wait for one.", examples=[3])
    needed_by: Moment = Field(description="Ship-by time of the most urgent of them.")


class OutlookDayAnswer(AnswerBody):
    """Everything that is not burned yet and must be shipped on one day, against the hours open until then."""

    day: date | None = Field(
        description="The day, by the shop's clock; null: what was due before today.", examples=["2026-11-30"]
    )
    units: int = Field(description="Units to be shipped on it.", examples=[14])
    hours: float = Field(description="Hours of burning that they take.", examples=[0.25])
    late_units: int = Field(description="Units of them that are late or will be.", examples=[0])
    late_hours: float = Field(description="Hours of burning that those take.", examples=[0.0])
    open_hours: float = Field(
        description="Hours that all stations together are open on it, today from now on.", examples=[16.0]
    )
    due_hours: float = Field(
        description="Hours of burning of all days up to this one, it included.", examples=[1.75]
    )
    open_until_hours: float = Field(
        description="Open hours of all days up to this one, it included.", examples=[28.0]
    )
    hands_due_hours: float = Field(
        description="Hours of people's work of all days up to this one: pulling, seating, looking,"
        " inspecting, wiping, bagging, boxing. 0 where the shop doesn't say who works when.",
        examples=[2.5],
    )
    hands_until_hours: float = Field(
        description="Hours of all people together of all days up to this one.", examples=[30.0]
    )
    scarcer: Literal["lasers", "hands"] = Field(
        description="What there is less of, compared with the work.", examples=["lasers"]
    )
    fits: bool = Field(
        description="Whether those hours, of lasers and of people, are enough for that work.", examples=[True]
    )
    times_usual: float | None = Field(
        description="How many times an ordinary day's work is to be shipped; null while it is not known"
        " what an ordinary day is.",
        examples=[1.2],
    )
    release: bool = Field(description="Whether that is so much that it is a release day.", examples=[False])


class BacklogAnswer(AnswerBody):
    """What waits, what will be late, what is short."""

    made_at: Moment = _MADE_AT
    days: tuple[DueDayAnswer, ...] = Field(description="What the plan has work for, by ship-by day.")
    late: tuple[LateJobAnswer, ...] = Field(description="Jobs that will be late, the most urgent first.")
    short: tuple[ShortAnswer, ...] = Field(description="Products to be boxed.")
    unplanned: tuple[UnplannedAnswer, ...] = Field(description="Jobs that the plan has no load for.")
    outlook: tuple[OutlookDayAnswer, ...] = Field(
        description="All that is not burned, planned or not, day by day."
    )


def plan_answer(planned: Planned) -> PlanAnswer:
    """The plan with its bound: no plan at all could be better than that."""
    score, bound = planned.plan.score, planned.plan.bound
    return PlanAnswer(
        made_at=planned.made_at,
        rule=planned.plan.rule,
        score=ScoreAnswer(
            late_working_days=score.lateness,
            loads=score.loads,
            changes=score.changes,
            orders_split=score.split,
            walking=score.walking,
            turned_loads=score.turned,
            waiting=round(score.waiting, 3),
            near_cutoff=round(score.near_cutoff, 3),
            weighted_sum=round(score.weighted, 3),
        ),
        bound=BoundAnswer(late_working_days=bound.lateness, loads=bound.loads),
        loads=tuple(
            _planned_load(planned, number, load)
            for number, load in zip(planned.numbers, planned.plan.loads, strict=True)
        ),
        unplanned=_unplanned(planned),
    )


def backlog_answer(
    planned: Planned, short: Sequence[tuple[str, int, datetime]], days: Sequence[Day]
) -> BacklogAnswer:
    """Hours of work by ship-by day (the shop's days), what will be late, what no unit is boxed for.

    `short` is by product: how many jobs want a unit, and by when the first.
    """
    late = planned.late()
    late_answers = [
        LateJobAnswer(
            job=job.job,
            order=job.order,
            ship_by=planned.moment(job.shipped_by),
            ready_by=planned.moment(planned.plan.done[job.job]),
        )
        for job in late
    ]
    return BacklogAnswer(
        made_at=planned.made_at,
        days=_due_days(planned, {job.job for job in late}),
        late=tuple(sorted(late_answers, key=lambda job: (job.ship_by, job.job))),
        short=tuple(ShortAnswer(sku=sku, units=units, needed_by=by) for sku, units, by in short),
        unplanned=_unplanned(planned),
        outlook=tuple(map(_outlook_day, days)),
    )


def _planned_load(planned: Planned, number: int, load: PlannedLoad) -> PlannedLoadAnswer:
    return PlannedLoadAnswer(
        number=number,
        station=load.station,
        plate=load.plate,
        plate_copy=load.copy,
        prepared_from=planned.moment(load.prepares),
        begins=planned.moment(load.begins),
        ends=planned.moment(load.ends),
        ready=planned.moment(load.ready),
        changes=load.changes,
        turns=tuple(
            tuple(
                PlannedSlotAnswer(slot=fill.slot, face=fill.face, job=fill.job, lot=fill.lot) for fill in turn
            )
            for turn in load.turns
        ),
    )


def _unplanned(planned: Planned) -> tuple[UnplannedAnswer, ...]:
    return tuple(UnplannedAnswer(job=job, reason=why) for job, why in sorted(planned.plan.unplanned.items()))


def _due_days(planned: Planned, late: set[str]) -> tuple[DueDayAnswer, ...]:
    by_day: dict[date, list[tuple[float, bool]]] = {}
    for job in planned.backlog.jobs:
        day = planned.moment(job.shipped_by).astimezone(planned.clock.zone).date()
        by_day.setdefault(day, []).append((job.seconds * len(job.kind.faces), job.job in late))
    return tuple(
        DueDayAnswer(
            day=day,
            units=len(jobs),
            hours=round(sum(seconds for seconds, _ in jobs) / 3600, 3),
            late=sum(is_late for _, is_late in jobs),
        )
        for day, jobs in sorted(by_day.items())
    )


def _outlook_day(day: Day) -> OutlookDayAnswer:
    return OutlookDayAnswer(
        day=day.day,
        units=day.units,
        hours=round(day.hours, 3),
        late_units=day.late_units,
        late_hours=round(day.late_hours, 3),
        open_hours=round(day.open_hours, 3),
        due_hours=round(day.due_hours, 3),
        open_until_hours=round(day.until_hours, 3),
        hands_due_hours=round(day.hands_due_hours, 3),
        hands_until_hours=round(day.hands_until_hours, 3),
        scarcer=day.scarcer,
        fits=day.fits,
        times_usual=None if day.times_usual is None else round(day.times_usual, 2),
        release=day.is_release,
    )
