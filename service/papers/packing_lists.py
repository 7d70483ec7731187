"""The packing list of an order: what is engraved on each unit, the gift note, what goes in besides.

Marks are drawn from the frozen outlines, so that they can be compared with the metal. Its code ends the order
when packing scans it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics

from layout.shop.loads import Mark
from service.papers import texts
from service.papers.page import MARGIN, PLAIN, cut, draw_code, draw_outline, fitted, paper, write
from service.papers.voice import Voice


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is printed."""
    return message


_LIST = _("Packing list")
_LINE, _BUYER, _GIFT_NOTE = _("line"), _("Buyer"), _("Gift note")
_PUT_IN = _("Goes in besides")
_ELSEWHERE = _("It is in letters that can't be printed here: read it on the packing page.")
_ERASED = _("Words and names of this order were erased; nothing can be compared.")
_PLAIN_UNIT = _("nothing engraved")
_WIDTH, _HEIGHT = A4
_WIDE = _WIDTH - 2 * MARGIN
_BOTTOM = 16 * mm
_MARK = 15 * mm
_NAMES = 34 * mm
_TICK = 6 * mm
_A_ROW = 6


@dataclass(frozen=True, slots=True)
class PackedLine:
    """Units of an order that are alike: their labels, and the marks that each of them bears."""

    line_ref: str
    product: str
    units: tuple[str, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class Parcel:
    """What a packing list says. `leaves_by` is the carrier's cut-off, `zone` the shop's time zone."""

    order: str
    order_ref: str
    buyer: str
    gift_note: str
    is_erased: bool
    leaves_by: datetime | None
    zone: str
    lines: tuple[PackedLine, ...]
    inserts: tuple[str, ...]


def packing_list(parcel: Parcel, voice: Voice) -> bytes:
    """As many pages as it takes, A4; the code stands on each."""
    page, data = paper(A4, f"{voice.say(_LIST)} {parcel.order_ref}")
    top = _head(page, parcel, voice)
    for height, draw in _parts(page, parcel, voice):
        if top - height < _BOTTOM:
            page.showPage()
            top = _head(page, parcel, voice)
        draw(top)
        top -= height
    page.showPage()
    page.save()
    return data.getvalue()


#: A height in points, and what draws the part at its top.
_Part = tuple[float, Callable[[float], None]]


def _head(page: Any, parcel: Parcel, voice: Voice) -> float:
    """What the list is of, and its code; returns where the rest begins."""
    top = _HEIGHT - MARGIN
    draw_code(page, parcel.order, x=_WIDTH - MARGIN - 22 * mm, y=top - 22 * mm, size=22 * mm)
    write(page, parcel.order, _WIDTH - MARGIN - 22 * mm, top - 27 * mm, 11, bold=True)
    write(page, voice.say(_LIST), MARGIN, top - 6 * mm, 12)
    write(page, cut(parcel.order_ref, _WIDE - 28 * mm, 22, bold=True), MARGIN, top - 15 * mm, 22, bold=True)
    said = []
    if parcel.leaves_by is not None:
        when = texts.day_and_time(parcel.leaves_by.astimezone(ZoneInfo(parcel.zone)), voice.language)
        said.append(voice.say(_("leaves by %(when)s")) % {"when": when})
    if parcel.buyer and _is_printable(parcel.buyer):
        said.append(f"{voice.say(_BUYER)}: {parcel.buyer}")
    write(page, cut(" · ".join(said), _WIDE - 28 * mm, 11), MARGIN, top - 22 * mm, 11)
    return float(top - 34 * mm)


def _parts(page: Any, parcel: Parcel, voice: Voice) -> list[_Part]:
    parts: list[_Part] = []
    if parcel.is_erased:
        parts.append(_words(page, voice.say(_ERASED)))
    for line in parcel.lines:
        parts += _line(page, line, voice, is_erased=parcel.is_erased)
    if parcel.gift_note:
        parts.append(_words(page, voice.say(_GIFT_NOTE), is_heading=True))
        note = parcel.gift_note if _is_printable(parcel.gift_note) else voice.say(_ELSEWHERE)
        parts += [_words(page, row) for row in _rows(note)]
    if parcel.inserts:
        parts.append(_words(page, voice.say(_PUT_IN), is_heading=True))
        parts += [_ticks(page, [insert]) for insert in parcel.inserts]
    return parts


def _line(page: Any, line: PackedLine, voice: Voice, *, is_erased: bool) -> list[_Part]:
    """The product and how many, each mark once, and a box to tick for each unit."""
    heading = f"{len(line.units)} × {line.product} · {voice.say(_LINE)} {line.line_ref}"
    parts = [_words(page, heading, is_heading=True)]
    if not is_erased:
        parts += [_mark(page, mark, voice) for mark in line.marks]
        if not line.marks:
            parts.append(_words(page, voice.say(_PLAIN_UNIT)))
    parts += [_ticks(page, line.units[at : at + _A_ROW]) for at in range(0, len(line.units), _A_ROW)]
    return parts


def _mark(page: Any, mark: Mark, voice: Voice) -> _Part:
    def draw(top: float) -> None:
        write(page, cut(voice.face(mark.face), _NAMES, 9), MARGIN, top - 6 * mm, 9)
        write(page, cut(mark.zone.replace("_", " "), _NAMES, 8), MARGIN, top - 10 * mm, 8)
        window = fitted(
            mark.outline.bounds_mm,
            x=MARGIN + _NAMES,
            y=top - _MARK + 2 * mm,
            width=_WIDE - _NAMES,
            height=_MARK - 3 * mm,
            largest=2.0,
        )
        draw_outline(page, window, mark.outline)

    return _MARK, draw


def _ticks(page: Any, said: Sequence[str]) -> _Part:
    """A box to tick in front of each, side by side."""
    room = _WIDE / (_A_ROW if len(said) > 1 or said[0][1:].isdecimal() else 1)

    def draw(top: float) -> None:
        page.setLineWidth(0.8)
        for number, one in enumerate(said):
            x = MARGIN + number * room
            page.rect(x, top - 4.6 * mm, 3.4 * mm, 3.4 * mm)
            write(page, cut(one, room - 6 * mm, 11), x + 5 * mm, top - 4.4 * mm, 11)

    return _TICK, draw


def _words(page: Any, words: str, *, is_heading: bool = False) -> _Part:
    size, height = (13, 10 * mm) if is_heading else (11, 5.5 * mm)
    shown = cut(words, _WIDE, size, bold=is_heading)

    def draw(top: float) -> None:
        write(page, shown, MARGIN, top - height + 2 * mm, size, bold=is_heading)

    return height, draw


def _rows(note: str) -> list[str]:
    """What people wrote, line by line, broken where a line is full."""
    return [row for line in note.splitlines() for row in simpleSplit(line, PLAIN, 11, _WIDE) or [""]]


def _is_printable(words: str) -> bool:
    """Whether the paper's font has all its letters; a paper does no shaping, so others are not tried."""
    known = pdfmetrics.getFont(PLAIN).face.charToGlyph
    return all(ord(letter) in known for letter in words if not letter.isspace())
