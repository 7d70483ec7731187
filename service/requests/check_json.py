"""What a check says, as JSON: for answers, for stored lines, for the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from layout.check.feasibility import Checked, CheckResult
from layout.shop.findings import Finding
from layout.shop.inscriptions import MonogramInscription, TextInscription
from service.requests.inscriptions import to_json


def finding_json(finding: Finding) -> dict[str, Any]:
    """One finding; what does not apply is left out."""
    said: dict[str, Any] = {
        "code": finding.code,
        "severity": finding.severity.value,
        "inscription": finding.inscription,
        "span": list(finding.span) if finding.span else None,
        "measured": _rounded(finding.measured),
        "limit": _rounded(finding.limit),
        "unit": finding.unit,
        "message": finding.message,
        "suggestions": [to_json(suggestion) for suggestion in finding.suggestions],
    }
    return {key: value for key, value in said.items() if value is not None}


def words_on_metal(checked: Mapping[str, Any]) -> str:
    """The words of a checked inscription in the lines in which they were set and frozen: what people compare
    with the metal, whatever was typed. Empty where there are none."""
    return "\n".join(checked.get("lines") or ()) or str(checked.get("text") or "")


def checked_json(one: Checked) -> dict[str, Any]:
    """What was measured of one inscription, in mm."""
    inscription = one.inscription
    words = None
    if isinstance(inscription, TextInscription):
        words = inscription.text
    elif isinstance(inscription, MonogramInscription):
        words = inscription.initials
    return {
        "zone": inscription.zone,
        "face": one.face,
        "kind": inscription.kind,
        "text": words,
        "font": getattr(inscription, "font", None),
        "lines": list(one.lines),
        "height_mm": _rounded(one.size_mm),
        "largest_mm": _rounded(one.largest_mm),
        "box_mm": [_rounded(v) for v in one.box_mm] if one.box_mm else None,
        "clearance_mm": _rounded(one.clearance_mm),
        "thinnest_stroke_mm": _rounded(one.thinnest_stroke_mm),
        "narrowest_gap_mm": _rounded(one.narrowest_gap_mm),
        "bound_by": [{"kind": b.kind, "name": b.name} for b in one.binding],
    }


def result_json(result: CheckResult) -> dict[str, Any]:
    """The whole answer of a check, without stock, promise and picture."""
    return {
        "verdict": result.verdict.value,
        "findings": [finding_json(finding) for finding in result.findings],
        "inscriptions": [checked_json(one) for one in result.inscriptions],
        "burn_seconds": result.burn_seconds,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
