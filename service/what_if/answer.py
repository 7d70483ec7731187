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
from layout.shop.hours import DAY_S, Hands
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

#: The rate of orders is taken from this many days, whole: a release brings a week's orders in minutes.
DAYS_SEEN = 14
#: Orders of these days, evenly chosen, from which the coming ones are drawn.
MIX = 200
#: Units simulated for each of the two shops, over all runs; how many runs that gives at most; and the fewest
#: from which a spread can be read.
UNITS_PLAYED, MOST_RUNS, FEWEST_RUNS = 12_000, 25, 5
#: The longest outage that may be asked about.
LONGEST_DOWN = timedelta(days=60)


@dataclass(frozen=True, slots=True)
class Now:
    """The shop as it is, and what the last days tell about those to come."""

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

    made_at: datetime = Field(description="When it was asked.", examples=["2026-11-30T16:00:00Z"])
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
    scenario_asked = changed(now, question)
    runs = runs_for(scenario_asked)
    try:
        before, after = tools.geometry.plan(
            play, (now.scenario, scenario_asked), runs, question.seed, dict(now.promised)
        )
    except CheckTooSlow as error:
        raise TooMuchToSimulate(
            "the simulation took longer than a request may; ask for fewer days, or try again later",
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
    """Simulate every scenario `runs` times with the same luck. Runs in a geometry process."""
    return [
        [
            outcome_of(simulate(scenario, f"{seed}/{run}"), now=scenario.backlog.now, promised=promised)
            for run in range(runs)
        ]
        for scenario in map(possible, scenarios)
    ]


def runs_for(scenario: Scenario) -> int:
    """The number of runs that a scenario's size allows. Raises TooMuchToSimulate."""
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
            f"{units} units wait or would come, and at most {most} can be simulated; ask for fewer days",
            units=units,
            most=most,
        )
    return runs


# --- the shop as it is ---


def shop_now(session: Session, shop: Shop, *, days: int, made_at: datetime) -> Now:
    """What waits, what works on it, and how orders come in."""
    backlog, clock = backlog_of(session, test_cards.proven(session, shop), now=made_at)
    paces = learning.paces(session)
    since = made_at - timedelta(days=DAYS_SEEN)
    recent_orders = recent.orders_since(session, since)
    inspected, scrapped = luck_rows.inspected(session, limit=UNITS_INSPECTED)
    mix = _mix(session, shop, paces, clock, recent_orders[:: max(1, -(-len(recent_orders) // MIX))])
    waiting = {number(ORDER, job.order) for job in backlog.jobs}
    promised = {
        public(ORDER, order_id): clock.seconds(promise.ready_by)
        for order_id, promise in plans.promises(session, sorted(waiting)).items()
    }
    return Now(
        scenario=Scenario(
            backlog=replace(backlog, lots=()),
            mix=mix,
            orders_per_day=_a_day(len(recent_orders), recent.first_order(session), since, made_at),
            orders_until=backlog.now + days * DAY_S,
            spread=paces.spread,
            scrap=scrapped / inspected if inspected else 0.0,
        ),
        clock=clock,
        made_at=made_at,
        promised=promised,
        orders_seen=len(recent_orders),
        units_inspected=inspected,
    )


def _a_day(orders: int, first: datetime | None, since: datetime, now: datetime) -> float:
    """Orders a day since then or, in a younger shop, since its first order (at least one day)."""
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
    """Patterns of orders to come: the same units, as long before their ship-by time."""
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
    """The scenario with everything that the question changes. Raises BadRequest."""
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
    outage = question.station_down
    assert outage is not None
    backlog = scenario.backlog
    _must_know(outage.station, [station.station for station in backlog.stations], "station_down.station")
    begin = outage.begin or now.made_at
    if not begin < outage.until <= begin + LONGEST_DOWN:
        raise BadRequest(
            f"`until` must be after `from`, by {LONGEST_DOWN.days} days at the most",
            field="station_down.until",
        )
    down, up = now.clock.seconds(begin), now.clock.seconds(outage.until)
    return replace(scenario, down=((outage.station, down, up),))


def _with_more_plates(backlog: Backlog, question: WhatIfIn) -> Backlog:
    addition = question.more_plates
    assert addition is not None
    _must_know(addition.plate, [plate.plate for plate in backlog.plates], "more_plates.plate")
    more = {f"{addition.plate} more {copy}": 0.0 for copy in range(addition.count)}
    return replace(
        backlog,
        plates=tuple(
            replace(plate, copies={**plate.copies, **more}) if plate.plate == addition.plate else plate
            for plate in backlog.plates
        ),
    )


def _with_more_hours(backlog: Backlog, question: WhatIfIn) -> Backlog:
    longer_days = question.more_hours
    assert longer_days is not None
    named = [station for station in backlog.stations if longer_days.station in {None, station.station}]
    if longer_days.station is not None:
        _must_know(
            longer_days.station, [station.station for station in backlog.stations], "more_hours.station"
        )
    if not any(station.hours.week for station in named):
        raise BadRequest("without recorded hours a station is always open", field="more_hours.station")
    return replace(
        backlog,
        stations=tuple(
            replace(
                station,
                hours=longer(station.hours, longer_days.hours * 3600),
                hands=_longer_hands(station.hands, longer_days.hours * 3600),
            )
            if station in named
            else station
            for station in backlog.stations
        ),
    )


def _longer_hands(hands: Hands | None, seconds: float) -> Hands | None:
    """The people of a station, who stay as long as it is open longer."""
    if hands is None:
        return None
    return Hands(tuple((longer(hours, seconds), people) for hours, people in hands.shifts))


def _must_know(name: str, names: Sequence[str], field: str) -> None:
    if name not in names:
        raise BadRequest(f"there is nothing named {name}; there are {', '.join(names)}", field=field)
