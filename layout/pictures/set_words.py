"""Words set in a font, and marks of the library, alone: small pictures of outlines, no font file."""

from __future__ import annotations

from collections.abc import Sequence

import shapely

from layout.lettering.font_file import FontRefused
from layout.lettering.fonts import open_font
from layout.lettering.text import LINE_FEED, normalise
from layout.lettering.typeset import compose, draw
from layout.shop.inscriptions import Align
from layout.shop.measure import format_mm
from layout.shop.outline import Outline
from layout.shop.shop import FontSpec
from layout.shop.svg_text import Box, area_data, path_data

_PICTURE_MM = 0.01
# A picture alone is not reached by the page's style.
_FILLED, _LINE = 'fill="#15191c"', 'fill="none" stroke="#15191c" stroke-width="0.35"'


def set_in(asked: Sequence[tuple[str, FontSpec, Align]]) -> list[str]:
    """Pictures of words, each set in its font; empty where the font can't."""
    return [_set_in(normalise(text), font, align) for text, font, align in asked]


def _set_in(text: str, font: FontSpec, align: Align) -> str:
    try:
        words = compose(text.split(LINE_FEED), open_font(font), align=align)
    except FontRefused:
        return ""
    outline = draw(words, height_mm=5.0, x_mm=0.0, y_mm=0.0)
    return "" if outline.is_empty else outline_svg(outline)


def outline_svg(outline: Outline) -> str:
    """An outline alone, as SVG that fills whatever box it is put in. Raises ValueError for an empty one."""
    x0, y0, x1, y1 = outline.bounds_mm
    edge = 0.04 * (x1 - x0) + 0.2
    box: Box = (x0 - edge, y0 - edge, x1 + edge, y1 + edge)
    areas = area_data(shapely.get_parts(shapely.simplify(outline.areas, _PICTURE_MM)), box)
    lines = "".join(path_data(stroke.coords, box, closed=False) for stroke in outline.strokes)
    size = f"{format_mm(box[2] - box[0])} {format_mm(box[3] - box[1])}"
    return (
        f'<svg viewBox="0 0 {size}" aria-hidden="true" xmlns="http://www.w3.org/2000/svg">'
        + (f'<path class="mark" {_FILLED} fill-rule="evenodd" d="{areas}"/>' if areas else "")
        + (f'<path class="line" {_LINE} d="{lines}"/>' if lines else "")
        + "</svg>"
    )
