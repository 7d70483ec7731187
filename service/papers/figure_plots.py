"""The figures as pictures in one language."""

from __future__ import annotations

from datetime import date

from layout.pictures.columns import ColumnWords, Period, draw_columns
from service.figures.figures import FigureAnswer, FiguresAnswer
from service.figures.steps import STEPS
from service.papers.pictures import day_name
from service.papers.texts import texts_of


def names(figures: FiguresAnswer, language: str) -> dict[date, str]:
    """What each day or week is called."""
    return {one.begins: day_name(one.begins, language) for one in figures.periods}


def plots(figures: FiguresAnswer, *, language: str) -> tuple[str, ...]:
    """Units, hours, promises and seconds by step, as SVG text; days on which nothing happened are left out,
    weeks are not."""
    texts = texts_of(language)
    nothing = texts.gettext("Nothing to be seen on these days.")
    called = names(figures, language)
    shown = [
        one
        for one in figures.periods
        if figures.by == "week" or one.released or one.scrapped or one.seconds.loads
    ]

    def periods(*values: str) -> list[Period]:
        return [Period(called[one.begins], tuple(getattr(one, name) for name in values)) for one in shown]

    units = ColumnWords(
        texts.gettext("Units released and scrapped"),
        texts.gettext("units"),
        (texts.gettext("released"), texts.gettext("scrapped")),
        nothing,
    )
    hours = ColumnWords(
        texts.gettext("From order to release"),
        texts.gettext("hours"),
        (texts.gettext("half of the units"), texts.gettext("nine of ten units")),
        nothing,
    )
    kept = ColumnWords(
        texts.gettext("Promises kept"),
        texts.gettext("% of the units released"),
        (texts.gettext("by the time promised last"), texts.gettext("by the ship-by time")),
        nothing,
    )
    seconds = ColumnWords(
        texts.gettext("Seconds per unit, by step"),
        texts.gettext("seconds, of the median load"),
        (texts.gettext("seconds"),),
        nothing,
    )
    steps = (
        texts.gettext("pull"),
        texts.gettext("seat"),
        texts.gettext("burn"),
        texts.gettext("inspect"),
        texts.gettext("box"),
    )
    return (
        draw_columns("units", periods("released", "scrapped"), words=units),
        draw_columns("hours", periods("hours_median", "hours_90"), words=hours),
        draw_columns("kept", periods("kept_percent", "in_time_percent"), most=100.0, words=kept),
        draw_columns("steps", _steps(figures.whole, steps), words=seconds),
    )


def _steps(whole: FigureAnswer, called: tuple[str, ...]) -> list[Period]:
    return [Period(name, (getattr(whole.seconds, step),)) for step, name in zip(STEPS, called, strict=True)]
