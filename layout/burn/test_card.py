"""The test card: what to burn on scrap of a material, to see what a process makes of it.

From the top: what it is; filled squares; bars and gaps of one to four lines; single lines to be measured;
isolated centre lines beside filled bars; the smallest words of the shop's zones; the shop's own marks. It is
built by the same fill and the same writers as every burn file, but it is no load's: no slot, no plate, never
for a product.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from shapely import affinity
from shapely.geometry import LineString, box

from layout.burn.turn import Burn, BurnPart, NotBurnable, Piece, centre_pieces_of, pieces_of, placed
from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose, draw
from layout.marks.blocks import artwork_block
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Pose
from layout.shop.shop import FontSpec, Shop
from layout.shop.stations import Calibration, Process, Station, TestCard

#: Scrap of this size takes the card, a margin around it included.
CARD_MM = (86.0, 54.0)
MARGIN_MM = 3.0
_APART_MM = 2.0
_HEADING_MM = 2.5
_SQUARES_MM = (8.0, 4.0, 2.0, 1.0, 0.5)
_LINES = (1.0, 1.5, 2.0, 3.0, 4.0)
_WORDS = "Rag 358"
_MOST_HEIGHTS = 4
_MARK_MM = 12.0
_MOST_MARKS = 3


def card_fonts(shop: Shop) -> dict[str, FontSpec]:
    """The fonts that the card is written in: the first of each kind that has its letters."""
    chosen: dict[str, FontSpec] = {}
    for _, spec in sorted(shop.fonts.items()):
        if spec.kind not in {font.kind for font in chosen.values()} and open_font(spec).covers(_WORDS):
            chosen[spec.font] = spec
    return chosen


def card_burn(shop: Shop, process: Process) -> Burn:
    """The card of a process, in the middle of its station's field, proven or not.

    Raises NotBurnable when the field is smaller than the card, or the shop has no font to write with.
    """
    station = shop.stations[process.station]
    x0, y0, x1, y1 = station.field_box_mm
    if x1 - x0 < CARD_MM[0] or y1 - y0 < CARD_MM[1]:
        raise NotBurnable("card", f"the field of {station.station} is smaller than {CARD_MM} mm")
    fonts = list(card_fonts(shop).values())
    if not fonts:
        raise NotBurnable("card", "the shop has no font with plain letters")
    # The card is what proves single lines: it burns them before they are proven.
    process = replace(process, test_card=TestCard("", "", isolated_lines=True))
    parts = []
    top = CARD_MM[1] / 2 - MARGIN_MM
    for number, row in enumerate(_rows(shop, process, fonts), start=1):
        outlines, top = _laid_out(row, top)
        filled = [pieces_of(outline, process, as_rows=station.fill == "rows") for outline in outlines]
        centre = [centre_pieces_of(outline, process) for outline in outlines]
        for is_centre, pieces_in in ((False, filled), (True, centre)):
            pieces = tuple(in_the_middle([piece for pieces in pieces_in for piece in pieces], station))
            if pieces:
                width = process.line_width_mm
                parts.append(BurnPart(process.process, f"row{number}", width, pieces, is_centre))
    return Burn(tuple(sorted(parts, key=lambda part: part.is_centre)), station.field_box_mm)


def _rows(shop: Shop, process: Process, fonts: Sequence[FontSpec]) -> Iterator[list[Outline]]:
    yield [card_words(f"TEST CARD {process.process}", fonts[0], _HEADING_MM)]
    yield [_square(side) for side in _SQUARES_MM]
    yield [*_bars(process.line_width_mm), *_strokes()]
    if process.centre_line_passes > 0:
        yield list(_isolated(process))
    heights = sorted(
        {zone.min_height_mm for blade in shop.blades.values() for f in blade.faces for zone in f.zones}
    )
    for font in fonts:
        yield [card_words(_WORDS, font, height) for height in heights[:_MOST_HEIGHTS]]
    marks = [mark for _, mark in sorted(shop.artworks.items()) if mark.use == "mark"]
    yield [artwork_block(mark).draw(_MARK_MM, 0.0, 0.0, 0.0) for mark in marks[:_MOST_MARKS]]


def _square(side_mm: float) -> Outline:
    return frozen([box(0, 0, side_mm, side_mm)])


def _bars(line_mm: float) -> Iterator[Outline]:
    """For each multiple of the line: a bar so wide, and two bars so far apart."""
    for lines in _LINES:
        wide = lines * line_mm
        yield frozen([box(0, 0, wide, 3), box(2, 0, 3, 3), box(3 + wide, 0, 4 + wide, 3)])


def _isolated(process: Process) -> Iterator[Outline]:
    """Bars so thin that only their centre line is burned, each beside a filled one: a single line gets less
    energy than a filled area and may come out paler."""
    for share in (0.5, 1.0, 1.5):
        thin = share * max(process.edge_allowance_mm, process.line_width_mm / 4)
        yield frozen([box(0, 0, 1, 3), box(1.5, 0, 1.5 + thin, 3)])


def _strokes() -> Iterator[Outline]:
    yield frozen([], [LineString([(x, 0), (x, 3)]) for x in (0.0, 1.0, 2.0, 3.0)])


def card_words(text: str, font: FontSpec, height_mm: float) -> Outline:
    """Words on a card, from the baseline's beginning at 0, 0."""
    return draw(compose([text], open_font(font), align="start"), height_mm=height_mm, x_mm=0.0, y_mm=0.0)


def _laid_out(row: Sequence[Outline], top: float) -> tuple[list[Outline], float]:
    """The row's outlines from left to right under `top`, and where the next row begins. What finds no room is
    left out: a card has an end."""
    left, right = -CARD_MM[0] / 2 + MARGIN_MM, CARD_MM[0] / 2 - MARGIN_MM
    lowest, laid = top, []
    for outline in row:
        x0, y0, x1, y1 = outline.bounds_mm
        if left + x1 - x0 > right or top - (y1 - y0) < MARGIN_MM - CARD_MM[1] / 2:
            continue
        laid.append(moved(outline, left - x0, top - y1))
        left += x1 - x0 + _APART_MM
        lowest = min(lowest, top - (y1 - y0))
    return laid, lowest - _APART_MM if laid else top


def moved(outline: Outline, x_mm: float, y_mm: float) -> Outline:
    """The outline elsewhere."""
    return frozen(
        [affinity.translate(area, x_mm, y_mm) for area in outline.areas],
        [affinity.translate(stroke, x_mm, y_mm) for stroke in outline.strokes],
    )


def in_the_middle(pieces: Sequence[Piece], station: Station) -> Iterator[Piece]:
    """Pieces round the middle of the station's field."""
    x0, y0, x1, y1 = station.field_box_mm
    across, up = station.axes
    middle = Calibration(
        "card", station.station, "", (across, 0.0, 0.0, up, (x0 + x1) / 2, (y0 + y1) / 2), 0.0
    )
    for piece in pieces:
        yield placed(piece, Pose(0.0, 0.0, 0.0, 0.0), middle)


def shop_of_card(shop: Shop) -> Shop:
    """The shop with no more than the card needs, which is cheap to hand to another process."""
    return replace(shop, fonts=card_fonts(shop))
