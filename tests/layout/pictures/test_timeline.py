"""Plan and backlog as pictures: times where they belong, lateness not by colour alone, all on the page."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.pictures.time_axis import closed_spans, new_axis
from layout.pictures.timeline import Bar, Lane, TimelineWords, draw_timeline
from layout.pictures.workload import DayBar, WorkloadWords, draw_workload
from layout.shop.hours import DAY_S, WEEK_S, Hours, open_spans
from tests.layout.pictures.test_blades_and_plates import SVG, assert_whole, words_of
from tests.planning import HOUR_S, OFFICE

WORDS = TimelineWords(day=lambda day: f"day {day}", note="2 loads")
NORTH = Lane("north", OFFICE)


def a_bar(name: str = "1", begins: float = 9 * HOUR_S, ends: float = 10 * HOUR_S, **more: object) -> Bar:
    values: dict[str, object] = {
        "station": "north",
        "name": name,
        "note": "long-1",
        "title": f"load {name}",
        "prepares": begins - 600,
        "prepared": begins,
        "begins": begins,
        "ends": ends,
    }
    return Bar(**{**values, **more})  # type: ignore[arg-type]


def drawn(*bars: Bar, now: float = 8.5 * HOUR_S, lanes: tuple[Lane, ...] = (NORTH,)) -> str:
    return draw_timeline(lanes, bars, now=now, words=WORDS)


def burning_of(svg: str, title: str) -> dict[str, str]:
    """The rectangle of a load's burning."""
    for part in ElementTree.fromstring(svg).iter():
        if (
            (named := part.find(f"{SVG}title")) is not None
            and named.text == title
            and part.tag != f"{SVG}svg"
        ):
            return next(r.attrib for r in part.iter(f"{SVG}rect") if "rx" in r.attrib)
    raise AssertionError(f"no bar {title}")


def test_a_load_lies_where_its_time_is() -> None:
    svg = drawn(a_bar("1"), a_bar("2", 10 * HOUR_S, 11 * HOUR_S))

    first, second = burning_of(svg, "load 1"), burning_of(svg, "load 2")
    assert float(second["x"]) == pytest.approx(float(first["x"]) + float(first["width"]), abs=1e-3)
    assert first["width"] == second["width"]


def test_late_loads_are_told_by_stripes_and_a_sign_and_no_other_is() -> None:
    svg = drawn(a_bar("1", late=2), a_bar("2", 10 * HOUR_S, 11 * HOUR_S))

    assert burning_of(svg, "load 1")["fill"] == "url(#timeline-late)"
    assert burning_of(svg, "load 2")["fill"] != "url(#timeline-late)"
    assert {"1 !", "2"} <= set(words_of(svg))


def test_closed_hours_are_hatched_at_the_station_that_is_closed() -> None:
    always = Lane("south", Hours())

    svg = drawn(a_bar("1", 11 * HOUR_S, 11.5 * HOUR_S), lanes=(NORTH, always), now=11 * HOUR_S)

    hatched = [r for r in ElementTree.fromstring(svg).iter(f"{SVG}rect") if "closed" in r.get("fill", "")]
    assert len(hatched) == 2  # the lunch break of one station, and the legend


def test_a_night_is_shrunk_and_the_next_day_named() -> None:
    svg = drawn(a_bar("1", 16 * HOUR_S, 17 * HOUR_S), a_bar("2", DAY_S + 8 * HOUR_S, DAY_S + 9 * HOUR_S))

    first, second = burning_of(svg, "load 1"), burning_of(svg, "load 2")
    night = float(second["x"]) - float(first["x"]) - float(first["width"])
    assert night < float(first["width"])
    assert {"day 0", "day 1", "08:00"} <= set(words_of(svg))


def test_what_begins_after_the_shown_time_is_left_out() -> None:
    svg = drawn(a_bar("1"), a_bar("far", 3 * DAY_S + 9 * HOUR_S, 3 * DAY_S + 10 * HOUR_S))

    assert "load far" not in svg


def test_a_bar_links_to_its_load_and_one_too_narrow_for_a_finger_does_not() -> None:
    narrow = a_bar("2", 10 * HOUR_S, 10 * HOUR_S + 60, href="/plan#load-2")

    root = ElementTree.fromstring(drawn(a_bar("1", href="/plan#load-1"), narrow))

    links = list(root.iter(f"{SVG}a"))
    assert [link.get("{http://www.w3.org/1999/xlink}href") for link in links] == ["/plan#load-1"]
    assert links[0].get("aria-label") == "load 1"
    assert root.get("role") == "group"  # WAI-ARIA 1.2: what is in an `img` is not told


def test_a_picture_without_links_is_an_image_with_a_title_and_a_description() -> None:
    root = ElementTree.fromstring(drawn(a_bar("1")))

    assert root.get("role") == "img"
    assert [root.findtext(f"{SVG}{name}") for name in ("title", "desc")] == ["Plan", "2 loads load 1"]


@pytest.mark.parametrize("now", [3 * HOUR_S, 8 * HOUR_S, 12.5 * HOUR_S, 16.99 * HOUR_S, 5 * DAY_S])
@pytest.mark.parametrize("count", [0, 1, 12])
def test_nothing_is_cut_off_whatever_the_hour(now: float, count: int) -> None:
    begin = OFFICE.fit(now, HOUR_S)
    bars = [a_bar(str(n), begin + n * 700, begin + (n + 1) * 700, late=n % 3) for n in range(count)]

    assert_whole(drawn(*bars, now=now, lanes=(NORTH, Lane("the station with a long name", OFFICE))))


def test_the_same_plan_gives_the_same_picture() -> None:
    assert drawn(a_bar("1")) == drawn(a_bar("1"))


@given(
    st.lists(st.floats(0, 2 * WEEK_S), min_size=2, max_size=6),
    st.floats(0, WEEK_S),
    st.floats(2 * HOUR_S, 40 * HOUR_S),
)
def test_an_axis_runs_in_order_and_ends_at_its_ends(
    moments: list[float], begins: float, open_s: float
) -> None:
    axis = new_axis([OFFICE], begins=begins, open_s=open_s, x0=100.0, x1=900.0)

    places = [axis.x(moment) for moment in sorted(moments)]
    assert places == sorted(places)
    assert (axis.x(axis.begins), axis.x(axis.ends)) == (100.0, pytest.approx(900.0))
    opened = sum(b - a for a, b in open_spans(OFFICE, axis.begins, axis.ends))
    assert opened == pytest.approx(open_s)


@given(st.floats(0, 2 * WEEK_S), st.floats(1, WEEK_S))
def test_a_station_is_open_or_closed_at_any_time(begins: float, seconds: float) -> None:
    spans = open_spans(OFFICE, begins, begins + seconds) + closed_spans(OFFICE, begins, begins + seconds)

    ordered = sorted(spans)
    assert ordered[0][0] == begins and ordered[-1][1] == begins + seconds
    assert all(a[1] == b[0] for a, b in pairwise(ordered))


def test_days_off_are_closed() -> None:
    hours = Hours(OFFICE.week, frozenset({1}))

    assert open_spans(hours, DAY_S, 2 * DAY_S) == []


# --- the backlog by day ---


def days() -> list[DayBar]:
    return [
        DayBar("Wed 25 Nov", 6.0, 1.5, 8.0, "6.0 of 8.0 h, 31 units", "! 4 late"),
        DayBar("Thu 26 Nov", 17.0, 0.0, 15.0, "17.0 of 15.0 h, 80 units", "! 2.0 h too much until then"),
        DayBar("Fri 27 Nov", 0.0, 0.0, 15.0, "0.0 of 15.0 h, 0 units"),
    ]


def test_a_days_bars_are_as_long_as_its_hours() -> None:
    root = ElementTree.fromstring(draw_workload(days(), words=WorkloadWords()))

    rows = [
        [float(rect.attrib["width"]) for rect in part.iter(f"{SVG}rect")] for part in root.iter(f"{SVG}g")
    ]
    (opened, in_time, late), (opened_next, work) = rows[0], rows[1]
    assert in_time / late == pytest.approx(4.5 / 1.5, rel=1e-3)
    assert opened / (in_time + late) == pytest.approx(8 / 6, rel=1e-3)
    assert work / opened_next == pytest.approx(17 / 15, rel=1e-3)
    assert len(rows[2]) == 1


def test_late_work_is_told_by_stripes_and_words() -> None:
    svg = draw_workload(days(), words=WorkloadWords())

    assert svg.count('fill="url(#workload-late)"') == 2  # the one day, and the legend
    assert "! 4 late" in words_of(svg)


@pytest.mark.parametrize("count", [0, 1, 3])
def test_the_backlog_picture_is_whole(count: int) -> None:
    svg = draw_workload(days()[:count], words=WorkloadWords())

    assert_whole(svg)
    assert ElementTree.fromstring(svg).get("role") == "img"


def test_words_too_long_for_their_place_are_made_smaller() -> None:
    long = DayBar(
        "Wednesday, 25 November", 1.0, 0.0, 8.0, "1.0 of 8.0 h, 31 units and more", "!" + " late" * 20
    )

    assert_whole(draw_workload([long], words=WorkloadWords()))
