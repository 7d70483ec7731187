"""Papers that go with a load and an order: the load sheet, labels for its units, the proof at true size.

Words are drawn from the frozen outlines themselves: what is printed is what is burned, in any script. Same
load, same revision, same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

import fontpkg
import numpy as np
import shapely
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from layout.parts import Face, LoadLayout, Mark, Product, Shop, SlotFill
from layout.register import place_points, to_station
from service.sheets import (
    INK,
    METAL,
    PALE,
    RUST,
    WOOD,
    Window,
    draw_code,
    draw_outline,
    draw_polygon,
    draw_rings,
    fitted,
)

PLAIN, BOLD = "Ricasso", "Ricasso-Bold"
MARGIN = 14 * mm
LABEL_MM = (62.0, 29.0)
CAUTIONS = (
    "Class 4 laser: enclosure closed and interlocked; opened only by trained people, with eyewear for it.",
    "Fume extraction on before the start. Never burn a plastic or coating whose composition nobody knows.",
    "Blades are sharp: gloves, edge away from you. Solvent only away from beam, sparks and hot metal.",
    "The maker's manual, local rules and the laser safety officer come before this sheet.",
)


def load_sheet(shop: Shop, layout: LoadLayout, load: Mapping[str, Any]) -> bytes:
    """A page a turn: plate picture, slots with their words, focus, file, pull list, cautions, code to scan.

    `load` is the load as its route answers it.
    """
    page, data = _paper(landscape(A4), f"{load['id']} revision {load['revision']}")
    for turn in load["turns"]:
        fills = {fill.slot: fill for fill in next(t for t in layout.turns if t.turn == turn["turn"]).fills}
        width, height = landscape(A4)
        top = height - MARGIN
        draw_code(page, str(load["id"]), x=width - MARGIN - 18 * mm, y=top - 18 * mm, size=18 * mm)
        _say(
            page,
            f"Load {load['id']} · {load['copy']} · {load['station']}",
            MARGIN,
            top - 8 * mm,
            20,
            bold=True,
        )
        said = (
            f"turn {turn['turn']} of {len(load['turns'])} · revision {load['revision']} · "
            f"{load['operator']} · focus {turn['focus_mm']:.1f} mm · file {turn['file'] or 'none'}"
        )
        _say(page, said, MARGIN, top - 15 * mm, 10)
        frame = (MARGIN, height - 122 * mm, width - 2 * MARGIN, 88 * mm)
        _plate(page, shop, layout, fills, frame)
        _slot_table(page, turn["slots"], fills, y=height - 128 * mm)
        if turn["turn"] == 1:
            _pulls(page, load["pulls"], shop.products, y=height - 128 * mm)
        for number, line in enumerate(reversed(CAUTIONS)):
            _say(
                page,
                ("! " if number == len(CAUTIONS) - 1 else "  ") + line,
                MARGIN,
                9 * mm + number * 3.6 * mm,
                7.5,
            )
        page.showPage()
    page.save()
    return data.getvalue()


def unit_labels(layout: LoadLayout, load: Mapping[str, Any]) -> bytes:
    """One label a unit, 62 x 29 mm: its identity as Data Matrix and in letters, slot, order, words."""
    width, height = LABEL_MM[0] * mm, LABEL_MM[1] * mm
    page, data = _paper((width, height), f"labels of {load['id']}")
    seen: dict[str, tuple[SlotFill, Mapping[str, Any]]] = {}
    for turn, values in zip(load["turns"], layout.turns, strict=True):
        for slot, fill in zip(turn["slots"], values.fills, strict=True):
            if slot.get("job"):
                seen.setdefault(slot["job"], (fill, slot))
    for job, (fill, slot) in seen.items():
        draw_code(page, job, x=3 * mm, y=10 * mm, size=16 * mm)
        _say(page, job, 22 * mm, 20.5 * mm, 20, bold=True)
        _say(page, f"slot {slot['slot']} · {load['id']}", 22 * mm, 15.5 * mm, 10, bold=True)
        _say(page, _short(f"{slot.get('order_ref', '')} · {slot['sku']}", 34), 22 * mm, 11.5 * mm, 7.5)
        for mark in fill.marks[:1]:
            window = fitted(
                mark.outline.bounds_mm, x=3 * mm, y=1.5 * mm, width=width - 6 * mm, height=7.5 * mm
            )
            draw_outline(page, window, mark.outline)
        page.showPage()
    if not seen:
        _say(page, f"{load['id']}: no numbered unit", 3 * mm, 12 * mm, 9)
        page.showPage()
    page.save()
    return data.getvalue()


def proof_sheet(pages: Sequence[tuple[str, Product, Face, Sequence[Mark]]], *, title: str) -> bytes:
    """A page a face, the face at true size where it fits the paper, with its marks and their sizes.

    `pages`: (line, product, face, marks).
    """
    width, height = landscape(A4)
    page, data = _paper((width, height), title)
    for line, product, face, marks in pages:
        _say(page, title, MARGIN, height - MARGIN - 6 * mm, 18, bold=True)
        _say(
            page,
            f"line {line} · {product.name} · {face.face.replace('_', ' ')}",
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
        _scale(page, window)
        for number, mark in enumerate(marks):
            x0, y0, x1, y1 = mark.outline.bounds_mm
            said = f"{mark.zone.replace('_', ' ')}: {x1 - x0:.1f} x {y1 - y0:.1f} mm"
            _say(page, said, MARGIN, (36 - 5 * number) * mm, 10)
            if (
                number == 0 and window.scale < 1
            ):  # the face was too long for the paper: the mark itself is not
                close = fitted(
                    mark.outline.bounds_mm,
                    x=width - MARGIN - 120 * mm,
                    y=8 * mm,
                    width=120 * mm,
                    height=38 * mm,
                )
                draw_outline(page, close, mark.outline)
                true_size = "true size when printed at 100 %" if close.scale == 1 else "enlarged or reduced"
                _say(page, f"{mark.zone.replace('_', ' ')}, {true_size}", MARGIN, 20 * mm, 8)
        _say(page, "A picture of what will be burned, not a file for burning.",
             MARGIN, 10 * mm, 8)  # fmt: skip
        page.showPage()
    page.save()
    return data.getvalue()


# --- pieces ---


def _paper(size: tuple[float, float], title: str) -> tuple[Any, io.BytesIO]:
    if PLAIN not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(PLAIN, str(fontpkg.path("Atkinson Hyperlegible"))))
        pdfmetrics.registerFont(TTFont(BOLD, str(fontpkg.path("Atkinson Hyperlegible", weight=700))))
    data = io.BytesIO()
    page = Canvas(data, pagesize=size, invariant=1)
    page.setTitle(title)
    page.setAuthor("Ricasso")
    return page, data


def _say(page: Any, text: str, x: float, y: float, size: float, *, bold: bool = False) -> None:
    page.setFont(BOLD if bold else PLAIN, size)
    page.setFillColorRGB(*INK)
    page.drawString(x, y, text)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _plate(
    page: Any,
    shop: Shop,
    layout: LoadLayout,
    fills: Mapping[str, SlotFill],
    frame: tuple[float, float, float, float],
) -> None:
    plate = shop.plates[layout.plate]
    width, height = plate.size_mm
    corners = to_station([(0, 0), (width, 0), (width, height), (0, height)], layout.calibration)
    bodies = [_placed(shop, layout, fill, _body(shop, fill).exterior) for fill in fills.values()]
    everything = np.vstack([corners, *bodies])
    box = (*everything.min(axis=0).tolist(), *everything.max(axis=0).tolist())
    window = fitted(box, x=frame[0], y=frame[1], width=frame[2], height=frame[3])
    draw_rings(page, window, [corners], stroke=INK, width=1)
    for slot in plate.slots:
        outline = to_station(shapely.get_coordinates(slot.outline.exterior), layout.calibration)
        dash = () if slot.slot in fills else (3, 2)
        draw_rings(page, window, [outline], stroke=PALE, width=0.6, dash=dash)
        if slot.slot in fills:
            _unit(page, window, shop, layout, fills[slot.slot])
        x, y = window.at([(outline.min(axis=0) + outline.max(axis=0)) / 2])[0]
        if slot.slot not in fills:
            _say(page, f"{slot.slot} empty", x - 12, y - 4, 9)
        else:
            left = window.at([outline.min(axis=0)])[0]
            _say(page, slot.slot, left[0] + 3, left[1] + 3, 13, bold=True)


def _unit(page: Any, window: Window, shop: Shop, layout: LoadLayout, fill: SlotFill) -> None:
    face = shop.blades[fill.blade].face(fill.face)
    if face.body is not None:
        draw_rings(page, window, [_placed(shop, layout, fill, face.body.exterior)], fill=WOOD, width=0.4)
    draw_rings(page, window, [_placed(shop, layout, fill, face.silhouette.exterior)], fill=METAL, width=0.5)
    for mark in fill.marks:
        draw_outline(
            page, window, mark.outline, moved=lambda points: _placed_points(shop, layout, fill, points)
        )


def _body(shop: Shop, fill: SlotFill) -> Any:
    face = shop.blades[fill.blade].face(fill.face)
    return face.body or face.silhouette


def _placed(shop: Shop, layout: LoadLayout, fill: SlotFill, shape: Any) -> Any:
    return _placed_points(shop, layout, fill, shapely.get_coordinates(shape))


def _placed_points(shop: Shop, layout: LoadLayout, fill: SlotFill, points: Any) -> Any:
    seat = shop.plates[layout.plate].slot(fill.slot).seat(fill.blade, fill.face)
    assert seat is not None, "a load's slots were judged before it was granted"
    return place_points(points, seat.pose, layout.calibration)


def _slot_table(
    page: Any, slots: Sequence[Mapping[str, Any]], fills: Mapping[str, SlotFill], *, y: float
) -> None:
    """Slots in two columns: number, unit, face, words."""
    column = (landscape(A4)[0] - 2 * MARGIN - 62 * mm) / 2
    rows = -(-len(slots) // 2)
    step = min(11 * mm, (y - 30 * mm) / max(rows, 1))
    for index, slot in enumerate(slots):
        x, top = MARGIN + (index // rows) * column, y - (index % rows + 1) * step
        _say(page, slot["slot"], x, top, 13, bold=True)
        _say(
            page,
            f"{slot.get('job') or slot.get('lot')}  {slot['face'].replace('_', ' ')} up",
            x + 11 * mm,
            top + 3.5,
            8,
            bold=True,
        )
        _say(page, _short(str(slot["sku"]), 22), x + 11 * mm, top - 4, 7)
        marks = fills[slot["slot"]].marks if slot["slot"] in fills else ()
        for mark in marks[:1]:
            box = mark.outline.bounds_mm
            window = fitted(
                box, x=x + 48 * mm, y=top - 4, width=column - 52 * mm, height=step * 0.8, largest=1.6
            )
            draw_outline(page, window, mark.outline)


def _pulls(
    page: Any, pulls: Sequence[Mapping[str, Any]], products: Mapping[str, Product], *, y: float
) -> None:
    x = landscape(A4)[0] - MARGIN - 58 * mm
    _say(page, "Pull, in this order", x, y, 10, bold=True)
    if not pulls:
        _say(page, "all units are in hand", x, y - 5 * mm, 8)
    for number, pull in enumerate(pulls[:14], start=1):
        name = products[pull["sku"]].name if pull["sku"] in products else pull["sku"]
        page.rect(x, y - number * 5 * mm, 3 * mm, 3 * mm)
        _say(
            page,
            _short(f"{pull['bin'] or 'bare blades'}  × {pull['quantity']}  {name}", 40),
            x + 5 * mm,
            y - number * 5 * mm,
            8,
        )
    if len(pulls) > 14:
        _say(page, f"and {len(pulls) - 14} more on the page of the load", x, y - 15 * 5 * mm, 8)


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


def _scale(page: Any, window: Window) -> None:
    """A bar of 50 mm on the metal, and whether the print is at true size."""
    x, y, length = MARGIN, 43 * mm, 50 * mm * window.scale
    page.setLineWidth(1)
    page.line(x, y, x + length, y)
    for end in (x, x + length):
        page.line(end, y - 3, end, y + 3)
    is_true = abs(window.scale - 1) < 1e-9
    said = (
        "50 mm; true size when printed at 100 %" if is_true else f"50 mm; drawn at {window.scale * 100:.0f} %"
    )
    _say(page, said, x + length + 8, y - 3, 8)
