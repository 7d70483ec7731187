"""Labels for units, and the proof at true size.

Words are drawn from the frozen outlines: what is printed is what is burned, in any script. Same
load, same revision, same language: same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import shapely
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.units import mm

from layout.shop.blades import Face, Product
from layout.shop.loads import LoadLayout, SlotFill
from service.intake.proofs import Approved
from service.loads.load_answers import LoadAnswer, SlotAnswer
from service.papers.page import (
    BOLD,
    MARGIN,
    METAL,
    PALE,
    RUST,
    WOOD,
    Window,
    cut,
    draw_code,
    draw_outline,
    draw_polygon,
    fitted,
    paper,
    write,
)
from service.papers.voice import Voice

LABEL_MM = (62.0, 29.0)


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is printed."""
    return message


_SLOT = _("slot")
_NO_NUMBERED_UNIT = _("no numbered unit")
_LINE = _("line")
_GIFT_NOTE = _("Gift note")
_TRUE = _("true size when printed at 100 %")


def unit_labels(products: Mapping[str, Product], layout: LoadLayout, load: LoadAnswer, voice: Voice) -> bytes:
    """One label a unit, 62 x 29 mm: its identity as Data Matrix and in letters, slot, order, product, words,
    and whether a gift note goes into its box."""
    width, height = LABEL_MM[0] * mm, LABEL_MM[1] * mm
    page, data = paper((width, height), f"{load.id}")
    units: dict[str, tuple[SlotFill, SlotAnswer]] = {}
    for turn, values in zip(load.turns, layout.turns, strict=True):
        for slot, fill in zip(turn.slots, values.fills, strict=True):
            if slot.job is not None:
                units.setdefault(slot.job, (fill, slot))
    for job, (fill, slot) in units.items():
        draw_code(page, job, x=3 * mm, y=10 * mm, size=16 * mm)
        write(page, job, 22 * mm, 21 * mm, 20, bold=True)
        write(page, f"{voice.say(_SLOT)} {slot.slot} · {load.id}", 22 * mm, 16.6 * mm, 10, bold=True)
        name = products[slot.sku].name if slot.sku in products else slot.sku
        write(page, cut(slot.order_ref or "", 38 * mm, 7.5), 22 * mm, 13.2 * mm, 7.5)
        write(page, cut(name, 38 * mm, 7), 22 * mm, 10 * mm, 7)
        if slot.gift_note:
            said = voice.say(_GIFT_NOTE)
            wide = page.stringWidth(said, BOLD, 8)
            page.rect(width - wide - 5 * mm, 23.8 * mm, wide + 2 * mm, 4 * mm)
            write(page, said, width - wide - 4 * mm, 24.9 * mm, 8, bold=True)
        for mark in fill.marks[:1]:
            window = fitted(
                mark.outline.bounds_mm, x=3 * mm, y=1.5 * mm, width=width - 6 * mm, height=7.5 * mm
            )
            draw_outline(page, window, mark.outline)
        page.showPage()
    if not units:
        write(page, f"{load.id}: {voice.say(_NO_NUMBERED_UNIT)}", 3 * mm, 12 * mm, 9)
        page.showPage()
    page.save()
    return data.getvalue()


def proof_sheet(faces: Sequence[Approved], voice: Voice) -> bytes:
    """The measured drawing: a page a face, at true size where it fits the paper, with its marks and their
    sizes."""
    width, height = landscape(A4)
    title = voice.say(_("Proof of order %(ref)s")) % {"ref": faces[0].order_ref}
    page, data = paper((width, height), title)
    for shown in faces:
        product = shown.shop.products[shown.sku]
        face = shown.shop.blades[product.blade].face(shown.face)
        line, marks = shown.line_ref, [one.mark for one in shown.engraved]
        write(page, title, MARGIN, height - MARGIN - 6 * mm, 18, bold=True)
        write(
            page,
            f"{voice.say(_LINE)} {line} · {product.name} · {voice.face(face.face)}",
            MARGIN,
            height - MARGIN - 13 * mm,
            11,
        )
        body = face.body or face.silhouette
        box = shapely.union_all([body, face.silhouette]).bounds
        window = fitted(box, x=MARGIN, y=50 * mm, width=width - 2 * MARGIN, height=height - 90 * mm)
        _face(page, window, face)
        for mark in marks:
            draw_outline(page, window, mark.outline)
        _scale(page, window, voice)
        for number, mark in enumerate(marks):
            x0, y0, x1, y1 = mark.outline.bounds_mm
            size = f"{mark.zone.replace('_', ' ')}: {voice.number(x1 - x0)} × {voice.number(y1 - y0)} mm"
            write(page, size, MARGIN, (36 - 5 * number) * mm, 10)
            if (
                number == 0 and window.scale < 1
            ):  # the face was too long for the paper: the mark itself is not
                close_x = width - MARGIN - 120 * mm
                close = fitted(
                    mark.outline.bounds_mm,
                    x=close_x,
                    y=8 * mm,
                    width=120 * mm,
                    height=38 * mm,
                )
                draw_outline(page, close, mark.outline)
                true_size = voice.say(_TRUE if close.scale == 1 else _("enlarged or reduced"))
                write(page, f"{mark.zone.replace('_', ' ')}, {true_size}", close_x, 48 * mm, 8)
        write(
            page,
            voice.say(_("A picture of what will be burned, not a file for burning.")),
            MARGIN,
            10 * mm,
            8,
        )
        page.showPage()
    page.save()
    return data.getvalue()


def _face(page: Any, window: Window, face: Face) -> None:
    if face.body is not None:
        draw_polygon(page, window, face.body, fill=WOOD)
    draw_polygon(page, window, face.silhouette, fill=METAL)
    for keep_out in face.keep_outs:
        for part in shapely.get_parts(keep_out.polygon.intersection(face.silhouette)):
            if part.geom_type == "Polygon":
                draw_polygon(page, window, part, stroke=RUST, width=0.4, dash=(1, 1.5))
    for zone in face.zones:
        for part in shapely.get_parts(zone.polygon.intersection(face.silhouette)):
            if part.geom_type == "Polygon":
                draw_polygon(page, window, part, stroke=PALE, width=0.5, dash=(4, 2))


def _scale(page: Any, window: Window, voice: Voice) -> None:
    """A bar of 50 mm on the metal, and whether the print is at true size."""
    x, y, length = MARGIN, 43 * mm, 50 * mm * window.scale
    page.setLineWidth(1)
    page.line(x, y, x + length, y)
    for end in (x, x + length):
        page.line(end, y - 3, end, y + 3)
    is_true = abs(window.scale - 1) < 1e-9
    drawn = voice.say(_("drawn at %(percent)s %%")) % {"percent": voice.number(window.scale * 100, "0")}
    note = f"50 mm; {voice.say(_TRUE) if is_true else drawn}"
    write(page, note, x + length + 8, y - 3, 8)
