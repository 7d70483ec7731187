"""What a check says, as it is answered: for programs, for pages, for stored lines, for the command line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import Field

from layout.check.feasibility import Checked, CheckResult
from layout.shop.findings import Finding, Severity, Verdict
from layout.shop.inscriptions import Kind, MonogramInscription, TextInscription
from service.requests.answers import AnswerBody, OrLeftOut
from service.requests.inscription_answers import InscriptionAnswer, inscription_answer


class FindingAnswer(AnswerBody):
    """One thing that a check or a judge has to say; what does not apply is left out."""

    code: str = Field(description="What it is: a stable name.", examples=["below_smallest"])
    severity: Severity = Field(
        description="How much it weighs: `refuse` stops the mark, `review` asks a person, `note` only tells.",
        examples=["refuse"],
    )
    inscription: OrLeftOut[int] = Field(
        default=None, description="Index of the inscription that it is about, from 0.", examples=[0]
    )
    span: OrLeftOut[tuple[int, int]] = Field(
        default=None,
        description="Characters that it is about: first and one past the last, counted from 0 in grapheme"
        " clusters of the NFC text.",
        examples=[[4, 5]],
    )
    measured: OrLeftOut[float] = Field(
        default=None, description="What was measured, in `unit`.", examples=[1.12]
    )
    limit: OrLeftOut[float] = Field(
        default=None, description="What would have been right, in `unit`.", examples=[1.5]
    )
    unit: OrLeftOut[str] = Field(
        default=None, description="Unit of `measured` and `limit`.", examples=["mm", "characters"]
    )
    message: str = Field(
        description="The finding as an English sentence.",
        examples=["Capitals of 1.12 mm are smaller than the zone's smallest, 1.5 mm."],
    )
    suggestions: tuple[InscriptionAnswer, ...] = Field(
        description="Inscriptions that the same check accepts, nearest to what was asked for first."
    )
    for_desk: OrLeftOut[str] = Field(
        default=None,
        description="Why, for the shop's own people: a store's key is never told.",
        examples=["“Marrow & Sons” (names and marks): somebody else's mark"],
    )


class LimitedByAnswer(AnswerBody):
    """Something that stops a mark from being larger or elsewhere."""

    kind: str = Field(description="What kind of thing it is.", examples=["keep_out"])
    name: str = Field(description="Its name in the shop's description; may be empty.", examples=["pivot"])


class CheckedAnswer(AnswerBody):
    """What was measured of one inscription. Lengths are in mm, in the face's frame, y up; null where
    nothing could be placed."""

    zone: str = Field(description="Zone of the product.", examples=["ricasso"])
    face: str | None = Field(
        description="Face on which the zone lies; null for a zone that is not there.", examples=["mark_side"]
    )
    kind: Kind = Field(description="Kind of inscription.", examples=["text"])
    text: str | None = Field(
        description="The words or initials as they were asked for; null for artwork and codes.",
        examples=["Ada"],
    )
    font: str | None = Field(
        description="Font, by its name; null for artwork and codes.", examples=["lato-bold"]
    )
    lines: tuple[str, ...] = Field(
        description="The words line by line, as they were set.", examples=[["Ada"]]
    )
    height_mm: float | None = Field(
        description="Capital height; of artwork the width, of a code the size of a module.", examples=[3.0]
    )
    largest_mm: float | None = Field(
        description="The largest such size that fits here, where it was looked for.", examples=[4.27]
    )
    box_mm: tuple[float, float, float, float] | None = Field(
        description="x0, y0, x1, y1 of the mark.", examples=[[12.1, 3.0, 20.4, 6.1]]
    )
    clearance_mm: float | None = Field(
        description="Room left between the block's hull and the boundary of its region.", examples=[0.35]
    )
    thinnest_stroke_mm: float | None = Field(
        description="The smallest width whose opening loses more than 1.5 times itself.", examples=[0.412]
    )
    narrowest_gap_mm: float | None = Field(
        description="The smallest distance between neighbouring letters.", examples=[0.21]
    )
    bound_by: tuple[LimitedByAnswer, ...] = Field(
        description="What stops the mark from being larger or elsewhere."
    )


class ResultAnswer(AnswerBody):
    """What geometry says of some inscriptions on a product."""

    verdict: Verdict = Field(
        description="`accept`: can be engraved; `review`: a person looks first; `refuse`: can't be engraved.",
        examples=["accept"],
    )
    findings: tuple[FindingAnswer, ...] = Field(description="Everything that there is to say, all at once.")
    inscriptions: tuple[CheckedAnswer, ...] = Field(
        description="What was measured, one entry an inscription, in the order of the request."
    )
    burn_seconds: float | None = Field(
        description="Time at the laser to expect for one unit, in seconds; null where nothing can be burned.",
        examples=[31.4],
    )


def finding_answer(finding: Finding, *, is_house: bool = False) -> FindingAnswer:
    """One finding; measurements are rounded to 0.1 µm. `is_house`: with what only the shop's own people may
    read."""
    return FindingAnswer(
        code=finding.code,
        severity=finding.severity,
        inscription=finding.inscription,
        span=finding.span,
        measured=_rounded(finding.measured),
        limit=_rounded(finding.limit),
        unit=finding.unit,
        message=finding.message,
        suggestions=tuple(inscription_answer(suggestion) for suggestion in finding.suggestions),
        for_desk=finding.for_desk if is_house else None,
    )


def findings_answer(findings: Iterable[Finding], *, is_house: bool = False) -> tuple[FindingAnswer, ...]:
    """Several findings, in their order."""
    return tuple(finding_answer(finding, is_house=is_house) for finding in findings)


def stored_finding(stored: Mapping[str, Any], *, is_house: bool = False) -> FindingAnswer:
    """A finding as a row keeps it; suggestions may be missing from one that has none."""
    finding = FindingAnswer.model_validate({"suggestions": (), **stored})
    return finding if is_house else finding.model_copy(update={"for_desk": None})


def checked_answer(checked: Checked) -> CheckedAnswer:
    """What was measured of one inscription, rounded to 0.1 µm."""
    inscription = checked.inscription
    words = None
    if isinstance(inscription, TextInscription):
        words = inscription.text
    elif isinstance(inscription, MonogramInscription):
        words = inscription.initials
    box = checked.box_mm
    return CheckedAnswer(
        zone=inscription.zone,
        face=checked.face,
        kind=inscription.kind,
        text=words,
        font=getattr(inscription, "font", None),
        lines=checked.lines,
        height_mm=_rounded(checked.size_mm),
        largest_mm=_rounded(checked.largest_mm),
        box_mm=(round(box[0], 4), round(box[1], 4), round(box[2], 4), round(box[3], 4)) if box else None,
        clearance_mm=_rounded(checked.clearance_mm),
        thinnest_stroke_mm=_rounded(checked.thinnest_stroke_mm),
        narrowest_gap_mm=_rounded(checked.narrowest_gap_mm),
        bound_by=tuple(LimitedByAnswer(kind=b.kind, name=b.name) for b in checked.binding),
    )


#: Rows that are older than a measurement don't have it.
_NOT_MEASURED: Mapping[str, Any] = {
    **dict.fromkeys(CheckedAnswer.model_fields),
    "kind": "text",
    "lines": (),
    "bound_by": (),
}


def words_on_metal(checked: CheckedAnswer) -> str:
    """The words of a checked inscription in the lines in which they were set and frozen: what people compare
    with the metal, whatever was typed. Empty where there are none."""
    return "\n".join(checked.lines) or checked.text or ""


def stored_checked(stored: Mapping[str, Any]) -> CheckedAnswer:
    """What was measured of one inscription, as a row keeps it."""
    return CheckedAnswer.model_validate({**_NOT_MEASURED, **stored})


def result_answer(result: CheckResult, *, is_house: bool) -> ResultAnswer:
    """The answer of a check as far as geometry goes: without stock, promise and picture."""
    return ResultAnswer(
        verdict=result.verdict,
        findings=findings_answer(result.findings, is_house=is_house),
        inscriptions=tuple(checked_answer(checked) for checked in result.inscriptions),
        burn_seconds=result.burn_seconds,
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
