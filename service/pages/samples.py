"""The same words in every font of a zone, as they would be burned: each outline cropped to its own box."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely

from layout.check.feasibility import CheckResult
from layout.shop.findings import Severity
from layout.shop.inscriptions import TextInscription
from layout.shop.measure import format_mm
from layout.shop.outline import Outline
from layout.shop.shop import FontSpec
from layout.shop.svg_text import Box, area_data, path_data
from service.intake.check import in_force
from service.requests.check_answers import FindingAnswer, findings_answer
from service.shop.tools import Tools

_PICTURE_MM = 0.01


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
        + (f'<path class="mark" fill-rule="evenodd" d="{areas}"/>' if areas else "")
        + (f'<path class="line" d="{lines}"/>' if lines else "")
        + "</svg>"
    )
