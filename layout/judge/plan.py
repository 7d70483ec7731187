"""The judge of plans: whether one can be carried out as it says, judged without any of the planner's code.

It imports the values a plan is made of and nothing that made it: times, seats and copies are read off the
plan and held against the backlog one by one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from layout.loading.backlog import Backlog, Kind, Plan, PlanJob, PlanLot, PlannedLoad, PlanStation
from layout.loading.values import Filled, Option
from layout.shop.findings import Finding, Severity
from layout.shop.hours import DAY_S, WEEK_S, Hours

#: Seconds by which sums of burning times may differ from a plan's own.
TIME_TOLERANCE_S = 0.01
#: People's time is looked at over so many loads of a station that follow one another.
_LOADS_TOGETHER = 3


class _ShopOfPlan:
    """The backlog by name."""

    def __init__(self, backlog: Backlog) -> None:
        self.jobs = {job.job: job for job in backlog.jobs}
        self.lots = {lot.lot: lot for lot in backlog.lots}
        self.stations = {station.station: station for station in backlog.stations}
        self.plates = {plate.plate: plate for plate in backlog.plates}

    def _unit(self, filled: Filled) -> PlanJob | PlanLot | None:
        return self.jobs.get(filled.job) if filled.job is not None else self.lots.get(filled.lot or "")

    def kind_of(self, filled: Filled) -> Kind | None:
        unit = self._unit(filled)
        return unit.kind if unit is not None else None

    def seconds_of(self, filled: Filled) -> float:
        unit = self._unit(filled)
        return unit.seconds if unit is not None else 0.0


def inspect_plan(backlog: Backlog, plan: Plan) -> tuple[Finding, ...]:
    """Everything wrong with a plan; empty when it can be carried out. Every finding refuses."""
    shop = _ShopOfPlan(backlog)
    return (
        *_jobs(backlog, plan),
        *_lots(backlog, plan),
        *(finding for load in plan.loads for finding in _load(shop, load)),
        *_visits(backlog, plan),
        *_stations(backlog, plan),
        *_copies(backlog, plan),
    )


def _refuse(code: str, message: str) -> Finding:
    return Finding(code, Severity.REFUSE, message)


def _where(load: PlannedLoad) -> str:
    return f"{load.station}, {load.plate}, begins at {load.begins:.0f} s"


def _seated(plan: Plan) -> Iterator[tuple[PlannedLoad, int, Filled]]:
    for load in plan.loads:
        for turn, row in enumerate(load.turns, start=1):
            for filled in row:
                yield load, turn, filled


def _jobs(backlog: Backlog, plan: Plan) -> Iterator[Finding]:
    """Every job once and whole, or said not to be planned."""
    waiting_jobs = {job.job: job for job in backlog.jobs}
    burned = Counter((f.job, f.face) for _, _, f in _seated(plan) if f.job is not None)
    for (job, face), count in burned.items():
        if job not in waiting_jobs:
            yield _refuse("unknown_job", f"job {job} does not wait")
        elif face not in waiting_jobs[job].kind.faces:
            yield _refuse("wrong_face", f"job {job}: {face} is not to be engraved")
        elif count > 1:
            yield _refuse("job_twice", f"job {job}: {face} would be engraved {count} times")
    for name, waiting in waiting_jobs.items():
        missing = [face for face in waiting.kind.faces if not burned[name, face]]
        if name not in plan.unplanned and missing:
            yield _refuse("job_missing", f"job {name}: {', '.join(missing)} is in no load")
        if name in plan.unplanned and name in plan.done:
            yield _refuse("job_both", f"job {name} is said to be done and not to be planned")


def _lots(backlog: Backlog, plan: Plan) -> Iterator[Finding]:
    waiting = {lot.lot: lot.waiting for lot in backlog.lots}
    for lot, count in Counter(f.lot for _, _, f in _seated(plan) if f.lot is not None).items():
        if count > waiting.get(lot, 0):
            yield _refuse("lot_too_large", f"lot {lot}: {count} blades planned, {waiting.get(lot, 0)} wait")


def _load(shop: _ShopOfPlan, load: PlannedLoad) -> Iterator[Finding]:
    """Eligible places only, one unit a slot, one head height a turn, and the time that the work takes."""
    where = _where(load)
    station, plate = shop.stations.get(load.station), shop.plates.get(load.plate)
    if station is None or plate is None or load.plate not in station.plates:
        yield _refuse("plate_not_mountable", f"{where}: this station does not mount this plate")
        return
    if load.copy not in plate.copies:
        yield _refuse("unknown_copy", f"{where}: the plate has no copy {load.copy}")
    if load.turns and any(f.lot is not None for row in load.turns[1:] for f in row):
        yield _refuse("lot_turned", f"{where}: bare blades are not turned over")
    for turn, row in enumerate(load.turns, start=1):
        yield from _turn(shop, load, turn, row)
    yield from _time(shop, station, load)


def _turn(shop: _ShopOfPlan, load: PlannedLoad, turn: int, row: tuple[Filled, ...]) -> Iterator[Finding]:
    where = f"{_where(load)}, turn {turn}"
    for slot, count in Counter(filled.slot for filled in row).items():
        if count > 1:
            yield _refuse("slot_twice", f"{where}: {count} units in slot {slot}")
    lowest, highest = float("-inf"), float("inf")
    for filled in row:
        option = _option(shop, load, filled)
        if option is None:
            yield _refuse("not_eligible", f"{where}: {filled.job or filled.lot} may not sit in {filled.slot}")
            continue
        lowest, highest = max(lowest, option.low_mm), min(highest, option.high_mm)
    if lowest > highest:
        yield _refuse("out_of_focus", f"{where}: no head height suits all units")
    if turn > 1:
        before = {filled.job for filled in load.turns[turn - 2]}
        for filled in row:
            if filled.job not in before:
                yield _refuse("not_turned", f"{where}: {filled.job} was not in the turn before")


def _option(shop: _ShopOfPlan, load: PlannedLoad, filled: Filled) -> Option | None:
    kind = shop.kind_of(filled)
    options = kind.options.get(load.station, ()) if kind is not None else ()
    wanted = (load.plate, filled.slot, filled.face)
    return next((o for o in options if (o.plate, o.slot, o.face) == wanted), None)


def _time(shop: _ShopOfPlan, station: PlanStation, load: PlannedLoad) -> Iterator[Finding]:
    """The load takes as long as its work, within one open stretch, after it was prepared in open hours."""
    where = _where(load)
    burning = sum(shop.seconds_of(filled) for row in load.turns for filled in row)
    turning = sum(len(row) for row in load.turns[1:]) * station.turn_seconds
    least = burning + turning
    most = least + load.changes * max(station.plate_change_seconds, station.process_change_seconds)
    if not least - TIME_TOLERANCE_S <= load.ends - load.begins <= most + TIME_TOLERANCE_S:
        yield _refuse(
            "wrong_time", f"{where}: {load.ends - load.begins:.1f} s, not {least:.1f} to {most:.1f}"
        )
    if _open_between(station.hours, load.begins, load.ends) < load.ends - load.begins - TIME_TOLERANCE_S:
        yield _refuse("outside_hours", f"{where}: the station is not open all the time it burns")
    units = len(load.turns[0]) if load.turns else 0
    if _handled(station, load.prepares, load.begins) < units * station.load_seconds - TIME_TOLERANCE_S:
        yield _refuse("not_prepared", f"{where}: not enough of people's time to seat {units} units")
    after_s = units * (station.look_seconds + station.finish_seconds)
    if load.ready < load.ends - TIME_TOLERANCE_S or (
        _handled(station, load.ends, load.ready) < after_s - TIME_TOLERANCE_S
    ):
        yield _refuse("not_finished", f"{where}: not enough of people's time to box {units} units")


def _handled(station: PlanStation, begin: float, end: float) -> float:
    """Seconds of work that the station's people can do between two times."""
    if station.hands is None:
        return _open_between(station.hours, begin, end)
    return sum(people * _open_between(hours, begin, end) for hours, people in station.hands.shifts)


def _open_between(hours: Hours, begin: float, end: float) -> float:
    """Open seconds between two times, counted span by span."""
    if not hours.week:
        return end - begin
    total = 0.0
    for week in range(int(begin // WEEK_S), int(end // WEEK_S) + 1):
        for a, b in hours.week:
            if week * 7 + int(a // DAY_S) not in hours.shut:
                total += max(0.0, min(end, week * WEEK_S + b) - max(begin, week * WEEK_S + a))
    return total


def _visits(backlog: Backlog, plan: Plan) -> Iterator[Finding]:
    """A job's faces in order, the next visit seated only after the one before has burned; done when it
    says."""
    times: dict[str, list[tuple[float, float, int, str]]] = {}
    for load, turn, filled in _seated(plan):
        if filled.job is not None:
            times.setdefault(filled.job, []).append((load.prepares, load.ready, turn, filled.face))
    for job in backlog.jobs:
        mine = sorted(times.get(job.job, []))
        if job.job in plan.unplanned or not mine:
            continue
        if tuple(face for *_, face in mine) != job.kind.faces:
            yield _refuse("wrong_order", f"job {job.job}: faces would not be engraved in order")
        for (_, ends, _, _), (prepares, again, _, _) in pairwise(mine):
            if again != ends and prepares < ends - TIME_TOLERANCE_S:
                yield _refuse("two_places", f"job {job.job} would be seated while it burns elsewhere")
        if abs(plan.done.get(job.job, -1.0) - mine[-1][1]) > TIME_TOLERANCE_S:
            yield _refuse("wrong_promise", f"job {job.job} is not done when the plan says")


def _stations(backlog: Backlog, plan: Plan) -> Iterator[Finding]:
    """One load burning and one being prepared at each station, nothing before it is free."""
    for station in backlog.stations:
        loads = sorted(
            (load for load in plan.loads if load.station == station.station), key=lambda load: load.begins
        )
        for load in loads[:1]:
            if load.begins < max(station.free_at, backlog.now) - TIME_TOLERANCE_S:
                yield _refuse("too_early", f"{_where(load)}: the station is not free yet")
            if load.prepares < max(station.hands_free_at, backlog.now) - TIME_TOLERANCE_S:
                yield _refuse("too_early", f"{_where(load)}: nobody is free to prepare it yet")
        yield from _hands(station, loads)
        plate = station.plate_on
        for before, load in pairwise(loads):
            if load.begins < before.ends - TIME_TOLERANCE_S:
                yield _refuse("two_burning", f"{_where(load)}: the load before still burns")
            if load.prepares < before.begins - TIME_TOLERANCE_S:
                yield _refuse("two_preparing", f"{_where(load)}: the load before is still being prepared")
        for load in loads:
            changed = plate is not None and plate != load.plate
            if load.changes < changed:
                yield _refuse("change_not_counted", f"{_where(load)}: the plate is changed for it")
            plate = load.plate


def _hands(station: PlanStation, loads: list[PlannedLoad]) -> Iterator[Finding]:
    """People have time for all that they are to do: whatever must begin after one moment and end before
    another fits between the two (the demand criterion of preemptive scheduling), looked at within
    `_LOADS_TOGETHER` loads."""
    each_s = station.look_seconds + station.finish_seconds
    if each_s == 0:
        return  # then only seating takes hands, and that was looked at load by load
    tasks = [
        (
            (load.prepares, load.begins, len(load.turns[0]) * station.load_seconds),
            (load.ends, load.ready, len(load.turns[0]) * each_s),
        )
        for load in loads
    ]
    for at, load in enumerate(loads):
        together = [task for pair in tasks[max(0, at - _LOADS_TOGETHER + 1) : at + 1] for task in pair]
        for begin in {task[0] for task in together}:
            for end in {task[1] for task in together if task[1] > begin}:
                wanted = sum(seconds for a, b, seconds in together if a >= begin and b <= end)
                if wanted > _handled(station, begin, end) + TIME_TOLERANCE_S:
                    yield _refuse(
                        "hands_twice", f"{_where(load)}: people would have two things to do at once"
                    )
                    return


def _copies(backlog: Backlog, plan: Plan) -> Iterator[Finding]:
    """A plate's copy is in one place at a time, and emptied before it is filled again."""
    by_copy: dict[str, list[PlannedLoad]] = {}
    for load in plan.loads:
        by_copy.setdefault(load.copy, []).append(load)
    free = {copy: at for plate in backlog.plates for copy, at in plate.copies.items()}
    stations = {station.station: station for station in backlog.stations}
    for copy, loads in sorted(by_copy.items()):
        loads.sort(key=lambda load: load.prepares)
        if loads[0].prepares < free.get(copy, 0.0) - TIME_TOLERANCE_S:
            yield _refuse("copy_in_use", f"{_where(loads[0])}: {copy} is still in another load")
        for before, load in pairwise(loads):
            at = stations.get(before.station)
            looking = len(before.turns[0]) * at.look_seconds if at is not None and before.turns else 0.0
            emptied = at is None or _handled(at, before.ends, load.prepares) >= looking - TIME_TOLERANCE_S
            if load.prepares < before.ends - TIME_TOLERANCE_S or not emptied:
                yield _refuse("copy_in_use", f"{_where(load)}: {copy} is in two places")
