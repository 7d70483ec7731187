"""The same words in every font of a zone, as they would be burned: each outline cropped to its own box."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import shapely

from layout.check.feasibility import CheckResult
from layout.lettering.font_file import FontRefused
from layout.lettering.fonts import open_font
from layout.lettering.text import LINE_FEED, normalise
from layout.lettering.typeset import compose, draw
from layout.shop.findings import Severity
from layout.shop.inscriptions import Align, TextInscription
from layout.shop.measure import format_mm
from layout.shop.outline import Outline
from layout.shop.shop import FontSpec
from layout.shop.svg_text import Box, area_data, path_data
from service.intake.check import in_force
from service.records.errors import Refusal
from service.requests.check_answers import FindingAnswer, findings_answer
from service.requests.inscription_answers import TextAnswer
from service.shop.tools import Tools

_PICTURE_MM = 0.01
# A picture alone is not reached by the page's style.
_FILLED, _LINE = 'fill="#15191c"', 'fill="none" stroke="#15191c" stroke-width="0.35"'
#: Pictures of fonts' names, by what their letters depend on and the name.
_NAMES: dict[tuple[object, str], str] = {}
_MOST_KEPT = 200


@dataclass(frozen=True, slots=True)
class Sample:
    """One font: its picture, its capital height in mm, and the finding that rules it out, if there is one."""

    font: FontSpec
    picture: str
    height_mm: float | None
    why_not: FindingAnswer | None
    is_good: bool


def sheet(tools: Tools, sku: str, inscription: TextInscription, fonts: Sequence[FontSpec]) -> list[Sample]:
    """One sample for each font, usable ones first, the largest letters first. Raises CheckTooSlow."""
    with tools.database.reading() as session:
        shop_in_force = in_force(session)
    samples = [
        _sample(
            font, tools.geometry.check(sku, (replace(inscription, font=font.font),), in_force=shop_in_force)
        )
        for font in fonts
    ]
    return sorted(
        samples, key=lambda sample: (not sample.is_good, -(sample.height_mm or 0.0), sample.font.name)
    )


def _sample(font: FontSpec, result: CheckResult) -> Sample:
    checked = result.inscriptions[0] if result.inscriptions else None
    refused = findings_answer(f for f in result.findings if f.severity is Severity.REFUSE)
    outline = checked.mark.outline if checked is not None and checked.mark is not None else None
    # A font without the letters has only its own empty boxes to show.
    has_letters = not any(f.code == "missing_glyph" for f in result.findings)
    return Sample(
        font=font,
        picture=outline_svg(outline) if outline and has_letters and not outline.is_empty else "",
        height_mm=checked.size_mm if checked is not None else None,
        why_not=refused[0] if refused else None,
        is_good=not refused,
    )


def font_picture(tools: Tools, font: FontSpec) -> str:
    """A font's own name set in it, as SVG. Raises CheckTooSlow, CheckersBusy."""
    key = font.identity, font.name
    if key not in _NAMES:
        if len(_NAMES) >= _MOST_KEPT:
            _NAMES.clear()
        _NAMES[key] = tools.geometry.work(set_in, [(font.name, font, "start")])[0]
    return _NAMES[key]


def suggestion_pictures(
    tools: Tools, findings: Iterable[FindingAnswer], fonts: Mapping[str, FontSpec]
) -> dict[tuple[str, str, Align | None], str]:
    """Words of suggestions set in their fonts and lines, as SVG, by words, font and side; none at their size,
    and none where the geometry workers are too busy."""
    wanted = dict.fromkeys(
        (suggestion.text, suggestion.font, suggestion.align)
        for finding in findings
        for suggestion in finding.suggestions
        if isinstance(suggestion, TextAnswer) and suggestion.font in fonts
    )
    asked = [(text, fonts[font], align or "centre") for text, font, align in wanted]
    try:
        drawn = tools.geometry.work(set_in, asked) if asked else []
    except Refusal:
        return {}  # they are named in words as well
    return {key: picture for key, picture in zip(wanted, drawn, strict=True) if picture}


def set_in(asked: Sequence[tuple[str, FontSpec, Align]]) -> list[str]:
    """Pictures of words, each set in its font; empty where the font can't. In a geometry process."""
    return [_set_in(normalise(text), font, align) for text, font, align in asked]


def _set_in(text: str, font: FontSpec, align: Align) -> str:
    try:
        words = compose(text.split(LINE_FEED), open_font(font), align=align)
    except FontRefused:
        return ""
    outline = draw(words, height_mm=5.0, x_mm=0.0, y_mm=0.0)
    return "" if outline.is_empty else outline_svg(outline)


def outline_svg(outline: Outline) -> str:
    """An outline alone, as SVG that fills whatever box it is put in."""
    x0, y0, x1, y1 = outline.bounds_mm
    edge = 0.04 * (x1 - x0) + 0.2
    box: Box = (x0 - edge, y0 - edge, x1 + edge, y1 + edge)
    areas = "".join(
        area_data(part, box)
        for area in outline.areas
        for part in shapely.get_parts(area.simplify(_PICTURE_MM))
        if not part.is_empty
    )
    lines = "".join(path_data(stroke.coords, box, closed=False) for stroke in outline.strokes)
    size = f"{format_mm(box[2] - box[0])} {format_mm(box[3] - box[1])}"
    return (
        f'<svg viewBox="0 0 {size}" aria-hidden="true" xmlns="http://www.w3.org/2000/svg">'
        + (f'<path class="mark" {_FILLED} fill-rule="evenodd" d="{areas}"/>' if areas else "")
        + (f'<path class="line" {_LINE} d="{lines}"/>' if lines else "")
        + "</svg>"
    )
