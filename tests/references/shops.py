"""Generated shops for comparing plans: backlogs with a clock of their own, which shares nothing with the
planner's.

All spans of the week are equally long, so time can be counted in open seconds alone: span n begins at n times
its length, and shut hours vanish. `lateness_and_loads` times a list of loads that way; `plan_of` writes the
same loads as a plan on the wall clock, for the judge of plans to look at.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

from layout.loading.backlog import (
    Backlog,
    Bound,
    Kind,
    Plan,
    PlanJob,
    PlannedLoad,
    PlanPlate,
    PlanStation,
    Score,
)
from layout.loading.values import Filled, Option
from layout.shop.hours import Hours

DAY_S, HOUR_S, MINUTE_S = 86_400, 3_600, 60
WORKING_DAYS = 5
SEED = 20_261_126


@dataclass(frozen=True)
class Plate:
    """Slots, of which the first `narrow` take every unit and the others only those that are not narrow."""

    slots: int
    narrow: int
    copies: int


@dataclass(frozen=True)
class Unit:
    """A job of one face: what plates take it, and whether only in their narrow slots."""

    plates: tuple[str, ...]
    narrow: bool
    process: str
    seconds: int
    due: int
    weight: int


@dataclass(frozen=True)
class Shop:
    """`spans` of every day from Monday to Friday, equally long, in seconds since midnight; all stations are
    alike. With several stations there are two copies of each plate for each of them, so that none waits for
    a copy; a lone station may have one."""

    stations: int
    plates: Mapping[str, Plate]
    units: tuple[Unit, ...]
    spans: tuple[tuple[int, int], ...]
    load_s: int
    plate_change_s: int
    process_change_s: int

    @property
    def span_s(self) -> int:
        return self.spans[0][1] - self.spans[0][0]

    def open_s(self, wall: int) -> int:
        """Open seconds until a time of the wall clock."""
        day = wall // DAY_S
        before = day // 7 * WORKING_DAYS + min(day % 7, WORKING_DAYS)
        today = sum(max(0, min(end, wall % DAY_S) - begin) for begin, end in self.spans) if day % 7 < 5 else 0
        return before * len(self.spans) * self.span_s + today

    def wall_s(self, opened: int, *, end: bool) -> int:
        """The wall clock when so many seconds were open; the `end` of a span, or the begin of the next."""
        span = (opened - end) // self.span_s if opened else 0
        day, of_day = divmod(span, len(self.spans))
        real = day // WORKING_DAYS * 7 + day % WORKING_DAYS
        return real * DAY_S + self.spans[of_day][0] + opened - span * self.span_s

    def working_day(self, opened: int) -> int:
        """Number of the working day (the first is 1) on which something ends after so many open seconds."""
        return max(0, opened - 1) // self.span_s // len(self.spans) + 1

    def days_late(self, unit: Unit, ends: int) -> int:
        if ends <= self.open_s(unit.due):
            return 0
        return max(1, self.working_day(ends) - self.due_day(unit))

    def due_day(self, unit: Unit) -> int:
        """Number of the last working day up to that on which the unit is due."""
        day = unit.due // DAY_S
        return day // 7 * WORKING_DAYS + min(day % 7 + 1, WORKING_DAYS)


@dataclass(frozen=True)
class Chosen:
    """A load as it was decided: station, plate, units by number."""

    station: int
    plate: str
    units: tuple[int, ...]


@dataclass(frozen=True)
class Happens:
    """A load in open seconds."""

    prepares: int
    begins: int
    ends: int
    changes: int
    copy: int


class Clock:
    """Times loads in the order in which they are decided."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self.hands = [0] * shop.stations
        self.laser = [0] * shop.stations
        self.plate = [""] * shop.stations
        self.process = [""] * shop.stations
        self.copies = {name: [0] * plate.copies for name, plate in shop.plates.items()}

    def seconds(self, load: Chosen) -> tuple[int, int, str]:
        """How long a load would burn with the changes for it, how many changes, and the process at its
        end."""
        shop, at = self.shop, load.station
        wanted = sorted({shop.units[u].process for u in load.units} - {self.process[at]})
        steps = len(wanted) - (self.process[at] == "")
        plates = int(self.plate[at] not in ("", load.plate))
        burn = sum(shop.units[u].seconds for u in load.units)
        burn += plates * shop.plate_change_s + steps * shop.process_change_s
        return burn, plates + steps, wanted[-1] if wanted else self.process[at]

    def put(self, load: Chosen) -> Happens:
        """Raises ValueError for a load that no span is long enough for."""
        shop, at = self.shop, load.station
        burn, changes, process = self.seconds(load)
        if burn > shop.span_s:
            raise ValueError("no span is long enough")
        copies = self.copies[load.plate]
        copy = copies.index(min(copies))
        prepares = max(self.hands[at], copies[copy])
        begins = max(prepares + len(load.units) * shop.load_s, self.laser[at])
        if begins % shop.span_s + burn > shop.span_s:
            begins += shop.span_s - begins % shop.span_s
        self.hands[at], self.laser[at] = begins, begins + burn
        self.plate[at], self.process[at] = load.plate, process
        copies[copy] = begins + burn
        return Happens(prepares, begins, begins + burn, changes, copy)


def lateness_and_loads(shop: Shop, loads: Sequence[Chosen]) -> tuple[int, int]:
    """Weighted working days late, and how many loads."""
    clock, lateness = Clock(shop), 0
    for load in loads:
        ends = clock.put(load).ends
        lateness += sum(shop.units[u].weight * shop.days_late(shop.units[u], ends) for u in load.units)
    return lateness, len(loads)


def has_room(shop: Shop, plate: str, units: Iterable[int]) -> bool:
    """Whether the units find slots on the plate."""
    chosen = [shop.units[u] for u in units]
    size = shop.plates[plate]
    return (
        all(plate in unit.plates for unit in chosen)
        and len(chosen) <= size.slots
        and sum(unit.narrow for unit in chosen) <= size.narrow
    )


# --- the planner's values ---


def backlog_of(shop: Shop) -> Backlog:
    names = tuple(f"s{n}" for n in range(shop.stations))
    kinds: dict[tuple[tuple[str, ...], bool, str], Kind] = {}
    jobs = []
    for number, unit in enumerate(shop.units):
        sort = (unit.plates, unit.narrow, unit.process)
        if sort not in kinds:
            options = tuple(
                Option(plate, f"{slot:02}", "mark", unit.process, 0.0, 1.0)
                for plate in unit.plates
                for slot in range(shop.plates[plate].narrow if unit.narrow else shop.plates[plate].slots)
            )
            kinds[sort] = Kind(f"k{len(kinds)}", f"b{len(kinds)}", ("mark",), dict.fromkeys(names, options))
        jobs.append(
            PlanJob(
                f"J{number}", f"O{number}", kinds[sort], float(unit.due), float(unit.seconds), unit.weight
            )
        )
    return Backlog(0.0, tuple(jobs), tuple(_station(shop, name) for name in names), _plates(shop))


def _station(shop: Shop, name: str) -> PlanStation:
    week = tuple((float(d * DAY_S + a), float(d * DAY_S + b)) for d in range(5) for a, b in shop.spans)
    return PlanStation(
        name,
        tuple(sorted(shop.plates)),
        Hours(week),
        load_seconds=float(shop.load_s),
        turn_seconds=0.0,
        plate_change_seconds=float(shop.plate_change_s),
        process_change_seconds=float(shop.process_change_s),
    )


def _plates(shop: Shop) -> tuple[PlanPlate, ...]:
    return tuple(
        PlanPlate(
            name,
            tuple(f"{n:02}" for n in range(plate.slots)),
            {f"{name}-{n}": 0.0 for n in range(plate.copies)},
        )
        for name, plate in sorted(shop.plates.items())
    )


def plan_of(shop: Shop, loads: Sequence[Chosen]) -> Plan:
    """The loads on the wall clock, units in the first slots that take them."""
    clock, written, done = Clock(shop), [], {}
    for load in loads:
        assert has_room(shop, load.plate, load.units)
        happens = clock.put(load)
        # Narrow units first: they take the narrow slots, the others what is left.
        seated = sorted(load.units, key=lambda u: not shop.units[u].narrow)
        turn = tuple(Filled(f"{n:02}", "mark", job=f"J{u}") for n, u in enumerate(seated))
        ends = float(shop.wall_s(happens.ends, end=True))
        done |= {f"J{u}": ends for u in load.units}
        written.append(
            PlannedLoad(
                f"s{load.station}",
                load.plate,
                f"{load.plate}-{happens.copy}",
                (turn,),
                float(shop.wall_s(happens.prepares, end=False)),
                float(shop.wall_s(happens.begins, end=False)),
                ends,
                happens.changes,
            )
        )
    lateness, count = lateness_and_loads(shop, loads)
    changes = sum(load.changes for load in written)
    return Plan(tuple(written), done, Score(lateness, count, changes, 0, 0), Bound(0, 0))


def chosen_in(plan: Plan) -> list[Chosen]:
    """The decisions of a plan, in the order in which its loads take their copies."""
    by_copy = sorted(plan.loads, key=lambda load: (load.prepares, load.begins))
    return [
        Chosen(int(load.station[1:]), load.plate, tuple(int(job[1:]) for job in load.jobs))
        for load in by_copy
    ]


# --- made from a seed ---


def a_shop(number: int, count: int) -> Shop:
    """Shop of that number with so many units. Every third has two stations, every other tight due times,
    and half have due times at the end of working days only."""
    chance = Random(SEED + number)
    stations = 2 if number % 3 == 2 else 1
    plates = {}
    for name in "PQR"[: chance.choice([2, 2, 3])]:
        slots = chance.randint(3, 8)
        copies = 2 * stations if stations > 1 else chance.choice([1, 2])
        plates[name] = Plate(slots, chance.randint(slots // 2, slots), copies)
    spans = chance.choice(
        [((8 * HOUR_S, 10 * HOUR_S),), tuple((h * HOUR_S, (h + 2) * HOUR_S) for h in (8, 13))]
    )
    longest = chance.choice([10, 15, 20])
    drawn = [_drawn(chance, tuple(plates), longest) for _ in range(count)]
    shop = Shop(
        stations,
        plates,
        (),
        spans,
        chance.choice([0, 20, 60]),
        chance.choice([0, 120, 300]),
        chance.choice([0, 60]),
    )
    work = sum(seconds for *_, seconds in drawn) / stations
    first, last = (0.1, 0.9) if number % 2 else (0.5, 1.6)
    units = []
    for names, narrow, process, seconds in drawn:
        due = shop.wall_s(max(seconds, int(chance.uniform(first, last) * work)), end=True)
        due = due // DAY_S * DAY_S + spans[-1][1] if number % 4 < 2 else due // 900 * 900
        units.append(Unit(names, narrow, process, seconds, due, chance.choice([1, 1, 1, 2, 5])))
    return Shop(
        shop.stations,
        shop.plates,
        tuple(units),
        shop.spans,
        shop.load_s,
        shop.plate_change_s,
        shop.process_change_s,
    )


def _drawn(chance: Random, plates: tuple[str, ...], longest: int) -> tuple[tuple[str, ...], bool, str, int]:
    some = tuple(sorted(chance.sample(plates, chance.choice([1, 1, 2]))))
    return some, chance.random() < 0.4, chance.choice("ab"), chance.randint(2, longest) * MINUTE_S


# --- stored ---


def record_of(shop: Shop) -> dict[str, Any]:
    return {
        "stations": shop.stations,
        "plates": {name: [p.slots, p.narrow, p.copies] for name, p in shop.plates.items()},
        "spans": shop.spans,
        "load_s": shop.load_s,
        "plate_change_s": shop.plate_change_s,
        "process_change_s": shop.process_change_s,
        "units": [[u.plates, u.narrow, u.process, u.seconds, u.due, u.weight] for u in shop.units],
    }


def shop_of(record: Mapping[str, Any]) -> Shop:
    return Shop(
        record["stations"],
        {name: Plate(*sizes) for name, sizes in record["plates"].items()},
        tuple(Unit(tuple(plates), *rest) for plates, *rest in record["units"]),
        tuple((a, b) for a, b in record["spans"]),
        record["load_s"],
        record["plate_change_s"],
        record["process_change_s"],
    )
