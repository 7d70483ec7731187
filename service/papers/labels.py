"""Labels that stay where they are put: one for each copy of a plate, each bin, each shelf of the rack.

What a code names can be told from its form alone, so that no scan is taken for another: `PLATE.long-1` is a
copy of a plate, `BIN.A1` a bin, `SHELF.P1` a shelf, `J42` a unit and the box it goes back into, `L5` a load,
`O17` an order's packing list, `W5` a work order, `U17` a unit that it builds (`service.records.ids`).
"""

from __future__ import annotations

from collections.abc import Iterable

from reportlab.lib.units import mm

from layout.shop.plates import Plate
from service.papers.page import cut, draw_code, paper, write
from service.papers.voice import Voice
from service.records.ids import BIN, PLATE, SHELF


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated where it is printed."""
    return message


LABEL_MM = (62.0, 29.0)
_PLATE, _BIN, _SHELF, _WORK_ORDER = _("Plate"), _("Bin"), _("Shelf"), _("Work order")


def plate_labels(plates: Iterable[Plate], voice: Voice) -> bytes:
    """A label for every copy of the plates, 62 x 29 mm, for a place on it that the beam never reaches."""
    named = [(copy, voice.say(_PLATE), plate.name, PLATE + copy) for plate in plates for copy in plate.copies]
    return _labels(named, "plates")


def bin_labels(bins: Iterable[str], voice: Voice) -> bytes:
    """A label for every bin, 62 x 29 mm."""
    return _labels([(name, voice.say(_BIN), "", BIN + name) for name in bins], "bins")


def shelf_labels(shelves: Iterable[str], voice: Voice) -> bytes:
    """A label for every shelf of the packing rack, 62 x 29 mm."""
    return _labels([(name, voice.say(_SHELF), "", SHELF + name) for name in shelves], "shelves")


def built_unit_labels(work_order: str, name: str, units: Iterable[tuple[str, int]], voice: Voice) -> bytes:
    """A label for a work order and one for each of its units, 62 x 29 mm: identity and number of each."""
    whole = (work_order, voice.say(_WORK_ORDER), name, work_order)
    each = [(unit, f"{work_order} · {n}", name, unit) for unit, n in units]
    return _labels([whole, *each], work_order)


def _labels(labels: Iterable[tuple[str, str, str, str]], title: str) -> bytes:
    """One label a page: what it is, its name in large letters, what else there is to say, and its code."""
    width, height = LABEL_MM[0] * mm, LABEL_MM[1] * mm
    page, data = paper((width, height), title)
    for name, kind, more, code in labels:
        draw_code(page, code, x=3 * mm, y=6.5 * mm, size=16 * mm)
        write(page, kind, 22 * mm, 22 * mm, 9)
        write(page, cut(name, 38 * mm, 18, bold=True), 22 * mm, 14.5 * mm, 18, bold=True)
        write(page, cut(more, 38 * mm, 7.5), 22 * mm, 10 * mm, 7.5)
        write(page, code, 22 * mm, 6 * mm, 7.5)
        page.showPage()
    page.save()
    return data.getvalue()
