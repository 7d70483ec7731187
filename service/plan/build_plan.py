"""What assembly should build, week by week, so that what usually sells and the next release can be met.

The build list says what orders wait for; this says what the next ones will. It looks at what sold in the last
whole weeks, release days apart, and brings every product up to its level (`layout.plan.order_up_to`), as far
as assembly gets. Nothing is stored: what it would have expected of past weeks is worked out again from what
had sold until then.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from layout.plan.order_up_to import Forecast, Item, build_by_week, forecast, with_release
from layout.shop.assembly import Assembly
from layout.shop.hours import Hours
from layout.shop.shop import Shop
from service.plan import build_list_rows, build_plan_rows
from service.plan.backlog import WallClock, hours_of
from service.plan.build_list import HANDED_OVER_DAYS
from service.plan.build_list_answers import BladesAnswer
from service.plan.build_plan_answers import (
    BuildAnswer,
    BuildPlanAnswer,
    BuildWeekAnswer,
    ForecastAnswer,
    OutlookAnswer,
    PastWeekAnswer,
)
from service.requests.sheet_files import csv_text
from service.shop.tools import Tools

#: A quarter of a year is looked back on, a month ahead, and a month is held against what came.
WEEKS_BACK, WEEKS_AHEAD, WEEKS_HELD_AGAINST = 13, 4, 4
_WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked to be otherwise than in the policy; None: as it says there."""

    service_level: float | None = None
    units_per_week: int | None = None


def build_plan(tools: Tools, wish: Wish = Wish()) -> BuildPlanAnswer:
    """The plan as it is now."""
    shop, now = tools.catalogue.current, tools.clock()
    bare_skus = {product.built_from for product in shop.products.values() if product.built_from is not None}
    zone = ZoneInfo(shop.policy.time_zone)
    today = now.astimezone(zone).date()
    this_week = today - timedelta(days=today.weekday())
    since = datetime.combine(this_week - WEEKS_BACK * _WEEK, time(), zone)
    with tools.database.reading() as session:
        counts = build_plan_rows.counts(session)
        rows = build_plan_rows.sold(session, since=since)
        coming = build_plan_rows.being_built(session)
        lately = now - timedelta(days=HANDED_OVER_DAYS)
        blades = build_list_rows.blades_in_lots(session, since=lately)
        bare = build_plan_rows.bare_blades(session, bare_skus, since=lately)
    assembly = _as_wished(shop.policy.assembly, wish)
    sales = _Sales.of(((sku, came.astimezone(zone).date(), n) for sku, came, n in rows), assembly, this_week)
    building = Counter[str]()
    for sku, _, units in coming:
        building[sku] += units
    skus = [sku for sku in sorted({*counts, *sales.by_sku, *building}) if sku not in bare_skus]
    stock = {sku: counts.get(sku, build_plan_rows.Counts()) for sku in skus}
    expected = {sku: sales.expected(sku, this_week) for sku in skus}
    horizon = 1 + assembly.weeks_to_build
    levels = {sku: one.week.level(horizon, assembly.service_level) for sku, one in expected.items()}
    there = {sku: Item(stock[sku].free, levels[sku], expected[sku].week.mean) for sku in skus}
    # What is being built already is not to be built once more.
    items = {sku: replace(item, free=item.free + building[sku]) for sku, item in there.items()}
    weeks = _weeks(shop, items, assembly, today=today)
    release = _next_release(assembly, today)
    built = _built_by(release, weeks, shop, bare)
    return BuildPlanAnswer(
        made_at=now,
        service_level=assembly.service_level,
        weeks_to_build=assembly.weeks_to_build,
        units_per_week=assembly.units_per_week,
        next_release=release,
        weeks=weeks,
        products=tuple(
            OutlookAnswer(
                sku=sku,
                name=_name(shop, sku),
                boxed=stock[sku].boxed,
                promised=stock[sku].reserved + stock[sku].waiting,
                free=stock[sku].free,
                being_built=building[sku],
                usual_per_week=round(expected[sku].usual.mean, 1),
                per_release=round(expected[sku].release.mean, 1),
                sold_last_week=sales.total(sku, this_week - _WEEK),
                weeks_seen=expected[sku].weeks,
                weeks_of_cover=_cover(there[sku]),
                level=levels[sku],
                offered=_offered(
                    there[sku].free + _in_bins_by(coming, sku, release, zone),
                    expected[sku],
                    built[sku],
                    assembly,
                    today,
                    release,
                ),
                built_from=shop.products[sku].built_from if sku in shop.products else None,
            )
            for sku in sorted(skus, key=lambda sku: _by_cover(sku, there[sku]))
        ),
        past=tuple(
            _past(sales, this_week - back * _WEEK) for back in range(1, 1 + sales.weeks_to_hold_against)
        ),
        blades=tuple(BladesAnswer(**asdict(one)) for one in blades),
    )


def _as_wished(assembly: Assembly, wish: Wish) -> Assembly:
    level, units = wish.service_level, wish.units_per_week
    return replace(
        assembly,
        service_level=assembly.service_level if level is None else level,
        units_per_week=assembly.units_per_week if units is None else units,
    )


def _name(shop: Shop, sku: str) -> str:
    return shop.products[sku].name if sku in shop.products else sku


def _by_cover(sku: str, item: Item) -> tuple[bool, float, str]:
    """What is promised and not there comes first, then what lasts the shortest, what does not sell last."""
    cover = _cover(item)
    return item.free >= 0 and cover is None, cover or float(min(item.free, 0)), sku


def _cover(item: Item) -> float | None:
    return round(item.free / item.weekly, 1) if item.weekly > 0 else None


# --- what sold ---


@dataclass(frozen=True, slots=True)
class Expected:
    """What sells of a product: in a week without its release day, on a release day, and in a whole week; from
    so many weeks."""

    usual: Forecast
    release: Forecast
    week: Forecast
    weeks: int


@dataclass(frozen=True, slots=True)
class _Sales:
    """Units sold by product and week (its Monday), those of release days apart; `this_week` is not over."""

    by_sku: Mapping[str, Mapping[date, tuple[int, int]]]
    this_week: date

    @staticmethod
    def of(sold: Iterable[tuple[str, date, int]], assembly: Assembly, this_week: date) -> _Sales:
        """Of (product, the day by the shop's clock, units)."""
        by_sku: dict[str, dict[date, tuple[int, int]]] = {}
        for sku, day, units in sold:
            week = day - timedelta(days=day.weekday())
            usual, released = by_sku.setdefault(sku, {}).get(week, (0, 0))
            is_release = day.weekday() == assembly.release_day
            by_sku[sku][week] = (usual, released + units) if is_release else (usual + units, released)
        return _Sales(by_sku, this_week)

    def expected(self, sku: str, week: date) -> Expected:
        """By the whole weeks before that one, from the first in which any was sold."""
        weeks = self.by_sku.get(sku, {})
        first = min(weeks, default=week)
        seen = [weeks.get(first + number * _WEEK, (0, 0)) for number in range((week - first) // _WEEK)]
        usual, release = (forecast([one[at] for one in seen]) for at in (0, 1))
        return Expected(usual, release, with_release(usual, release), len(seen))

    def total(self, sku: str, week: date) -> int:
        return sum(self.by_sku.get(sku, {}).get(week, (0, 0)))

    @property
    def weeks_to_hold_against(self) -> int:
        """So many past weeks have at least one week before them."""
        first = min((week for weeks in self.by_sku.values() for week in weeks), default=self.this_week)
        return max(0, min(WEEKS_HELD_AGAINST, (self.this_week - first) // _WEEK - 1))


def _past(sales: _Sales, week: date) -> PastWeekAnswer:
    products = [
        ForecastAnswer(
            sku=sku, expected=round(sales.expected(sku, week).week.mean, 1), sold=sales.total(sku, week)
        )
        for sku in sorted(sales.by_sku)
    ]
    return PastWeekAnswer(
        week=week,
        expected=round(sum(one.expected for one in products), 1),
        sold=sum(one.sold for one in products),
        products=tuple(one for one in products if one.expected or one.sold),
    )


# --- what to build by when ---


def _weeks(
    shop: Shop, items: Mapping[str, Item], assembly: Assembly, *, today: date
) -> tuple[BuildWeekAnswer, ...]:
    """This week, as far as it has working days left, and those after it."""
    monday = today - timedelta(days=today.weekday())
    days = _Days.of(shop, monday)
    if not days.left(monday, from_day=today):
        monday += _WEEK
    mondays = [monday + number * _WEEK for number in range(WEEKS_AHEAD)]
    most = [_most(days, assembly, one, today=today) for one in mondays]
    built = build_by_week(items, most=most)
    return tuple(
        BuildWeekAnswer(
            week=one,
            by=_wanted_by(days, assembly, one, today=today),
            units=sum(units.values()),
            most=limit,
            build=tuple(
                BuildAnswer(sku=sku, name=_name(shop, sku), quantity=count)
                for sku, count in sorted(units.items(), key=lambda entry: (-entry[1], entry[0]))
            ),
        )
        for one, limit, units in zip(mondays, most, built, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Days:
    """The weekdays (0 is Monday) on which a station is open and somebody works, and the days off."""

    weekdays: tuple[int, ...]
    off: frozenset[str]

    @staticmethod
    def of(shop: Shop, monday: date) -> _Days:
        clock = WallClock(monday, ZoneInfo(shop.policy.time_zone))
        weeks = [Hours(hours.week) for hours in hours_of(shop, clock)]
        open_on = (day for day in range(7) if any(week.is_working_day(day) for week in weeks))
        return _Days(tuple(open_on), frozenset(shop.policy.days_off))

    def left(self, monday: date, *, from_day: date) -> list[date]:
        """Working days of a week, those before `from_day` left out."""
        days = (monday + timedelta(days=day) for day in self.weekdays)
        return [day for day in days if day >= from_day and day.isoformat() not in self.off]


def _most(days: _Days, assembly: Assembly, monday: date, *, today: date) -> int | None:
    """What can still be built in a week, by its working days that are left."""
    if assembly.units_per_week is None:
        return None
    left, usual = len(days.left(monday, from_day=today)), len(days.weekdays)
    return assembly.units_per_week * left // usual if usual else 0


def _wanted_by(days: _Days, assembly: Assembly, monday: date, *, today: date) -> date:
    if assembly.release_day is not None:
        release = monday + timedelta(days=assembly.release_day)
        if release >= today:
            return release
    return max(days.left(monday, from_day=today), default=monday + timedelta(days=6))


def _next_release(assembly: Assembly, today: date) -> date | None:
    if assembly.release_day is None:
        return None
    return today + timedelta(days=(assembly.release_day - today.weekday()) % 7)


def _in_bins_by(
    coming: Sequence[tuple[str, datetime, int]], sku: str, release: date | None, zone: ZoneInfo
) -> int:
    """Units of a product whose work orders are due by the release day."""
    return sum(
        units
        for of, due, units in coming
        if of == sku and release is not None and due.astimezone(zone).date() <= release
    )


def _built_by(
    release: date | None, weeks: Sequence[BuildWeekAnswer], shop: Shop, bare: Mapping[str, int]
) -> Counter[str]:
    """Units of each product that the plan has built by the release day, as far as there are bare blades for
    them, where anything is known of these."""
    built, left = Counter[str](), dict(bare)
    for week in weeks:
        for one in week.build if release is not None and week.by <= release else ():
            blade = shop.products[one.sku].built_from if one.sku in shop.products else None
            count = one.quantity if blade not in left else min(one.quantity, left[blade])
            built[one.sku] += count
            if blade in left:
                left[blade] -= count
    return built


def _offered(
    free: int,
    expected: Expected,
    built: int,
    assembly: Assembly,
    today: date,
    release: date | None,
) -> int | None:
    """What is free then: what is free now, in work orders due by then or planned to be built, less what sells
    before, at the service level."""
    if release is None:
        return None
    sells = expected.usual.level((release - today).days / 7, assembly.service_level)
    return max(0, free + built - sells)


# --- as CSV ---

CSV_COLUMNS = (
    "sku",
    "name",
    "boxed",
    "promised",
    "free",
    "being_built",
    "usual_per_week",
    "per_release",
    "sold_last_week",
    "weeks_of_cover",
    "level",
    "offered_at_release",
    "built_from",
)


def build_plan_csv(plan: BuildPlanAnswer) -> str:
    """A row for each product, with a column for each week's building; no cell is run as a formula."""
    to_build = [{one.sku: one.quantity for one in week.build} for week in plan.weeks]
    return csv_text(
        (*CSV_COLUMNS, *(f"build_by_{week.by.isoformat()}" for week in plan.weeks)),
        [
            (
                one.sku,
                one.name,
                one.boxed,
                one.promised,
                one.free,
                one.being_built,
                one.usual_per_week,
                one.per_release,
                one.sold_last_week,
                "" if one.weeks_of_cover is None else one.weeks_of_cover,
                one.level,
                "" if one.offered is None else one.offered,
                one.built_from or "",
                *(week.get(one.sku, 0) for week in to_build),
            )
            for one in plan.products
        ],
    )
