"""Findings about size: what doesn't fit, what a zone forbids, what the line can't make or the eye can't read."""

from __future__ import annotations

import math

from layout import fit
from layout.blocks import Block
from layout.features import Feature, Features
from layout.findings import Finding, Severity
from layout.measure import HEIGHT_STEP_MM
from layout.parts import (
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    Policy,
    TextInscription,
    Zone,
)
from layout.region import Region

_SIZE_WORD = {"text": "capital height", "monogram": "capital height", "artwork": "width", "code": "module"}
_LEAST_MM = 1e-6


def size_findings(
    policy: Policy,
    zone: Zone,
    region: Region,
    block: Block,
    inscription: Inscription,
    *,
    asked: float | None,
    found: fit.Fit | None,
    largest_mm: float | None,
) -> list[Finding]:
    """Too large for the room, outside the zone's own limits, or small enough for a person to look at.

    `found` is the placement at the size asked for (or at the largest), None when there is none; `largest_mm`
    is then the largest size that fits.
    """
    word = _SIZE_WORD[inscription.kind]
    findings: list[Finding] = []
    if found is None or (asked is None and found.height_mm < zone.min_height_mm - _LEAST_MM):
        fits_at = found.height_mm if found else largest_mm
        findings.append(_does_not_fit(zone, region, block, word, asked=asked, largest_mm=fits_at))
    if asked is not None and asked > zone.max_height_mm + _LEAST_MM:
        message = f"A {word} of {asked:g} mm; this zone takes at most {zone.max_height_mm:g} mm."
        findings.append(_limit("above_largest", message, asked, zone.max_height_mm))
    if asked is not None and asked < zone.min_height_mm - _LEAST_MM:
        message = (
            f"A {word} of {asked:g} mm; the smallest that is readable here is {zone.min_height_mm:g} mm."
        )
        findings.append(_limit("below_smallest", message, asked, zone.min_height_mm))
    elif (
        not findings
        and found is not None
        and isinstance(inscription, TextInscription)
        and found.height_mm < policy.review_height_mm - _LEAST_MM
    ):
        message = f"Capitals of {found.height_mm:.2f} mm are small; a person looks at them first."
        findings.append(
            Finding("small_capitals", Severity.REVIEW, message,
                    measured=found.height_mm, limit=policy.review_height_mm, unit="mm")
        )  # fmt: skip
    return findings


def _limit(code: str, message: str, measured: float, limit: float) -> Finding:
    return Finding(code, Severity.REFUSE, message, measured=measured, limit=limit, unit="mm")


def _does_not_fit(
    zone: Zone, region: Region, block: Block, word: str, *, asked: float | None, largest_mm: float | None
) -> Finding:
    """How far over, in words that say what would fit."""
    size = asked if asked is not None else zone.min_height_mm or HEIGHT_STEP_MM
    over = fit.overhang(region, block.hull, zone, height_mm=size)
    fits = f"it fits at {largest_mm:.2f} mm" if largest_mm else "it fits at no size"
    at = f"at a {word} of {size:g} mm"
    if over.length_mm >= over.height_mm and over.length_mm > 0:
        message = f"It is {over.length_mm:.1f} mm too long {at}; {fits}."
        return Finding("too_long", Severity.REFUSE, message, measured=over.length_mm, limit=0.0, unit="mm")
    if over.height_mm > 0:
        message = f"It is {over.height_mm:.1f} mm too tall {at}; {fits}."
        return Finding("too_tall", Severity.REFUSE, message, measured=over.height_mm, limit=0.0, unit="mm")
    message = f"The shape of the zone leaves no room for it {at}; {fits}."
    return Finding("no_room", Severity.REFUSE, message, measured=size, limit=largest_mm, unit="mm")


def feature_findings(
    policy: Policy, features: Features, size: float, line_width_mm: float, inscription: Inscription
) -> list[Finding]:
    """Strokes, counters and gaps narrower than the laser's line can make, with the size from which they're fine."""
    if isinstance(inscription, CodeInscription):
        least = policy.code_cell_lines * line_width_mm
        if size >= least:
            return []
        message = f"Modules of {size:.2f} mm; this line makes them from {least:.2f} mm on."
        return [_limit("module_too_small", message, size, least)]
    findings = []
    for code, what, feature, lines in (
        ("stroke_too_thin", "thinnest stroke", features.stroke, policy.stroke_lines),
        ("counter_too_narrow", "narrowest counter", features.counter, policy.counter_lines),
        ("gap_too_narrow", "narrowest gap", features.gap, policy.gap_lines),
    ):
        if feature is not None and feature.width * size < lines * line_width_mm - _LEAST_MM:
            findings.append(_too_fine(code, what, feature, size, lines * line_width_mm, inscription))
    return findings


def _too_fine(
    code: str, what: str, feature: Feature, size: float, limit: float, inscription: Inscription
) -> Finding:
    fine_from = math.ceil(limit / feature.width / HEIGHT_STEP_MM - 1e-9) * HEIGHT_STEP_MM
    whole = isinstance(inscription, ArtworkInscription | MonogramInscription)
    where = "" if whole else f" of character {feature.span[0] + 1}"
    if feature.span[1] - feature.span[0] > 1 and not whole:
        where = f" at characters {feature.span[0] + 1} to {feature.span[1]}"
    message = (
        f"The {what}{where} is {feature.width * size:.3f} mm; the line needs {limit:.3f} mm. "
        f"It is fine from a {_SIZE_WORD[inscription.kind]} of {fine_from:.2f} mm."
    )
    return Finding(
        code,
        Severity.REFUSE,
        message,
        span=None if whole else feature.span,
        measured=feature.width * size,
        limit=limit,
        unit="mm",
    )
