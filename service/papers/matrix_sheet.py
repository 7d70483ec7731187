"""What to set at the laser for each square of a matrix card, on paper: no burn file holds power or speed."""

from __future__ import annotations

from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm

from service.papers.page import MARGIN, cut, paper, write
from service.papers.voice import Voice
from service.papers.words import _
from service.proving.matrix_answers import CellAnswer, MatrixCardAnswer

_WIDTH, _HEIGHT = A4
_ROW, _BOTTOM = 6.2 * mm, 44 * mm
_COLUMNS_MM = (0, 8, 40, 62, 86, 110, 136, 158)
_CAUTIONS = (
    _("On scrap of this very material and finish, flat, in the middle of the field, at the station's focus."),
    _("Class 4 laser: enclosure closed and interlocked, fume extraction on, somebody there the whole time."),
    _("From the gentlest square to the strongest: stop at the first that smokes, sparks or melts."),
    _("The maker's manual, your local rules and your laser safety officer come before this paper."),
)


def matrix_sheet(card: MatrixCardAnswer, voice: Voice) -> bytes:
    """As many pages as it takes, A4: a row for each layer, in the order in which they burn."""
    page, data = paper(A4, voice.say(_("Settings of a matrix card")))
    top = _head(page, card, voice)
    for cell in (card.labels, *card.cells):
        if top - _ROW < _BOTTOM:
            _foot(page, voice)
            page.showPage()
            top = _head(page, card, voice)
        _row(page, top, cell, voice)
        top -= _ROW
    _foot(page, voice)
    page.showPage()
    page.save()
    return data.getvalue()


def _head(page: Any, card: MatrixCardAnswer, voice: Voice) -> float:
    """The title, and the columns' names; returns where the rows begin."""
    top = _HEIGHT - MARGIN - 6 * mm
    write(page, voice.say(_("Settings of a matrix card")), MARGIN, top, 18, bold=True)
    said = f"{card.station} · {card.material}, {card.finish} · MATRIX-{card.station}-{card.code}"
    write(page, cut(said, _WIDTH - 2 * MARGIN, 11), MARGIN, top - 7 * mm, 11)
    width, height = (voice.number(side, "0") for side in card.size_mm)
    scrap = voice.say(_("Scrap of at least %(width)s × %(height)s mm")) % {"width": width, "height": height}
    write(page, scrap, MARGIN, top - 13 * mm, 11)
    names = (
        "",
        voice.say(_("Layer")),
        _with(voice.say(_("Power")), "%"),
        _with(voice.say(_("Speed")), "mm/s"),
        _with(voice.say(_("Frequency")), "kHz"),
        _with(voice.say(_("Rows")), "mm"),
        voice.say(_("Repeats")),
        voice.say(_("Dose")),
    )
    _cells(page, top - 23 * mm, names, bold=True)
    return float(top - 23 * mm - _ROW)


def _with(name: str, unit: str) -> str:
    return f"{name}, {unit}"


def _row(page: Any, top: float, cell: CellAnswer, voice: Voice) -> None:
    page.setFillColor(HexColor(cell.colour))
    page.rect(MARGIN, top - 0.8 * mm, 5 * mm, 4 * mm, stroke=0, fill=1)
    _cells(
        page,
        top,
        (
            "",
            cell.layer,
            voice.number(cell.power_percent, "0.###"),
            voice.number(cell.speed_mm_s, "0.###"),
            "–" if cell.frequency_khz is None else voice.number(cell.frequency_khz, "0.###"),
            voice.number(cell.spacing_mm, "0.####"),
            str(cell.repeats),
            f"× {voice.number(cell.dose, '0.##')}",
        ),
    )


def _cells(page: Any, top: float, texts: tuple[str, ...], *, bold: bool = False) -> None:
    ends = (*_COLUMNS_MM[1:], (_WIDTH - 2 * MARGIN) / mm)
    for text, at, end in zip(texts, _COLUMNS_MM, ends, strict=True):
        write(page, cut(text, (end - at - 1) * mm, 10, bold=bold), MARGIN + at * mm, top, 10, bold=bold)


def _foot(page: Any, voice: Voice) -> None:
    for line, text in enumerate(_CAUTIONS):
        write(page, cut(voice.say(text), _WIDTH - 2 * MARGIN, 9.5), MARGIN, 32 * mm - line * 5 * mm, 9.5)
