"""Small backlogs and their proven optima, found by an exact method that shares nothing with the planner.

    python -m tests.references.planning          writes tests/references/data/plans.json again
    python -m tests.references.planning check    plans all of them and says how many are optimal

The method is a dynamic programme over sets of jobs (in the manner of M. Held and R. M. Karp, "A dynamic
programming approach to sequencing problems", J. SIAM 10, 1962): every set of jobs already burned, with the
plate and process at hand, keeps all combinations of time, lateness and loads of which none is better in
every part. Every subset that fits is tried as the next load, so nothing is left out.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog, Kind, PlanJob, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.plan.planner import plan
from layout.shop.hours import Hours

FILE = Path(__file__).parent / "data" / "plans.json"
COUNT = 300
SEED = 20_261_125
DAY_S, MINUTE_S = 86_400, 60
#: Short days, so that a handful of jobs takes several of them: Monday to Friday, so many seconds from
#: midnight.
OPEN_S = 3_600


@dataclass(frozen=True)
class Instance:
    """One station, two plates: jobs as (plates' classes, seconds, due, weight)."""

    slots: Mapping[str, int]
    jobs: tuple[tuple[tuple[str, ...], str, int, int, int], ...]  # plates, process, seconds, due, weight
    plate_change_s: int
    process_change_s: int


def an_instance(number: int) -> Instance:
    """Instance of that number: 6 to 9 jobs, tight dates."""
    chance = Random(SEED + number)
    slots = {"P": chance.randint(2, 3), "Q": chance.randint(2, 4)}
    jobs = []
    for _ in range(6 + number % 4):
        plates = chance.choice([("P",), ("Q",), ("P", "Q")])
        due = chance.randrange(2) * DAY_S + chance.randint(1, 4) * OPEN_S // 4
        jobs.append(
            (plates, chance.choice("ab"), chance.randint(5, 25) * MINUTE_S, due, chance.choice([1, 1, 2, 5]))
        )
    return Instance(slots, tuple(jobs), chance.choice([0, 120, 300]), chance.choice([0, 60]))


def backlog_of(instance: Instance) -> Backlog:
    """The same as the planner's values."""
    jobs = []
    for number, (plates, process, seconds, due, weight) in enumerate(instance.jobs):
        options = tuple(
            Option(plate, str(slot), "mark", process, 0.0, 1.0)
            for plate in plates
            for slot in range(instance.slots[plate])
        )
        kind = Kind(f"k{number}", "blade", ("mark",), {"s1": options})
        jobs.append(PlanJob(f"J{number}", f"O{number}", kind, float(due), float(seconds), weight=weight))
    hours = Hours(tuple((float(d * DAY_S), float(d * DAY_S + OPEN_S)) for d in range(5)))
    station = PlanStation(
        "s1",
        ("P", "Q"),
        hours,
        load_seconds=0.0,
        turn_seconds=0.0,
        plate_change_seconds=float(instance.plate_change_s),
        process_change_seconds=float(instance.process_change_s),
    )
    plates = tuple(
        PlanPlate(plate, tuple(str(n) for n in range(size)), {f"{plate}-1": 0.0, f"{plate}-2": 0.0})
        for plate, size in sorted(instance.slots.items())
    )
    return Backlog(0.0, tuple(jobs), (station,), plates)


def optimum(instance: Instance) -> tuple[int, int]:
    """Least weighted lateness (working days), and the fewest loads with it."""
    everything = (1 << len(instance.jobs)) - 1
    # A label is (time, lateness, loads); by set of jobs done, plate on the station, process at hand.
    labels: dict[int, dict[tuple[str, str], list[tuple[int, int, int]]]] = {0: {("", ""): [(0, 0, 0)]}}
    for done in range(everything + 1):
        for (plate_on, process_on), states in labels.pop(done, {}).items():
            if done == everything:
                labels.setdefault(-1, {}).setdefault(("", ""), []).extend(states)
                continue
            for chosen, plate, processes, seconds in _loads(instance, everything & ~done):
                spent, last = _changes(instance, plate, processes, plate_on, process_on)
                for time, lateness, loads in states:
                    ends = _burned(time, seconds + spent)
                    if ends is None:
                        continue
                    late = lateness + sum(
                        instance.jobs[j][4] * _days_late(ends, instance.jobs[j][3]) for j in _bits(chosen)
                    )
                    goal = labels.setdefault(done | chosen, {}).setdefault((plate, last), [])
                    _keep(goal, (ends, late, loads + 1))
    return min((lateness, loads) for _, lateness, loads in labels[-1]["", ""])


def _bits(chosen: int) -> Iterator[int]:
    while chosen:
        lowest = chosen & -chosen
        yield lowest.bit_length() - 1
        chosen ^= lowest


def _loads(instance: Instance, left: int) -> Iterator[tuple[int, str, frozenset[str], int]]:
    """Every set of the jobs left that one plate holds."""
    for plate, size in sorted(instance.slots.items()):
        takes = sum(1 << j for j in _bits(left) if plate in instance.jobs[j][0])
        chosen = takes
        while chosen:
            if chosen.bit_count() <= size:
                seconds = sum(instance.jobs[j][2] for j in _bits(chosen))
                yield chosen, plate, frozenset(instance.jobs[j][1] for j in _bits(chosen)), seconds
            chosen = (chosen - 1) & takes


def _changes(
    instance: Instance, plate: str, processes: frozenset[str], plate_on: str, process_on: str
) -> tuple[int, str]:
    """Seconds of changes before and in a load, and the process that it ends with; what is at hand goes
    first."""
    seconds = instance.plate_change_s if plate_on and plate_on != plate else 0
    rest = sorted(processes - {process_on})
    steps = len(rest) - (process_on == "")
    return seconds + steps * instance.process_change_s, rest[-1] if rest else process_on


def _burned(ready: int, seconds: int) -> int | None:
    """When it has burned without a break; None when no day is long enough."""
    if seconds > OPEN_S:
        return None
    day = ready // DAY_S
    begin = ready
    while day % 7 > 4 or begin + seconds > day * DAY_S + OPEN_S:
        day += 1
        begin = day * DAY_S
    return begin + seconds


def _days_late(ends: int, due: int) -> int:
    if ends <= due:
        return 0
    weekdays = sum(1 for day in range(due // DAY_S + 1, ends // DAY_S + 1) if day % 7 <= 4)
    return max(1, weekdays)


def _keep(labels: list[tuple[int, int, int]], new: tuple[int, int, int]) -> None:
    if any(all(a <= b for a, b in zip(old, new, strict=True)) for old in labels):
        return
    labels[:] = [old for old in labels if not all(a <= b for a, b in zip(new, old, strict=True))]
    labels.append(new)


def stored() -> list[dict[str, Any]]:
    """The instances with their optima, as written last."""
    found: list[dict[str, Any]] = json.loads(FILE.read_text(encoding="utf-8"))["instances"]
    return found


def instance_of(record: Mapping[str, Any]) -> Instance:
    jobs = tuple((tuple(p), process, s, d, w) for p, process, s, d, w in record["jobs"])
    return Instance(record["slots"], jobs, record["plate_change_s"], record["process_change_s"])


def compared(records: Sequence[Mapping[str, Any]]) -> tuple[int, list[int]]:
    """How many plans are optimal, and which are worse by more than one late job (the heaviest).

    Raises AssertionError for a plan that its judge refuses, or that beats what was proved.
    """
    equal, worse = 0, []
    for number, record in enumerate(records):
        backlog = backlog_of(instance_of(record))
        made = plan(backlog)
        assert inspect_plan(backlog, made) == (), f"instance {number}"
        found, best = (made.score.lateness, made.score.loads), (record["lateness"], record["loads"])
        assert best <= found, f"instance {number} beats what was proved"
        assert made.bound.lateness <= best[0] and made.bound.loads <= best[1], f"instance {number}: no bound"
        equal += found == best
        worse += [number] if found[0] > best[0] + max(job.weight for job in backlog.jobs) else []
    return equal, worse


def main() -> None:
    if sys.argv[1:] == ["check"]:
        equal, worse = compared(stored())
        print(f"{equal} of {len(stored())} optimal, more than a late job worse: {worse}")
        return
    rows = []
    for number in range(COUNT):
        instance = an_instance(number)
        lateness, loads = optimum(instance)
        row = {
            "slots": dict(instance.slots),
            "plate_change_s": instance.plate_change_s,
            "process_change_s": instance.process_change_s,
            "jobs": instance.jobs,
            "lateness": lateness,
            "loads": loads,
        }
        rows.append(json.dumps(row))
    about = "generated backlogs with optima proved by tests/references/planning.py"
    FILE.write_text(
        f'{{"about": {json.dumps(about)}, "seed": {SEED}, "instances": [\n' + ",\n".join(rows) + "\n]}\n",
        encoding="utf-8",
    )
    print(f"{len(rows)} instances written to {FILE.name}")


if __name__ == "__main__":
    main()
