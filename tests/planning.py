"""Builders for plans: small shops of letters, backlogs of all sizes drawn from a seed."""

from __future__ import annotations

from random import Random

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanLot, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.shop.hours import DAY_S, Hours

HOUR_S = 3600.0
#: Monday to Friday, 8 to 12 and 13 to 17.
OFFICE = Hours.of_week(dict.fromkeys(range(5), ((8 * HOUR_S, 12 * HOUR_S), (13 * HOUR_S, 17 * HOUR_S))))


def a_kind(
    name: str = "parer",
    slots: str = "AB",
    *,
    faces: tuple[str, ...] = ("mark",),
    plate: str = "P",
    stations: tuple[str, ...] = ("s1",),
    process: str = "satin",
    low_mm: float = 0.0,
    high_mm: float = 1.0,
) -> Kind:
    """Units that fit each slot named by a letter, with every face up."""
    options = tuple(Option(plate, slot, face, process, low_mm, high_mm) for face in faces for slot in slots)
    return Kind(name, name, faces, dict.fromkeys(stations, options))


def a_job(job: str, kind: Kind, *, due: float = 30 * DAY_S, seconds: float = 60.0, **more: object) -> PlanJob:
    values: dict[str, object] = {"order": f"o-{job}", "kind": kind, "due": due, "seconds": seconds}
    return PlanJob(job, **{**values, **more})  # type: ignore[arg-type]


def a_plan_plate(plate: str = "P", slots: str = "AB", *, copies: int = 2, free: float = 0.0) -> PlanPlate:
    return PlanPlate(plate, tuple(slots), {f"{plate}-{n}": free for n in range(1, copies + 1)})


def a_plan_station(station: str = "s1", plates: tuple[str, ...] = ("P",), **more: object) -> PlanStation:
    values: dict[str, object] = {"load_seconds": 0.0, "turn_seconds": 0.0}
    return PlanStation(station, plates, **{**values, **more})  # type: ignore[arg-type]


def a_backlog(
    *jobs: PlanJob,
    stations: tuple[PlanStation, ...] | None = None,
    plates: tuple[PlanPlate, ...] | None = None,
    lots: tuple[PlanLot, ...] = (),
    now: float = 0.0,
) -> Backlog:
    return Backlog(now, jobs, stations or (a_plan_station(),), plates or (a_plan_plate(),), lots)


def a_busy_backlog(count: int, *, seed: int, stations: int = 2, days: int = 10) -> Backlog:
    """Eight kinds on two plates, due within so many days at 17:00; some orders have several units."""
    chance = Random(seed)
    names = tuple(f"s{n}" for n in range(1, stations + 1))
    letters = tuple(chr(ord("A") + n) for n in range(24))
    kinds = []
    for number in range(8):
        wide = letters if number % 2 else letters[:16]
        options = []
        if number % 3 != 0:
            options += [Option("large", slot, "mark", f"p{number % 2}", 0.0, 1.0) for slot in wide]
        if number % 3 != 1:
            options += [Option("small", slot, "mark", f"p{number % 2}", 0.0, 1.0) for slot in letters[:12]]
        kinds.append(Kind(f"k{number}", f"b{number}", ("mark",), dict.fromkeys(names, tuple(options))))
    jobs: list[PlanJob] = []
    while len(jobs) < count:
        kind, order = chance.choice(kinds), f"O{len(jobs)}"
        due = chance.randrange(days) * DAY_S + 17 * HOUR_S
        for _ in range(chance.choice([1, 1, 1, 2, 3])):
            jobs.append(
                PlanJob(
                    f"J{len(jobs)}",
                    order,
                    kind,
                    due,
                    float(chance.randrange(20, 90)),
                    weight=chance.choice([1, 1, 1, 5]),
                    bin=chance.randrange(60),
                )
            )
    made = tuple(
        PlanStation(name, ("large", "small"), OFFICE, plate_change_seconds=120, process_change_seconds=60)
        for name in names
    )
    plates = (
        PlanPlate("large", letters, {f"large-{n}": 0.0 for n in range(1, 4)}),
        PlanPlate("small", letters[:12], {f"small-{n}": 0.0 for n in range(1, 3)}),
    )
    return Backlog(8 * HOUR_S, tuple(jobs[:count]), made, plates)
