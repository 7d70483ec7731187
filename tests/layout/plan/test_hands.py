"""People's time beside the lasers': worked out by hand, and held against the judge, the forecast and the
build list."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from layout.judge.plan import inspect_plan
from layout.loading.backlog import Backlog, Plan
from layout.plan.build_by import latest_boxed
from layout.plan.keep_up import carried_on, kept_up
from layout.plan.planner import plan
from layout.plan.promise import Luck, forecast, safe_ends_of_new
from layout.shop.carrier import Carrier
from layout.shop.hours import DAY_S, Hands, Hours
from tests.planning import HOUR_S, OFFICE, a_job, a_kind, a_plan_plate, a_plan_station

EIGHT = 8 * HOUR_S
#: Two units a load: 60 s to pull and seat one, 30 s to look at it, 120 s until it is boxed.
HANDLING: dict[str, Any] = {"load_seconds": 60.0, "look_seconds": 30.0, "finish_seconds": 120.0}
SURE = Luck(spread=0.0, bias=0.0)


def six_units(burn_s: float, *, people: float = 1.0, **more: Any) -> Backlog:
    """Three loads of two units at one station that opens at 8, on a plate with two copies."""
    hands = Hands(((OFFICE, people),))
    station = a_plan_station(hours=OFFICE, hands=hands, **{**HANDLING, **more})
    jobs = tuple(a_job(f"J{n}", a_kind(), due=DAY_S, seconds=burn_s) for n in range(6))
    return Backlog(EIGHT, jobs, (station,), (a_plan_plate(),))


def times(made: Plan) -> list[tuple[float, float, float, float]]:
    """Preparing, burning from and to, boxed: seconds since eight."""
    return [
        (load.prepares - EIGHT, load.begins - EIGHT, load.ends - EIGHT, load.ready - EIGHT)
        for load in made.loads
    ]


def test_where_the_laser_is_scarce_people_box_one_load_while_the_next_burns() -> None:
    """Seating 120 s a load, burning 600 s, boxing 300 s. While the second load burns (from 720 s on), the
    first is boxed until 1,020 s; only then hands are free to seat the third."""
    made = plan(six_units(300.0), rounds=0)

    assert times(made) == [(0, 0 + 120, 720, 1020), (120, 720, 1320, 1620), (1020, 1320, 1920, 2220)]
    assert inspect_plan(six_units(300.0), made) == ()


def test_where_people_are_scarce_the_laser_waits_for_them() -> None:
    """Burning takes 120 s a load, seating 120 s, boxing 300 s. The first load is boxed at 540 s, the second,
    burned since 360 s, at 840 s; the third is seated until 960 s. The laser alone would be done at 480 s."""
    made = plan(six_units(60.0), rounds=0)

    assert times(made) == [(0, 120, 240, 540), (120, 240, 360, 840), (840, 960, 1080, 1380)]
    assert inspect_plan(six_units(60.0), made) == ()


def test_two_people_take_half_the_time() -> None:
    made = plan(six_units(60.0, people=2.0), rounds=0)

    assert times(made) == [(0, 60, 180, 330), (60, 180, 300, 480), (480, 540, 660, 810)]


def test_a_plate_is_free_when_it_was_emptied_and_not_when_the_next_load_has_burned() -> None:
    """One copy: the plate is emptied 60 s after the burn, but hands finish its units first."""
    backlog = replace(six_units(300.0), plates=(a_plan_plate(copies=1),))

    made = plan(backlog, rounds=0)

    # Burned at 720 s, emptied at 780 s, its units boxed at 1,020 s.
    assert times(made)[1] == (1020, 1140, 1740, 2040)
    assert inspect_plan(backlog, made) == ()


def test_what_is_burned_before_the_shop_shuts_is_boxed_the_next_day() -> None:
    """One load of 3 h 50 min from 8:02 on ends at 11:52. Boxing takes 300 s, until 11:57. With 30 min of
    boxing 8 min are done by noon, and 22 min after the break."""
    one = replace(six_units(6900.0), jobs=six_units(6900.0).jobs[:2])
    station = replace(one.stations[0], finish_seconds=870.0)

    soon, late = plan(one, rounds=0), plan(replace(one, stations=(station,)), rounds=0)

    assert soon.loads[0].ready == 11 * HOUR_S + 57 * 60
    assert late.loads[0].ready == 13 * HOUR_S + 22 * 60
    assert dict(late.done) == dict.fromkeys(("J0", "J1"), 13 * HOUR_S + 22 * 60)


def test_a_unit_that_is_burned_in_time_and_boxed_too_late_is_late() -> None:
    backlog = six_units(300.0)
    jobs = tuple(replace(job, due=EIGHT + 1500.0) for job in backlog.jobs)

    made = plan(replace(backlog, jobs=jobs), rounds=0)

    # Boxed at 1,020, 1,620 and 2,220 s: the second load burned in time, at 1,320 s.
    assert made.score.lateness == 4


def test_a_plan_carried_on_has_the_same_times() -> None:
    for burn_s in (60.0, 300.0):
        backlog = six_units(burn_s)
        made = plan(backlog, rounds=0)

        going_on = carried_on(backlog, made.loads)
        more = kept_up(replace(backlog, jobs=(*backlog.jobs, a_job("new", a_kind()))), made.loads)

        assert going_on is not None
        assert times(going_on[1]) == times(made)
        assert going_on[1].score == replace(made.score)
        assert more is not None
        assert times(more)[:3] == times(made)
        assert inspect_plan(replace(backlog, jobs=(*backlog.jobs, a_job("new", a_kind()))), more) == ()


@pytest.mark.parametrize(
    ("load", "change", "code"),
    [
        (0, {"boxed": EIGHT + 1019.0}, "not_finished"),
        (0, {"boxed": EIGHT + 719.0}, "not_finished"),
        (2, {"prepares": EIGHT + 700.0}, "copy_in_use"),
        (1, {"boxed": EIGHT + 1619.0}, "not_finished"),
    ],
)
def test_the_judge_names_what_people_have_no_time_for(load: int, change: dict[str, float], code: str) -> None:
    backlog = six_units(300.0)
    made = plan(backlog, rounds=0)
    loads = list(made.loads)
    loads[load] = replace(loads[load], **change)  # type: ignore[arg-type]

    assert code in {finding.code for finding in inspect_plan(backlog, replace(made, loads=tuple(loads)))}


def test_the_judge_lets_nobody_seat_a_load_while_they_box_another() -> None:
    """The third load seated from 560 s on: until 840 s people box the two before."""
    backlog = six_units(60.0)
    made = plan(backlog, rounds=0)
    third = replace(
        made.loads[2], prepares=EIGHT + 560.0, begins=EIGHT + 680.0, ends=EIGHT + 800.0, boxed=EIGHT + 1140.0
    )

    codes = {f.code for f in inspect_plan(backlog, replace(made, loads=(*made.loads[:2], third)))}

    assert "hands_twice" in codes


@pytest.mark.parametrize("burn_s", [60.0, 300.0])
def test_a_forecast_without_chance_is_the_plan(burn_s: float) -> None:
    backlog = six_units(burn_s)
    made = plan(backlog, rounds=0)

    runs = forecast(backlog, made, SURE)

    assert np.allclose(runs.ends, [[load.ends] for load in made.loads])
    assert np.allclose(runs.ready, [[load.ready] for load in made.loads])
    assert {job: row[0] for job, row in runs.done.items()} == pytest.approx(dict(made.done))
    assert runs.last_burned(["J0"]) == pytest.approx(made.loads[0].ends)


def test_what_is_engraved_today_may_be_ready_to_hand_over_tomorrow() -> None:
    """Eight units burned from 8 on are engraved by noon; boxing them takes 150 s each. The carrier comes at
    8:30, and packing takes 15 min: what is boxed after 8:15 leaves the next day."""
    backlog = six_units(60.0)
    carrier = Carrier(tuple(day * DAY_S + 8.5 * HOUR_S for day in range(5)), packing_s=900.0)
    made = plan(backlog, rounds=0)

    soon = safe_ends_of_new(
        forecast(replace(backlog, jobs=()), Plan((), {}, made.score, made.bound), SURE), a_kind(), 60.0
    )
    runs = forecast(replace(backlog, carrier=carrier), made, SURE)

    assert soon is not None
    assert soon.engraved_by == soon.ready_by == DAY_S
    assert runs.leaving(runs.done["J0"])[0] == 8.5 * HOUR_S  # boxed at 8:09
    assert runs.leaving(runs.done["J5"])[0] == DAY_S + 8.5 * HOUR_S  # boxed at 8:23


def test_a_unit_boxed_just_before_the_cut_off_does_not_leave_with_it() -> None:
    """Mondays to Fridays at 16:00, ten minutes of packing; this Wednesday is a day off."""
    carrier = Carrier(
        tuple(day * DAY_S + 16 * HOUR_S for day in range(5)), packing_s=600.0, shut=frozenset({2})
    )
    at = 15 * HOUR_S + 57 * 60

    assert carrier.leaves(15 * HOUR_S + 50 * 60) == 16 * HOUR_S
    assert carrier.leaves(at) == DAY_S + 16 * HOUR_S
    assert carrier.leaves(DAY_S + at) == 3 * DAY_S + 16 * HOUR_S
    assert carrier.latest(2 * DAY_S + 18 * HOUR_S) == DAY_S + 16 * HOUR_S - 600.0
    assert carrier.latest(6 * DAY_S) == 4 * DAY_S + 16 * HOUR_S - 600.0
    assert list(carrier.all_leave(np.array([0.0, at]))) == [16 * HOUR_S, DAY_S + 16 * HOUR_S]
    with pytest.raises(ValueError, match="never comes"):
        Carrier((0.0,), shut=frozenset(range(10_000))).leaves(1.0)


def test_the_build_list_counts_what_hands_do_after_the_burn() -> None:
    """Four units due at 17:00 in two loads. The second: boxed at 17:00, burned at 16:55, begun at 16:45,
    seated from 16:43 on. The first burned by 16:45, begun at 16:35, seated from 16:33 on."""
    backlog = six_units(300.0)
    jobs = tuple(replace(job, due=17 * HOUR_S) for job in backlog.jobs[:4])

    latest = latest_boxed(replace(backlog, jobs=jobs))

    assert sorted(latest.values()) == [16 * HOUR_S + 33 * 60] * 2 + [16 * HOUR_S + 43 * 60] * 2


def test_the_build_list_counts_hands_where_they_are_scarcer_than_the_laser() -> None:
    """Burning takes 120 s a load, boxing 300 s: the second load is burned at 16:55 at the latest, and people
    are to have boxed the first by then, so it must have burned by 16:50."""
    backlog = six_units(60.0)
    jobs = tuple(replace(job, due=17 * HOUR_S) for job in backlog.jobs[:4])

    latest = latest_boxed(replace(backlog, jobs=jobs))

    assert sorted(latest.values()) == [16 * HOUR_S + 46 * 60] * 2 + [16 * HOUR_S + 51 * 60] * 2


def test_hands_that_come_and_go_are_counted_as_they_are_there() -> None:
    """One person from 8 to 12, a second from 10 on, who is away on Tuesday: eight hours of work begun at 8:01
    on Tuesday are 3 h 59 min then, 2 h until ten on Wednesday, and 2 h 1 min by two from then on."""
    early = Hours.of_week(dict.fromkeys(range(5), ((8 * HOUR_S, 12 * HOUR_S),)))
    late = Hours(tuple((a + 2 * HOUR_S, b) for a, b in early.week), frozenset({1}))
    hands = Hands(((early, 1.0), (late, 1.0)))
    station = a_plan_station(hours=early, hands=hands, load_seconds=0.0, finish_seconds=8 * HOUR_S)
    job = a_job("J1", a_kind(), due=30 * DAY_S, seconds=60.0)
    backlog = Backlog(DAY_S + 8 * HOUR_S, (job,), (station,), (a_plan_plate(),))

    made = plan(backlog, rounds=0)

    assert made.loads[0].ready == 2 * DAY_S + 11 * HOUR_S + 30.0
    assert inspect_plan(backlog, made) == ()
    assert latest_boxed(backlog)["J1"] <= 30 * DAY_S
