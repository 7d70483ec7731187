"""Load by load, by the earliest due date."""

from __future__ import annotations

import pytest

from layout.plan.next_by_due import next_load
from layout.shop.hours import DAY_S
from tests.planning import a_backlog, a_job, a_kind


def test_what_is_due_first_goes_first_as_many_as_the_plate_seats() -> None:
    kind = a_kind(slots="AB")
    load = next_load(a_backlog(*(a_job(str(n), kind, due=(9 - n) * DAY_S) for n in range(1, 6))), "s1")

    assert load is not None and load.plate == "P" and load.filled == 2
    assert {job for job, _ in load.visits} == {"4", "5"} and load.seconds >= 2 * 60
    assert load.process == "satin"


def test_nothing_waits_so_nothing_is_taken() -> None:
    assert next_load(a_backlog(), "s1") is None


def test_a_station_that_can_take_none_of_it_takes_nothing() -> None:
    backlog = a_backlog(a_job("1", a_kind(stations=("s2",))))

    assert next_load(backlog, "s1") is None


def test_a_station_that_is_not_in_the_backlog_is_an_error() -> None:
    with pytest.raises(KeyError):
        next_load(a_backlog(a_job("1", a_kind())), "nowhere")
