"""Figures of days or weeks as columns side by side, on an axis that begins at nought and names its unit.

Values in, SVG text out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

from layout.pictures.chart import LARGE, MEDIUM, SMALL, WIDTH, Chart, fitted, new_chart, width_of
from layout.pictures.sheet import FAINT, INK, METAL, PETROL, RUST

_LEFT, _RIGHT = 150.0, WIDTH - 30.0
_TOP, _BOTTOM, _HEIGHT = 150.0, 520.0, 640.0
#: Of what a period has of the axis, the part that its columns fill.
_FILLED = 0.76
#: Columns narrower than this have no figure over them.
_NARROWEST_FIGURE = 40.0


@dataclass(frozen=True, slots=True)
class Period:
    """A day, a week or a step: its name, and a value of each series; None: there is none."""

    name: str
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class ColumnWords:
    """`unit` stands over the axis, `series` in the legend; `nothing` where no period has a value."""

    title: str
    unit: str
    series: tuple[str, ...]
    nothing: str


def draw_columns(
    name: str, periods: Sequence[Period], *, words: ColumnWords, most: float | None = None
) -> str:
    """The periods in their order as SVG text; the axis ends at `most`, or where the largest value fits. Up to
    three series."""
    chart = new_chart(name, _HEIGHT, title=words.title, description=_said(periods, words))
    chart.text(words.title, 30, 58, fitted(words.title, LARGE, WIDTH - 60, bold=True), font_weight="bold")
    hatched = chart.hatch("second", ground=METAL, ink=INK, angle_deg=45, distance=12, width=4)
    fills = (PETROL, hatched, RUST)
    _legend(chart, words, fills)
    values = [value for period in periods for value in period.values if value is not None]
    if not values:
        chart.text(words.nothing, _LEFT, (_TOP + _BOTTOM) / 2, MEDIUM)
        return chart.svg()
    step = _step(max([*values, most or 0.0]))
    if all(value == round(value) for value in values):
        step = max(1.0, step)  # nobody releases half a unit
    top = step * max(1, ceil((max(values) if most is None else most) / step - 1e-9))
    _axis(chart, words.unit, step, top)
    room = (_RIGHT - _LEFT) / len(periods)
    every = ceil(width_of(max((period.name for period in periods), key=len), SMALL) / (room * 0.95))
    for number, period in enumerate(periods):
        x = _LEFT + room * number
        _columns(chart, period, x + room * (1 - _FILLED) / 2, room * _FILLED, top, fills)
        if number % every == 0:
            chart.text(period.name, x + room / 2, _BOTTOM + 40, SMALL, text_anchor="middle")
    return chart.svg()


def _columns(chart: Chart, period: Period, x: float, width: float, top: float, fills: Sequence[str]) -> None:
    each = width / max(1, len(period.values))
    part = chart.group(f"{period.name}: {', '.join(_figure(value) for value in period.values)}")
    for number, value in enumerate(period.values):
        if value is None:
            continue
        left, y = x + each * number, _BOTTOM - (_BOTTOM - _TOP) * min(1.0, value / top)
        chart.box(left, y, left + each * 0.94, _BOTTOM, into=part, fill=fills[number], stroke=INK)
        if each >= _NARROWEST_FIGURE:
            size = fitted(_figure(value), SMALL, each * 1.1, bold=True)
            chart.text(
                _figure(value),
                left + each * 0.47,
                y - 8,
                size,
                into=part,
                text_anchor="middle",
                font_weight="bold",
            )


def _axis(chart: Chart, unit: str, step: float, top: float) -> None:
    chart.text(unit, _LEFT, _TOP - 44, SMALL)
    for number in range(round(top / step) + 1):
        value = number * step
        y = _BOTTOM - (_BOTTOM - _TOP) * value / top
        chart.line(_LEFT, y, _RIGHT, y, stroke=INK if number == 0 else FAINT)
        label = f"{value:.{max(0, -floor(log10(step) + 1e-9))}f}"
        chart.text(label, _LEFT - 14, y + 9, SMALL, text_anchor="end")


def _legend(chart: Chart, words: ColumnWords, fills: Sequence[str]) -> None:
    if len(words.series) < 2:
        return
    x, y = 30.0, _HEIGHT - 26
    for fill, label in zip(fills, words.series, strict=False):
        chart.box(x, y - 22, x + 46, y + 4, fill=fill, stroke=INK, stroke_width=1.5)
        chart.text(label, x + 58, y, SMALL)
        x += 58 + width_of(label, SMALL) + 34


def _step(most: float) -> float:
    """A round distance between lines, so that there are four to ten of them.

    >>> _step(7), _step(42), _step(100), _step(0.3)
    (1.0, 10.0, 20.0, 0.05)
    """
    if most <= 0:
        return 1.0
    ten = 10.0 ** floor(log10(most / 4))
    return next((times * ten for times in (1.0, 2.0, 5.0) if most / (times * ten) <= 9), 10.0 * ten)


def _figure(value: float | None) -> str:
    if value is None:
        return "–"
    if value >= 100 or value == round(value):
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 1 else f"{value:.2g}"


def _said(periods: Sequence[Period], words: ColumnWords) -> str:
    """All of it for whoever can't see it."""
    return " ".join(
        f"{period.name}: "
        + ", ".join(
            f"{label} {_figure(value)}" for label, value in zip(words.series, period.values, strict=True)
        )
        + "."
        for period in periods
    )
