"""The pages that ask and tell without changing anything: what if ...?, and what the records teach."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from service.pages.estimates import SIDE, scatter_of
from service.pages.what_if import USUAL, done_at, pictures, question_of
from service.plan.estimate_answers import MeasuredTurnAnswer
from service.records.db import Database
from service.records.errors import BadRequest
from service.what_if.answer import Assumptions, WhatIfOut
from service.what_if.measures import Measures, Points
from service.what_if.questions import WhatIfIn
from tests.benches import Bench
from tests.clocks import SetClock

ZONE = ZoneInfo("Europe/Berlin")


def an_answer(*, late: tuple[Points, Points], hours: tuple[Points, Points]) -> WhatIfOut:
    """An answer in which everything else is nothing."""
    none = a_measure(0.0)
    before, after = (
        Measures(
            units=none,
            units_late=late[n],
            units_unfinished=none,
            latest_hours=none,
            backlog_hours=hours[n],
            loads=none,
            promises_broken=none,
            busy={},
        )
        for n in (0, 1)
    )
    assumed = Assumptions(orders_per_day=0, orders_seen=0, spread=0, scrap=0, units_inspected=0)
    return WhatIfOut(
        made_at=datetime(2026, 11, 25, 12, tzinfo=UTC),
        question=WhatIfIn(),
        runs=1,
        assumptions=assumed,
        backlog_units=0,
        promises=0,
        baseline=before,
        what_if=after,
    )


def a_measure(median: float | None, low: float | None = None, high: float | None = None) -> Points:
    return Points(p10=median if low is None else low, median=median, p90=median if high is None else high)


def test_a_form_left_as_it_is_asks_nothing() -> None:
    question = question_of(USUAL, ZONE)

    assert (question.orders_factor, question.station_down, question.more_plates, question.more_hours) == (
        1.0,
        None,
        None,
        None,
    )


def test_a_form_filled_in_asks_everything_at_once() -> None:
    filled = {"factor": "2", "station": "s1", "until": "2026-11-25T12:00", "plate": "P", "hours": "1,5"}

    question = question_of({**USUAL, **filled}, ZONE)

    assert question.orders_factor == 2
    assert question.station_down is not None and question.more_hours is not None
    assert question.station_down.until == datetime.fromisoformat("2026-11-25T12:00:00+01:00")
    assert (question.more_plates is not None, question.more_hours.hours) == (True, 1.5)


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"factor": "many"}, "orders_factor"),
        ({"station": "s1", "until": ""}, "station_down.until"),
        ({"plate": "P", "count": "0"}, "more_plates.count"),
        ({"hours": "99"}, "more_hours.hours"),
    ],
)
def test_a_form_that_can_not_be_read_says_which_field(wrong: dict[str, str], field: str) -> None:
    with pytest.raises(BadRequest) as refused:
        question_of({**USUAL, **wrong}, ZONE)

    assert refused.value.about["field"] == field


def test_both_shops_stand_on_one_scale_and_what_never_ends_has_no_picture() -> None:
    found = an_answer(late=(a_measure(2, 1, 4), a_measure(6, 5, 8)), hours=(a_measure(3.0), a_measure(None)))

    drawn = pictures(found)

    assert list(drawn) == ["units_late"]
    assert [(bar.low, bar.median, bar.high) for bar in drawn["units_late"]] == [
        (0.125, 0.25, 0.5),
        (0.625, 0.75, 1.0),
    ]
    assert done_at(found) == {
        "baseline": datetime.fromisoformat("2026-11-25T15:00:00+00:00"),
        "what_if": None,
    }


def test_a_lunch_break_is_drawn_at_the_edge_and_does_not_press_the_others_together() -> None:
    turns = [MeasuredTurnAnswer(estimated_s=60, expected_s=80, measured_s=80)] * 9
    lunch = MeasuredTurnAnswer(estimated_s=60, expected_s=80, measured_s=3600)

    picture = scatter_of([*turns, lunch])

    assert picture.most_s == pytest.approx(1.15 * 80)
    assert [dot.is_beyond for dot in picture.dots] == [False] * 9 + [True]
    assert picture.dots[-1].y == 0 and picture.dots[0].y == pytest.approx(SIDE - picture.dots[0].learned_x)


def test_the_pages_answer_a_signed_in_person_and_refuse_in_words(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(sqlite_database, clock, tmp_path)
    bench.order(quantity=2)
    form = {"name": "Olga", "key": bench.keys["owner"]}
    bench.client.post("/sign-in", data=form)

    asked = bench.client.get("/what-if", params={"factor": "2"})
    refused = bench.client.get("/what-if", params={"station": "nowhere", "until": "2026-11-25T12:00"})

    assert asked.status_code == 200 and "units would be late" in asked.text
    assert refused.status_code == 422 and "there is nothing named nowhere" in refused.text
    assert "No burned turn is on record yet" in bench.client.get("/owner/estimates").text
