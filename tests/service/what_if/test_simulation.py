"""A shop simulated: hours, plates, two visits, scrap, and luck that two runs share."""

from __future__ import annotations

from dataclasses import replace

import pytest

from layout.loading.backlog import Backlog
from layout.plan.downtime import longer
from layout.shop.hours import DAY_S
from service.what_if.simulation import OrderLike, Run, Scenario, arrivals, possible, simulate
from tests.planning import (
    HOUR_S,
    OFFICE,
    a_backlog,
    a_busy_backlog,
    a_job,
    a_kind,
    a_plan_plate,
    a_plan_station,
)


def a_busy_scenario(count: int = 60, **more: object) -> Scenario:
    backlog = a_busy_backlog(count, seed=4, days=2)
    mix = tuple(OrderLike((job,), lead_s=2 * DAY_S) for job in backlog.jobs[:10])
    usual = Scenario(
        backlog, mix=mix, orders_per_day=40.0, orders_until=backlog.now + 2 * DAY_S, spread=0.3, scrap=0.03
    )
    return replace(usual, **more)  # type: ignore[arg-type]


def last_end(run: Run) -> float:
    return max(unit.done or 0.0 for unit in run.units.values())


def waits_h(run: Run) -> float:
    return sum((unit.done or 0.0) - unit.came for unit in run.units.values()) / 3600


def test_a_load_is_seated_burned_and_done_when_its_times_say() -> None:
    kind = a_kind(slots="AB")
    station = a_plan_station(load_seconds=10.0)
    jobs = [a_job(name, kind, seconds=100.0) for name in ("one", "two", "three")]

    run = simulate(Scenario(a_backlog(*jobs, stations=(station,))), "any")

    # Two are seated (20 s) and burned (200 s); while they burn the third is seated.
    assert {job: (unit.begun, unit.done) for job, unit in run.units.items()} == {
        "one": (20.0, 220.0),
        "two": (20.0, 220.0),
        "three": (220.0, 320.0),
    }
    assert (run.loads, run.burned_s["s1"], run.open_s["s1"]) == (2, 300.0, 320.0)


def test_nothing_burns_over_the_lunch_break_nor_while_a_station_is_down() -> None:
    backlog = a_backlog(
        a_job("one", a_kind(), seconds=HOUR_S), stations=(a_plan_station(hours=OFFICE),), now=11.5 * HOUR_S
    )

    at_noon = simulate(Scenario(backlog), "any").units["one"]
    down = simulate(Scenario(backlog, down=(("s1", 12.5 * HOUR_S, 15 * HOUR_S),)), "any").units["one"]

    assert (at_noon.begun, down.begun) == (13 * HOUR_S, 15 * HOUR_S)


def test_the_seating_of_a_load_stops_while_its_station_is_down() -> None:
    station = a_plan_station(load_seconds=10.0)
    backlog = a_backlog(a_job("one", a_kind(), seconds=60.0), stations=(station,))

    unit = simulate(Scenario(backlog, down=(("s1", 5.0, 100.0),)), "any").units["one"]

    # Half of the 10 s are spent before, half after.
    assert (unit.begun, unit.done) == (105.0, 165.0)


def test_a_station_that_is_down_takes_no_work_from_one_that_is_not() -> None:
    """One copy of the plate; the second station's hands are free when the first has long been down."""
    kind = a_kind(stations=("s1", "s2"))
    stations = (a_plan_station("s1"), a_plan_station("s2", hands_free_at=100.0))
    backlog = a_backlog(a_job("one", kind), stations=stations, plates=(a_plan_plate(copies=1),))

    run = simulate(Scenario(backlog, down=(("s1", 0.0, 1000.0),)), "any")

    assert run.units["one"].begun == 100.0
    assert (run.burned_s["s1"], run.burned_s["s2"]) == (0.0, 60.0)


def test_what_a_station_is_at_comes_first_and_a_taken_copy_is_waited_for() -> None:
    station = a_plan_station(free_at=500.0, hands_free_at=100.0)
    plate = a_plan_plate(copies=1, free=300.0)

    unit = simulate(
        Scenario(a_backlog(a_job("one", a_kind()), stations=(station,), plates=(plate,))), "any"
    ).units["one"]

    assert unit.begun == 500.0


def test_a_unit_whose_faces_need_two_plates_makes_two_visits() -> None:
    one, other = a_kind(faces=("mark",), plate="P"), a_kind(faces=("pile",), plate="Q")
    both = replace(one, faces=("mark", "pile"), options={"s1": one.options["s1"] + other.options["s1"]})
    backlog = a_backlog(
        a_job("one", both, seconds=60.0),
        stations=(a_plan_station(plates=("P", "Q")),),
        plates=(a_plan_plate("P"), a_plan_plate("Q")),
    )

    run = simulate(Scenario(backlog), "any")

    assert (run.loads, run.units["one"].begun, run.units["one"].done) == (2, 60.0, 120.0)


def test_a_spoiled_unit_is_engraved_anew_and_done_when_its_replacement_is() -> None:
    jobs = [a_job(f"{n}", a_kind()) for n in range(40)]

    without, spoiled = (simulate(Scenario(a_backlog(*jobs), scrap=share), "any") for share in (0.0, 0.5))

    assert spoiled.units.keys() == without.units.keys()
    assert all(unit.done is not None for unit in spoiled.units.values())
    assert spoiled.burned_s["s1"] > 1.4 * without.burned_s["s1"]


def test_units_that_no_load_can_take_are_left_out_by_name() -> None:
    backlog = a_backlog(a_job("fits", a_kind()), a_job("never", a_kind(plate="other")))

    scenario = possible(
        Scenario(backlog, mix=(OrderLike(backlog.jobs, 0.0), OrderLike(backlog.jobs[1:], 0.0)))
    )

    assert [job.job for job in scenario.backlog.jobs] == ["fits"]
    assert [[job.job for job in like.units] for like in scenario.mix] == [["fits"]]


# --- luck ---


def test_the_same_seed_gives_the_same_run_and_another_seed_another() -> None:
    scenario = a_busy_scenario()

    assert simulate(scenario, "1") == simulate(scenario, "1")
    assert simulate(scenario, "1") != simulate(scenario, "2")


def test_more_orders_come_besides_the_usual_ones_and_fewer_are_some_of_them() -> None:
    until = {"factor_until": DAY_S}
    usual, doubled, halved = (
        arrivals(a_busy_scenario(orders_factor=factor, **until), "1") for factor in (1.0, 2.0, 0.5)
    )

    assert set(halved) < set(usual) < set(doubled)
    assert [one for one in doubled if one[0] >= DAY_S] == [one for one in usual if one[0] >= DAY_S]
    assert len(halved) < len(usual) - 3 and len(doubled) > len(usual) + 10


@pytest.mark.parametrize("seed", ["1", "2", "3"])
def test_a_station_that_is_down_makes_units_later(seed: str) -> None:
    usual = a_busy_scenario(spread=0.0, scrap=0.0)
    down = replace(usual, down=(("s1", usual.backlog.now, usual.backlog.now + 5 * HOUR_S),))

    assert waits_h(simulate(down, seed)) > waits_h(simulate(usual, seed))


def test_twice_the_plates_are_no_worse_beyond_the_noise() -> None:
    usual = a_busy_scenario()
    seeds = [f"{number}" for number in range(6)]

    before = [waits_h(simulate(usual, seed)) for seed in seeds]
    after = [
        waits_h(simulate(replace(usual, backlog=twice_the_plates(usual.backlog)), seed)) for seed in seeds
    ]

    assert sum(after) <= 1.05 * sum(before)


def twice_the_plates(backlog: Backlog) -> Backlog:
    return replace(
        backlog,
        plates=tuple(
            replace(plate, copies={f"{copy}{n}": at for copy, at in plate.copies.items() for n in "ab"})
            for plate in backlog.plates
        ),
    )


def test_longer_days_end_a_backlog_of_several_days_sooner() -> None:
    jobs = [a_job(f"{n}", a_kind(), seconds=HOUR_S) for n in range(20)]
    usual = a_backlog(*jobs, stations=(a_plan_station(hours=OFFICE),), now=8 * HOUR_S)
    stations = (replace(usual.stations[0], hours=longer(OFFICE, 2 * HOUR_S)),)

    before = last_end(simulate(Scenario(usual), "any"))
    after = last_end(simulate(Scenario(replace(usual, stations=stations)), "any"))

    assert (before, after) == (2 * DAY_S + 12 * HOUR_S, DAY_S + 19 * HOUR_S)
