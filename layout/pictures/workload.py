"""The backlog as a picture: for each ship-by day the hours of work beside the hours that the stations are
open, how much of it will be late, and whether the day has far more work than usual.

Values in, SVG text out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from layout.pictures.chart import LARGE, MEDIUM, SMALL, WIDTH, Chart, fitted, new_chart, width_of
from layout.pictures.sheet import FAINT, INK, METAL, PAPER, PETROL, RUST

_LEFT, _RIGHT, _FIGURES = 270.0, 1010.0, 1036.0
_HEAD, _ROW, _FOOT = 92.0, 98.0, 72.0


@dataclass(frozen=True, slots=True)
class DayBar:
    """A ship-by day: hours of work (those that will be late among them), hours open; `figures` is written
    beside the bar, `remark` below it, both in words."""

    name: str
    hours: float
    late_hours: float
    open_hours: float
    figures: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class WorkloadWords:
    title: str = "Backlog by ship-by day"
    work: str = "hours of work"
    late: str = "late"
    open: str = "hours open that day"
    nothing: str = "Nothing waits."


def draw_workload(days: Sequence[DayBar], *, words: WorkloadWords) -> str:
    """One row a day, the next day first, as SVG text."""
    height = _HEAD + _ROW * max(1, len(days)) + _FOOT
    chart = new_chart(
        "workload",
        height,
        title=words.title,
        description=" ".join(f"{day.name}: {day.figures}. {day.remark}".strip() for day in days),
    )
    late = chart.hatch("late", ground=RUST, ink="#7c2c17", angle_deg=-45, distance=14, width=5)
    chart.text(words.title, 30, 58, LARGE, font_weight="bold")
    most = max([1.0, *(day.hours for day in days), *(day.open_hours for day in days)])
    for number, day in enumerate(days):
        _day(chart, day, _HEAD + _ROW * number, (_RIGHT - _LEFT) / most, late)
    if not days:
        chart.text(words.nothing, 30, _HEAD + 50, MEDIUM)
    _legend(chart, height - 22, late, words)
    return chart.svg()


def _day(chart: Chart, day: DayBar, y: float, scale: float, late: str) -> None:
    chart.line(30, y, WIDTH - 30, y, stroke=FAINT, stroke_opacity=0.6)
    chart.text(day.name, 30, y + 60, fitted(day.name, MEDIUM, _LEFT - 50, bold=True), font_weight="bold")
    part = chart.group(f"{day.name}: {day.figures} {day.remark}".strip())
    chart.box(
        _LEFT,
        y + 12,
        _LEFT + scale * day.open_hours,
        y + 86,
        into=part,
        fill=METAL,
        stroke=INK,
        stroke_width=2,
        stroke_dasharray="10 6",
    )
    split = _LEFT + scale * (day.hours - day.late_hours)
    if split > _LEFT:
        chart.box(_LEFT, y + 27, max(split, _LEFT + 3), y + 71, into=part, fill=PETROL)
    if day.late_hours > 0:
        end = max(split + 6, split + scale * day.late_hours)
        chart.box(split, y + 27, end, y + 71, into=part, fill=late, stroke=PAPER, stroke_width=1.5)
    room = WIDTH - 30 - _FIGURES
    size = fitted(day.figures, MEDIUM, room, bold=True)
    chart.text(day.figures, _FIGURES, y + (44 if day.remark else 60), size, font_weight="bold")
    if day.remark:
        size = fitted(day.remark, SMALL, room, bold=True)
        chart.text(day.remark, _FIGURES, y + 82, size, fill=RUST, font_weight="bold")


def _legend(chart: Chart, y: float, late: str, words: WorkloadWords) -> None:
    x = 30.0
    for fill, label in ((PETROL, words.work), (late, f"{words.late} (!)"), (METAL, words.open)):
        chart.box(x, y - 22, x + 46, y + 4, fill=fill, stroke=INK, stroke_width=1.5)
        chart.text(label, x + 58, y, SMALL)
        x += 58 + width_of(label, SMALL) + 34
