"""What if ...? The shop as it is and the shop as asked, simulated side by side with the same luck.

Everything a run needs is read from the rows first: what waits, how orders came in the last days and what
they were like, how burns spread about their estimates, how many units were spoiled. The runs are made in a
geometry process, so many that they take a few seconds, none bounded by a clock: the same rows and seed give
the same answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import fmean

from pydantic import Field
from sqlalchemy.orm import Session

from layout.loading.backlog import Backlog, PlanJob
from layout.plan.downtime import longer
from layout.shop.hours import DAY_S
from layout.shop.shop import Shop
from service.plan import luck_rows
from service.plan import paces as learning
from service.plan import plan_rows as plans
from service.plan.backlog import Kinds, WallClock, backlog_of
from service.plan.luck import UNITS_INSPECTED
from service.plan.paces import Paces
from service.proving import test_cards
from service.records.errors import BadRequest, CheckTooSlow, TooMuchToSimulate
from service.records.ids import ORDER, number, public
from service.requests.answers import AnswerBody
from service.shop.tools import Tools
from service.what_if import recent_rows as recent
from service.what_if.measures import Measures, Outcome, measures_of, outcome_of
from service.what_if.questions import WhatIfIn
from service.what_if.simulation import OrderLike, Scenario, possible, simulate

#: How orders come is read off so many days: all of them, for a release brings a week's orders in minutes.
DAYS_SEEN = 14
#: What they are like is drawn from so many of these, evenly.
MIX = 200
#: Units played through for each of the two shops, over all runs; how many runs that gives at the most, and
#: with how few an answer would have no spread worth telling.
UNITS_PLAYED, MOST_RUNS, FEWEST_RUNS = 12_000, 25, 5
#: A station is asked to be down so long at the most.
LONGEST_DOWN = timedelta(days=60)


@dataclass(frozen=True, slots=True)
class Now:
    """The shop as it is, and what the last days say of those to come."""

    scenario: Scenario
    clock: WallClock
    made_at: datetime
    promised: Mapping[str, float]
    orders_seen: int
    units_inspected: int


class Assumptions(AnswerBody):
    """What the last days say of those to come."""

    orders_per_day: float = Field(description="Orders a day.", examples=[31.5])
    orders_seen: int = Field(description="Orders looked at.", examples=[220])
    spread: float = Field(description="Log-deviation of burns about their estimate.", examples=[0.12])
    scrap: float = Field(description="Share of units scrapped.", examples=[0.008])
    units_inspected: int = Field(description="Units looked at for that.", examples=[900])


class WhatIfOut(AnswerBody):
    """The shop as it is beside the shop as asked, simulated with the same luck."""

    made_at: datetime = Field(description="When it was asked.")
    question: WhatIfIn = Field(description="What was asked.")
    runs: int = Field(description="How often both were played through.", examples=[25])
    assumptions: Assumptions = Field(description="What it is played through with.")
    backlog_units: int = Field(description="Units that wait now.", examples=[84])
    promises: int = Field(description="Promised orders that wait now.", examples=[60])
    baseline: Measures = Field(description="The shop as it is.")
    what_if: Measures = Field(description="The shop as asked.")


def answer(tools: Tools, question: WhatIfIn) -> WhatIfOut:
    """Both shops' figures and what the question changes.

    Raises BadRequest for a station or plate that is not there, TooMuchToSimulate.
    """
    shop, made_at = tools.catalogue.current, tools.clock()
    with tools.database.reading() as session:
        now = shop_now(session, shop, days=question.days, made_at=made_at)
    asked = changed(now, question)
    runs = runs_for(asked)
    try:
        before, after = tools.geometry.work(
            play, (now.scenario, asked), runs, question.seed, dict(now.promised)
        )
    except CheckTooSlow as error:
        raise TooMuchToSimulate(
            "playing this through took longer than a request may; ask for fewer days, or again later",
            runs=runs,
        ) from error
    return WhatIfOut(
        made_at=now.made_at,
        question=question,
        runs=runs,
        assumptions=Assumptions(
            orders_per_day=round(now.scenario.orders_per_day, 2),
            orders_seen=now.orders_seen,
            spread=round(now.scenario.spread, 3),
            scrap=round(now.scenario.scrap, 4),
            units_inspected=now.units_inspected,
        ),
        backlog_units=len(now.scenario.backlog.jobs),
        promises=len(now.promised),
        baseline=measures_of(before),
        what_if=measures_of(after),
    )


def play(
    scenarios: Sequence[Scenario], runs: int, seed: int, promised: Mapping[str, float]
) -> list[list[Outcome]]:
    """Every scenario so many times, with the same luck; runs in a geometry process."""
    return [
        [
            outcome_of(simulate(scenario, f"{seed}/{run}"), now=scenario.backlog.now, promised=promised)
            for run in range(runs)
        ]
        for scenario in map(possible, scenarios)
    ]


def runs_for(scenario: Scenario) -> int:
    """How many runs a scenario's size allows. Raises TooMuchToSimulate."""
    units = len(scenario.backlog.jobs)
    if scenario.mix:
        days = (scenario.orders_until - scenario.backlog.now) / DAY_S
        busy_days = max(0.0, min(scenario.factor_until, scenario.orders_until) - scenario.backlog.now) / DAY_S
        orders = scenario.orders_per_day * (days + (scenario.orders_factor - 1) * busy_days)
        units += round(orders * fmean(len(like.units) for like in scenario.mix))
    runs = min(MOST_RUNS, UNITS_PLAYED // max(1, units))
    if runs < FEWEST_RUNS:
        most = UNITS_PLAYED // FEWEST_RUNS
        raise TooMuchToSimulate(
            f"{units} units wait or would come, and at most {most} can be played through; ask for fewer days",
            units=units,
            most=most,
        )
    return runs


# --- the shop as it is ---


def shop_now(session: Session, shop: Shop, *, days: int, made_at: datetime) -> Now:
    """What waits, what it is worked with, and how orders come."""
    backlog, clock = backlog_of(session, test_cards.proven(session, shop), now=made_at)
    paces = learning.paces(session)
    since = made_at - timedelta(days=DAYS_SEEN)
    seen = recent.orders_since(session, since)
    inspected, scrapped = luck_rows.inspected(session, limit=UNITS_INSPECTED)
    mix = _mix(session, shop, paces, clock, seen[:: max(1, -(-len(seen) // MIX))])
    waiting = {number(ORDER, job.order) for job in backlog.jobs}
    promised = {
        public(ORDER, order_id): clock.seconds(promise.engraved_by)
        for order_id, promise in plans.promises(session, sorted(waiting)).items()
    }
    return Now(
        scenario=Scenario(
            backlog=replace(backlog, lots=()),
            mix=mix,
            orders_per_day=_a_day(len(seen), recent.first_order(session), since, made_at),
            orders_until=backlog.now + days * DAY_S,
            spread=paces.spread,
            scrap=scrapped / inspected if inspected else 0.0,
        ),
        clock=clock,
        made_at=made_at,
        promised=promised,
        orders_seen=len(seen),
        units_inspected=inspected,
    )


def _a_day(orders: int, first: datetime | None, since: datetime, now: datetime) -> float:
    """Orders a day of those that came since then; a shop that is younger than that has been open for the days
    since its first order, one at least."""
    if first is None:
        return 0.0
    return orders / max(1.0, (now - max(since, first)) / timedelta(days=1))


def _mix(
    session: Session,
    shop: Shop,
    paces: Paces,
    clock: WallClock,
    orders: Sequence[tuple[int, datetime, datetime]],
) -> tuple[OrderLike, ...]:
    """Orders to come are like these: the same units, as long before their ship-by time."""
    leads = {
        public(ORDER, order_id): max(0.0, (ship_by - came).total_seconds())
        for order_id, came, ship_by in orders
    }
    units: dict[str, list[PlanJob]] = {}
    for job in Kinds(session, shop, paces).jobs(
        plans.of_orders(session, [order_id for order_id, *_ in orders]), clock
    ):
        units.setdefault(job.order, []).append(job)
    return tuple(OrderLike(tuple(units[order]), leads[order]) for order in sorted(units))


# --- the shop as asked ---


def changed(now: Now, question: WhatIfIn) -> Scenario:
    """The scenario with everything that is asked. Raises BadRequest."""
    scenario, backlog = now.scenario, now.scenario.backlog
    last_day = int(backlog.now // DAY_S) + question.orders_days
    scenario = replace(scenario, orders_factor=question.orders_factor, factor_until=last_day * DAY_S)
    if question.station_down is not None:
        scenario = _with_station_down(now, scenario, question)
    if question.more_plates is not None:
        scenario = replace(scenario, backlog=_with_more_plates(scenario.backlog, question))
    if question.more_hours is not None:
        scenario = replace(scenario, backlog=_with_more_hours(scenario.backlog, question))
    return scenario


def _with_station_down(now: Now, scenario: Scenario, question: WhatIfIn) -> Scenario:
    asked = question.station_down
    assert asked is not None
    backlog = scenario.backlog
    _must_know(asked.station, [one.station for one in backlog.stations], "station_down.station")
    begin = asked.begin or now.made_at
    if not begin < asked.until <= begin + LONGEST_DOWN:
        raise BadRequest(
            f"`until` must be after `from`, by {LONGEST_DOWN.days} days at the most",
            field="station_down.until",
        )
    down, up = now.clock.seconds(begin), now.clock.seconds(asked.until)
    return replace(scenario, down=((asked.station, down, up),))


def _with_more_plates(backlog: Backlog, question: WhatIfIn) -> Backlog:
    asked = question.more_plates
    assert asked is not None
    _must_know(asked.plate, [one.plate for one in backlog.plates], "more_plates.plate")
    more = {f"{asked.plate} more {copy}": 0.0 for copy in range(asked.count)}
    return replace(
        backlog,
        plates=tuple(
            replace(plate, copies={**plate.copies, **more}) if plate.plate == asked.plate else plate
            for plate in backlog.plates
        ),
    )


def _with_more_hours(backlog: Backlog, question: WhatIfIn) -> Backlog:
    asked = question.more_hours
    assert asked is not None
    named = [one for one in backlog.stations if asked.station in {None, one.station}]
    if asked.station is not None:
        _must_know(asked.station, [one.station for one in backlog.stations], "more_hours.station")
    if not any(one.hours.week for one in named):
        raise BadRequest("without recorded hours a station is always open", field="more_hours.station")
    return replace(
        backlog,
        stations=tuple(
            replace(one, hours=longer(one.hours, asked.hours * 3600)) if one in named else one
            for one in backlog.stations
        ),
    )


def _must_know(name: str, known: Sequence[str], field: str) -> None:
    if name not in known:
        raise BadRequest(f"there is nothing named {name}; there are {', '.join(known)}", field=field)
