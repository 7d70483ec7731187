"""Hours less the spans in which a station is down, and longer days."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from layout.plan.downtime import Shift, longer
from layout.shop.hours import DAY_S, Hours
from tests.planning import HOUR_S, OFFICE

#: Within two days, so that work and spans that are down meet.
TWO_DAYS_H = 2 * 24
spans = st.lists(
    st.tuples(st.integers(0, TWO_DAYS_H), st.integers(1, 30)).map(
        lambda span: (span[0] * HOUR_S, (span[0] + span[1]) * HOUR_S)
    ),
    max_size=4,
)
hours = st.sampled_from([OFFICE, Hours()])


@given(hours, spans, st.integers(0, TWO_DAYS_H), st.integers(0, 4))
def test_uninterrupted_work_meets_no_span_that_is_down_and_could_not_begin_sooner(
    hours: Hours, down: list[tuple[float, float]], ready: int, length: int
) -> None:
    """By looking at every quarter of an hour, which all spans are made of."""
    shift, seconds = Shift(hours, down), length * HOUR_S

    begin = shift.fit(ready * HOUR_S, seconds)

    def is_possible(at: float) -> bool:
        fits = hours.fit(at, seconds) == at
        return fits and not any(a <= at < b or (at < b and a < at + seconds) for a, b in down)

    quarters = range(ready * 4, ready * 4 + 4 * 24 * 21)
    assert begin == next(q * 900.0 for q in quarters if is_possible(q * 900.0))


@given(hours, spans, st.integers(0, TWO_DAYS_H), st.integers(1, 30))
def test_work_that_pauses_takes_as_many_open_seconds_as_it_needs(
    hours: Hours, down: list[tuple[float, float]], ready: int, length: int
) -> None:
    shift = Shift(hours, down)

    end = shift.spend(ready * HOUR_S, length * HOUR_S)

    assert shift.open_s(ready * HOUR_S, end) == length * HOUR_S
    assert shift.open_s(ready * HOUR_S, end - 900) < length * HOUR_S


def test_work_that_would_run_into_down_time_waits_for_its_end() -> None:
    shift = Shift(Hours(), [(5 * HOUR_S, 6 * HOUR_S), (2 * HOUR_S, 5 * HOUR_S)])

    assert shift.fit(HOUR_S, HOUR_S) == HOUR_S  # it ends as the station goes down
    assert shift.fit(HOUR_S, HOUR_S + 1) == 6 * HOUR_S
    assert shift.fit(3 * HOUR_S, 0.0) == 6 * HOUR_S


def test_every_working_day_gets_longer_at_its_end_until_midnight_at_the_most() -> None:
    an_hour, half_a_day = longer(OFFICE, HOUR_S), longer(OFFICE, 12 * HOUR_S)

    assert an_hour.week[:2] == ((8 * HOUR_S, 12 * HOUR_S), (13 * HOUR_S, 18 * HOUR_S))
    assert half_a_day.week[1] == (13 * HOUR_S, DAY_S)
    assert len(an_hour.week) == len(OFFICE.week)


def test_a_night_shift_that_reaches_the_next_one_is_made_one_with_it() -> None:
    nights = Hours.of_week({0: ((20 * HOUR_S, 23 * HOUR_S),), 1: ((0.0, 4 * HOUR_S),)})

    assert longer(nights, 2 * HOUR_S).week == ((20 * HOUR_S, DAY_S + 6 * HOUR_S),)
