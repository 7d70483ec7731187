"""The build plan on paper, for the assembly bench: what to build by when, and what there is."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from babel.dates import format_date
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.units import mm

from service.papers.page import MARGIN, cut, paper, write, write_whole
from service.papers.voice import Voice
from service.papers.words import _
from service.plan.build_plan_answers import BuildPlanAnswer

_WIDTH, _HEIGHT = landscape(A4)
_ROW, _BOTTOM = 10 * mm, 16 * mm
_NAME, _NUMBER = 82 * mm, 28 * mm


def build_plan_sheet(plan: BuildPlanAnswer, voice: Voice) -> bytes:
    """As many pages as it takes, A4 across: a row for each product that is to be built or that sells."""
    page, data = paper((_WIDTH, _HEIGHT), voice.say(_("Build plan")))
    to_build = [{one.sku: one.quantity for one in week.build} for week in plan.weeks]
    heading = [
        voice.say(_("Free")),
        voice.say(_("Wanted")),
        *(voice.say(_("by %(day)s")) % {"day": _day(week.by, voice)} for week in plan.weeks),
    ]
    rows = [
        (
            one.name,
            one.sku,
            [str(one.free), str(one.level), *(_some(week.get(one.sku, 0)) for week in to_build)],
        )
        for one in plan.products
    ]
    rows.append((voice.say(_("In all")), "", ["", "", *(_some(week.units) for week in plan.weeks)]))
    top = _head(page, plan, heading, voice)
    for name, code, cells in rows:
        if top - _ROW < _BOTTOM:
            page.showPage()
            top = _head(page, plan, heading, voice)
        _row(page, top, name, cells)
        write_whole(page, code, MARGIN, top - 3.5 * mm, _NAME - 2 * mm, 8)
        top -= _ROW
    page.showPage()
    page.save()
    return data.getvalue()


def _head(page: Any, plan: BuildPlanAnswer, heading: Sequence[str], voice: Voice) -> float:
    """The title, and the columns' names; returns where the rows begin."""
    write(page, voice.say(_("Build plan")), MARGIN, _HEIGHT - MARGIN - 6 * mm, 20, bold=True)
    said = [_day(plan.made_at.date(), voice)]
    if plan.next_release is not None:
        said.append(voice.say(_("next release %(day)s")) % {"day": _day(plan.next_release, voice)})
    write(page, " · ".join(said), MARGIN, _HEIGHT - MARGIN - 13 * mm, 11)
    top = _HEIGHT - MARGIN - 22 * mm
    _row(page, top, voice.say(_("Product")), heading, bold=True)
    return float(top - _ROW)


def _row(page: Any, top: float, name: str, cells: Sequence[str], *, bold: bool = False) -> None:
    write(page, cut(name, _NAME - 2 * mm, 11, bold=bold), MARGIN, top, 11, bold=bold)
    for number, cell in enumerate(cells):
        write(
            page,
            cut(cell, _NUMBER - 2 * mm, 11, bold=bold),
            MARGIN + _NAME + number * _NUMBER,
            top,
            11,
            bold=bold,
        )


def _some(count: int) -> str:
    return str(count) if count else "–"


def _day(day: date, voice: Voice) -> str:
    return str(format_date(day, "EEE d MMM", locale=voice.language))
