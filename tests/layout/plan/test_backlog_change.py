"""What has moved between two backlogs of the same shop."""

from __future__ import annotations

from dataclasses import replace

import pytest

from layout.loading.backlog import Backlog, PlanLot
from layout.plan.backlog_change import MOST_JOBS, Moved, moved
from layout.shop.hours import DAY_S
from tests.planning import a_backlog, a_job, a_kind, a_plan_plate, a_plan_station


def a_shop(*names: str, now: float = 100.0, **job: object) -> Backlog:
    """A station that is free now, copies that are free since long; kinds made anew each time."""
    kind = a_kind()
    station = a_plan_station(free_at=now, hands_free_at=now)
    return a_backlog(*(a_job(name, kind, **job) for name in names), stations=(station,), now=now)  # type: ignore[arg-type]


def test_time_alone_moves_nothing() -> None:
    assert moved(a_shop("1", "2"), a_shop("2", "1", now=130.0)) == Moved((), ())


def test_jobs_come_and_leave_and_share_the_kinds_that_are_known() -> None:
    before = a_shop("1", "2")

    found = moved(before, a_shop("2", "3", now=130.0))

    assert found is not None
    assert (found.left, [job.job for job in found.came]) == (("1",), ["3"])
    assert found.came[0].kind is before.jobs[0].kind


@pytest.mark.parametrize(
    "change", [{"due": DAY_S}, {"seconds": 61.0}, {"weight": 2}, {"order": "x"}, {"bin": 7}]
)
def test_a_job_that_has_changed_leaves_and_comes(change: dict[str, object]) -> None:
    found = moved(a_shop("1"), a_shop("1", **change))

    assert found is not None
    assert (found.left, [job.job for job in found.came]) == (("1",), ["1"])


def test_a_job_that_may_sit_elsewhere_leaves_and_comes_with_its_own_kind() -> None:
    before = a_shop("1")
    narrow = a_kind(slots="A")

    found = moved(before, replace(before, jobs=(replace(before.jobs[0], kind=narrow),)))

    assert found is not None and found.came[0].kind is narrow


def test_more_than_a_few_jobs_are_too_many() -> None:
    names = [f"{n}" for n in range(MOST_JOBS + 1)]

    assert moved(a_shop(), a_shop(*names[1:])) is not None
    assert moved(a_shop(), a_shop(*names)) is None


def test_a_station_a_copy_or_a_lot_that_has_moved_is_not_worked_in() -> None:
    before = a_shop("1")
    busy = replace(before.stations[0], free_at=500.0)
    others = (
        replace(before, stations=(busy,)),
        replace(before, stations=(replace(busy, free_at=100.0, plate_on="Q"),)),
        replace(before, plates=(a_plan_plate(free=500.0),)),
        replace(before, lots=(PlanLot("L", a_kind(), 3, 60.0, DAY_S),)),
    )

    assert [moved(before, after) for after in others] == [None] * len(others)


def test_a_station_that_burns_until_the_same_moment_has_not_moved() -> None:
    before, after = a_shop("1"), a_shop("1", now=130.0)
    until = tuple(replace(station, free_at=500.0) for station in before.stations)

    found = moved(
        replace(before, stations=until),
        replace(after, stations=tuple(replace(station, hands_free_at=130.0) for station in until)),
    )

    assert found == Moved((), ())
