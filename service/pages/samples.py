"""The same words in every font of a zone, as they would be burned: each outline cropped to its own box."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from layout.check.feasibility import CheckResult
from layout.pictures.set_words import outline_svg, set_in
from layout.shop.findings import Severity
from layout.shop.inscriptions import Align, TextInscription
from layout.shop.shop import FontSpec
from service.intake.check import in_force
from service.papers.font_names import font_names
from service.records.errors import Refusal
from service.requests.check_answers import FindingAnswer, findings_answer
from service.requests.inscription_answers import TextAnswer
from service.shop.tools import Tools


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
    return font_names([font], tools.geometry.work)[font.font]


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
