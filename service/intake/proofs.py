"""What is approved of an order, to be shown: the frozen marks of a line, face by face; the measured drawing.

Nothing is computed anew: marks are those that were frozen, in the shop as it was described then. The buyer's
picture of the same is in `service.papers.buyers_pictures`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import fontpkg
from sqlalchemy.orm import Session

from layout.pictures.buyers_picture import Engraved
from layout.pictures.proof import Note, face_svg
from layout.shop.shop import Shop
from service.intake import order_rows as rows
from service.intake import orders
from service.loads.load import mark_value
from service.records.errors import NotFound
from service.records.tables import Order, OrderLine
from service.records.who import Who
from service.requests.check_answers import stored_checked
from service.shop.tools import Tools


@dataclass(frozen=True, slots=True)
class Approved:
    """A line's face that has something approved to show: the shop as it was described then, the marks with
    their words and fonts, the stations that may burn them, and what the check had to say."""

    shop: Shop = field(repr=False)
    order_ref: str
    line_ref: str
    sku: str
    face: str
    engraved: tuple[Engraved, ...]
    stations: frozenset[str]
    notes: tuple[Note, ...]


def approved(tools: Tools, session: Session, order: Order, *, line_ref: str | None = None) -> list[Approved]:
    """Every face of an order (or of one line) that has something approved to show. Raises NotFound where
    there is nothing."""
    orders.must_have_words(order)
    lines = [orders.line_of(order, line_ref)] if line_ref else list(order.lines)
    shown = [face for line in lines for face in _faces(tools, session, order, line)]
    if not shown:
        raise NotFound("there is nothing approved to show here")
    return shown


def the_face(
    tools: Tools, session: Session, identity: str, *, line_ref: str | None, face: str | None, who: Who
) -> Approved:
    """One face of a line: the first of each where none is named. Raises NotFound."""
    order = orders.visible(session, identity, who=who)
    shown = approved(tools, session, order, line_ref=line_ref or order.lines[0].line_ref)
    named = next((one for one in shown if face in {None, one.face}), None)
    if named is None:
        raise NotFound("there is nothing approved to show here", line_ref=shown[0].line_ref)
    return named


def measured_svg(shown: Approved, *, is_captioned: bool) -> str:
    """The measured drawing of a face, for the desk; without captions only numbers are in it."""
    marks = [one.mark for one in shown.engraved]
    return face_svg(shown.shop, shown.sku, shown.face, marks, notes=shown.notes, is_captioned=is_captioned)


def picture_file(svg: str, kind: str) -> tuple[bytes, str]:
    """An SVG picture as a file of a kind, and its media type. Raises NotFound."""
    if kind == "svg":
        return svg.encode(), "image/svg+xml"
    if kind != "png":
        raise NotFound("a proof is svg or png", kind=kind)
    import resvg_py

    return bytes(resvg_py.svg_to_bytes(svg_string=svg, dpi=200, **letters())), "image/png"


def letters() -> dict[str, Any]:
    """Letters for words on a rendered picture where the machine has none of its own, as in a container."""
    family = "Atkinson Hyperlegible"
    files = [str(fontpkg.path(family, weight=weight)) for weight in (400, 700)]
    return {"font_files": files, "sans_serif_family": family}


def _faces(tools: Tools, session: Session, order: Order, line: OrderLine) -> list[Approved]:
    shop = tools.catalogue.at(session, line.catalogue_version)
    if line.sku not in shop.products:
        return []
    marks = [mark_value(mark) for mark in rows.marks(session, line.id, line.words_revision)]
    engraved = [
        Engraved(mark, checked.lines, font.name if (font := shop.fonts.get(checked.font or "")) else "")
        for mark, checked in zip(marks, map(stored_checked, line.checked), strict=False)
    ]
    stations = frozenset(station for station, *_ in line.eligible)
    signs = {"refuse": "×", "review": "?", "note": "i"}
    notes = tuple(Note(signs[finding["severity"]], finding["message"]) for finding in line.findings)
    return [
        Approved(shop, order.order_ref, line.line_ref, line.sku, face, _on(face, engraved), stations, notes)
        for face in dict.fromkeys(mark.face for mark in marks)
    ]


def _on(face: str, engraved: Sequence[Engraved]) -> tuple[Engraved, ...]:
    return tuple(one for one in engraved if one.mark.face == face)
