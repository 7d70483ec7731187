"""The plan as a picture: what each station burns and prepares, hour by hour, in the shop's own time.

Loads to come are petrol, loads in hand are ink, late ones rust with stripes and an exclamation mark; closed
hours are hatched. Values in, SVG text out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from layout.pictures.chart import LARGE, MEDIUM, SMALL, WIDTH, Chart, fitted, new_chart, width_of
from layout.pictures.sheet import FAINT, INK, METAL, PALLET, PAPER, PETROL, RUST
from layout.pictures.time_axis import HOUR_S, Axis, closed_spans, new_axis
from layout.shop.hours import DAY_S, Hours, open_spans

_LEFT, _RIGHT = 220.0, WIDTH - 30.0
_HEAD, _LANE, _FOOT = 172.0, 172.0, 116.0
_BURNING = (14.0, 106.0)
_PREPARING = (118.0, 148.0)
#: Bars narrower than this are no links: a finger could not choose among them. The page has a table as well.
_NARROWEST_LINK = 44.0
#: The narrowest bar: a load of one minute must still be visible.
_NARROWEST = 9.0
#: The shortest and the usual stretch of open time shown.
SHORTEST_S, USUAL_S = 2 * HOUR_S, 10 * HOUR_S


@dataclass(frozen=True, slots=True)
class Lane:
    """A station with its hours."""

    station: str
    hours: Hours


@dataclass(frozen=True, slots=True)
class Bar:
    """A load: seated from `prepares` to `prepared`, burned from `begins` to `ends` (seconds as in
    `layout.shop.hours`). `name` and `note` are written into it where there is room, `title` says everything.
    `late` counts the jobs in it that are done after their ship-by time."""

    station: str
    name: str
    note: str
    title: str
    prepares: float
    prepared: float
    begins: float
    ends: float
    late: int = 0
    in_hand: bool = False
    href: str | None = None


@dataclass(frozen=True, slots=True)
class TimelineWords:
    """What is written on the picture; `day` names a day by its number (0 is the plan's Monday)."""

    day: Callable[[int], str]
    title: str = "Plan"
    note: str = ""
    now: str = "now"
    burning: str = "burning"
    preparing: str = "being seated"
    in_hand: str = "in hand"
    late: str = "late"
    closed: str = "closed"
    nothing: str = "Nothing is planned."


@dataclass(frozen=True, slots=True)
class _Looks:
    """Hatched fills, made once for a chart."""

    closed: str
    late: str


def draw_timeline(
    lanes: Sequence[Lane],
    bars: Sequence[Bar],
    *,
    now: float,
    words: TimelineWords,
    most_open_s: float = USUAL_S,
) -> str:
    """Stations by time as SVG text, from now on: `most_open_s` seconds of open time, or as far as the bars
    reach if that is less."""
    axis = _axis(lanes, bars, now, most_open_s)
    height = _HEAD + _LANE * max(1, len(lanes)) + _FOOT
    chart = new_chart(
        "timeline",
        height,
        title=words.title,
        description=" ".join([words.note, *(bar.title for bar in bars if bar.begins < axis.ends)]),
        has_links=any(bar.href for bar in bars),
    )
    looks = _Looks(
        closed=chart.hatch("closed", ground=PALLET, ink="#c3c9c8", angle_deg=45, distance=12, width=2.5),
        late=chart.hatch("late", ground=RUST, ink="#7c2c17", angle_deg=-45, distance=14, width=5),
    )
    chart.text(words.title, 30, 56, LARGE, font_weight="bold")
    beside = 60 + width_of(words.title, LARGE, bold=True)
    chart.text(words.note, beside, 56, fitted(words.note, MEDIUM, WIDTH - 20 - beside))
    _hours(chart, axis, height - _FOOT, words)
    tops = {lane.station: _HEAD + _LANE * number for number, lane in enumerate(lanes)}
    for lane in lanes:
        _lane(chart, lane, axis, tops[lane.station], looks)
    _now(chart, axis, now, height - _FOOT, words)
    for bar in bars:
        if bar.station in tops:
            _bar(chart, bar, axis, tops[bar.station], looks)
    if not bars:
        chart.text(words.nothing, _LEFT + 20, _HEAD + 76, MEDIUM, **_halo(PAPER))
    _legend(chart, height - 30, looks, words)
    return chart.svg()


def _axis(lanes: Sequence[Lane], bars: Sequence[Bar], now: float, most_open_s: float) -> Axis:
    first = min([now, *(max(bar.begins, now - HOUR_S) for bar in bars if bar.in_hand)])
    begins = first // 1800 * 1800
    hours = [lane.hours for lane in lanes]
    last = max((bar.ends for bar in bars), default=begins)
    needed = max(
        (sum(b - a for a, b in open_spans(station_hours, begins, last)) for station_hours in hours),
        default=0.0,
    )
    open_s = min(max(needed + HOUR_S / 4, SHORTEST_S), most_open_s)
    return new_axis(hours, begins=begins, open_s=open_s, x0=_LEFT, x1=_RIGHT)


def _hours(chart: Chart, axis: Axis, bottom: float, words: TimelineWords) -> None:
    """Full hours as lines with their times, and the days' names above them."""
    free = day_free = _LEFT - 60
    for piece in axis.pieces:
        if piece.is_shrunk:
            continue
        for day in range(int(piece.begins // DAY_S), int(-(-piece.ends // DAY_S))):
            x = axis.x(max(piece.begins, day * DAY_S))
            name = words.day(day)
            if day * DAY_S >= piece.begins - DAY_S and x >= day_free and _is_first(axis, piece.begins, day):
                width = width_of(name, MEDIUM, bold=True)
                x = min(x, _RIGHT - width)
                chart.text(name, x, 110, MEDIUM, font_weight="bold")
                day_free = x + width + 20
    edges = [piece.begins for piece in axis.pieces if not piece.is_shrunk]
    for moment in sorted({*axis.full_hours(), *edges[1:]}):
        x = axis.x(moment)
        if moment % HOUR_S == 0:
            chart.line(x, _HEAD - 10, x, bottom, stroke_opacity=0.5)
        half = 1.45 * SMALL  # of five characters, a colon among them
        if x - half >= free and x + half <= WIDTH - 4:
            chart.text(clock_time(moment), x, _HEAD - 18, SMALL, text_anchor="middle")
            free = x + half + 2


def _is_first(axis: Axis, begins: float, day: int) -> bool:
    """Whether no earlier piece shows something of that day."""
    return not any(
        not piece.is_shrunk and piece.begins < begins and piece.ends > day * DAY_S for piece in axis.pieces
    )


def clock_time(moment: float) -> str:
    """
    >>> clock_time(26 * 3600 + 90)
    '02:01'
    """
    minutes = int(moment % DAY_S // 60)
    return f"{minutes // 60:02}:{minutes % 60:02}"


def _lane(chart: Chart, lane: Lane, axis: Axis, y: float, looks: _Looks) -> None:
    for begins, ends in closed_spans(lane.hours, axis.begins, axis.ends):
        chart.box(axis.x(begins), y, axis.x(ends), y + _LANE - 10, fill=looks.closed)
    chart.line(20, y - 5, _RIGHT, y - 5, stroke=FAINT)
    size = fitted(lane.station, LARGE, _LEFT - 50, bold=True)
    chart.text(lane.station, 30, y + 76, size, font_weight="bold")


def _bar(chart: Chart, bar: Bar, axis: Axis, y: float, looks: _Looks) -> None:
    if bar.ends <= axis.begins or min(bar.prepares, bar.begins) >= axis.ends:
        return
    x0, x1 = axis.x(bar.begins), axis.x(bar.ends)
    x1 = x1 if x1 == x0 else max(x1, x0 + _NARROWEST)
    wide = x1 - x0 >= _NARROWEST_LINK
    part = chart.group(bar.title, bar.href if wide else None)
    if bar.prepared > bar.prepares:
        chart.box(
            axis.x(bar.prepares),
            y + _PREPARING[0],
            axis.x(bar.prepared),
            y + _PREPARING[1],
            into=part,
            fill=METAL,
            stroke=INK,
            stroke_width=2,
        )
    if x1 <= x0:
        return
    fill = looks.late if bar.late else INK if bar.in_hand else PETROL
    chart.box(
        x0, y + _BURNING[0], x1, y + _BURNING[1], into=part, fill=fill, stroke=PAPER, stroke_width=3, rx=6
    )
    if bar.in_hand and bar.late:
        chart.box(x0 + 5, y + _BURNING[0] + 5, x1 - 5, y + _BURNING[0] + 13, into=part, fill=INK)
    name = f"{bar.name} !" if bar.late else bar.name
    style = {"fill": "#ffffff", "font_weight": "bold", **(_halo(RUST) if bar.late else {})}
    room = x1 - x0 - 8
    if width_of(bar.note, SMALL, bold=True) <= room - 8:
        chart.text(name, x0 + 9, y + 60, LARGE, into=part, **style)
        chart.text(bar.note, x0 + 9, y + 94, SMALL, into=part, **style)
        return
    for label, size in ((name, LARGE), (name, MEDIUM), (name, SMALL), ("!" if bar.late else "", MEDIUM)):
        if label and width_of(label, size, bold=True) <= room:
            chart.text(label, (x0 + x1) / 2, y + 74, size, into=part, text_anchor="middle", **style)
            return


def _halo(colour: str) -> dict[str, Any]:
    """Keeps letters apart from a hatch behind them."""
    return {"stroke": colour, "stroke_width": 7, "paint_order": "stroke", "stroke_linejoin": "round"}


def _now(chart: Chart, axis: Axis, now: float, bottom: float, words: TimelineWords) -> None:
    x = axis.x(now)
    chart.line(x, _HEAD - 8, x, bottom, stroke=INK, stroke_width=4)
    label = f"{words.now} {clock_time(now)}"
    width = width_of(label, SMALL, bold=True) + 16
    left = min(max(x - width / 2, _LEFT - 90), WIDTH - width - 6)
    chart.box(left, bottom - 8, left + width, bottom + 32, fill=INK, rx=6)
    chart.text(label, left + 8, bottom + 21, SMALL, fill="#ffffff", font_weight="bold")


def _legend(chart: Chart, y: float, looks: _Looks, words: TimelineWords) -> None:
    x = 30.0
    for fill, label in (
        (PETROL, words.burning),
        (METAL, words.preparing),
        (INK, words.in_hand),
        (looks.late, f"{words.late} (!)"),
        (looks.closed, words.closed),
    ):
        chart.box(x, y - 22, x + 46, y + 4, fill=fill, stroke=INK, stroke_width=1.5)
        chart.text(label, x + 58, y, SMALL)
        x += 58 + width_of(label, SMALL) + 34
