"""Findings about size: what doesn't fit, what a zone forbids, what the line can't make."""

from __future__ import annotations

import math

from layout.check.request_findings import SIZE_WORDS
from layout.fit.straight import Overhang
from layout.marks.features import Feature, Features
from layout.shop.blades import Zone
from layout.shop.findings import Finding, Severity
from layout.shop.inscriptions import (
    ArtworkInscription,
    Inscription,
    MonogramInscription,
    TextInscription,
)
from layout.shop.measure import HEIGHT_STEP_MM
from layout.shop.shop import Policy

_LEAST_MM = 1e-6


def limit_findings(zone: Zone, inscription: Inscription, size: float | None) -> list[Finding]:
    """A size asked for that the zone forbids, whether it would fit or not."""
    word = SIZE_WORDS[inscription.kind]
    if size is not None and size > zone.max_height_mm + _LEAST_MM:
        message = f"A {word} of {size:g} mm; this zone takes at most {zone.max_height_mm:g} mm."
        return [_limit("above_largest", message, size, zone.max_height_mm)]
    if size is not None and size < zone.min_height_mm - _LEAST_MM:
        message = f"A {word} of {size:g} mm; the smallest that is readable here is {zone.min_height_mm:g} mm."
        return [_limit("below_smallest", message, size, zone.min_height_mm)]
    return []


def tallest(zone: Zone, inscription: Inscription, height: float) -> float:
    """The largest size (mm) at which artwork, or a monogram with its frame, is no taller than the zone's
    largest height; `height` is that of its hull at unit size. Infinite for bare words, whose capitals are
    limited, and for codes."""
    is_framed = isinstance(inscription, MonogramInscription) and inscription.frame is not None
    if not is_framed and not isinstance(inscription, ArtworkInscription):
        return math.inf
    return math.floor(zone.max_height_mm / height / HEIGHT_STEP_MM + _LEAST_MM) * HEIGHT_STEP_MM


def too_tall_findings(zone: Zone, inscription: Inscription, size: float, height: float) -> list[Finding]:
    """Artwork or a frame that would stand taller than the zone's largest height at that size."""
    most = tallest(zone, inscription, height)
    if size <= most + _LEAST_MM:
        return []
    word = SIZE_WORDS[inscription.kind]
    what = "frame" if isinstance(inscription, MonogramInscription) else "artwork"
    message = (
        f"The {what} is {size * height:.2f} mm tall at a {word} of {size:g} mm; "
        f"this zone takes at most {zone.max_height_mm:g} mm, which is a {word} of {most:.2f} mm."
    )
    return [_limit("above_largest", message, size * height, zone.max_height_mm)]


def small_findings(policy: Policy, inscription: Inscription, size: float) -> list[Finding]:
    """Capitals that can be read, but not by everybody."""
    if not isinstance(inscription, TextInscription) or size >= policy.review_height_mm - _LEAST_MM:
        return []
    message = f"Capitals of {size:.2f} mm are small; a person looks at them first."
    return [
        Finding(
            "small_capitals",
            Severity.REVIEW,
            message,
            measured=size,
            limit=policy.review_height_mm,
            unit="mm",
        )
    ]


def less_room(zone: Zone, room_mm: float | None) -> list[Finding]:
    """A mark that stands nearer to the edge than is usual here, because it could not be read if smaller."""
    if room_mm is None or room_mm >= zone.usual_room_mm - _LEAST_MM:
        return []
    message = (
        f"It keeps {room_mm:.1f} mm from the edge of the zone instead of the usual {zone.usual_room_mm:g} mm."
    )
    limit = zone.usual_room_mm
    return [Finding("less_room", Severity.NOTE, message, measured=room_mm, limit=limit, unit="mm")]


def does_not_fit(
    inscription: Inscription, *, lines: int, size: float, over: Overhang, largest: float | None
) -> list[Finding]:
    """How far over at that size, and the size at which the same lines fit; one finding for each direction."""
    broken = f" in {lines} lines" if lines > 1 else ""
    at = f"{broken} at a {SIZE_WORDS[inscription.kind]} of {size:g} mm"
    fits = f"it fits at {largest:.2f} mm" if largest else "it fits at no size"
    findings = [
        Finding(
            code,
            Severity.REFUSE,
            f"It is {_shown(by)} mm too {word}{at}; {fits}.",
            measured=by,
            limit=0.0,
            unit="mm",
        )
        for code, word, by in (("too_long", "long", over.length_mm), ("too_tall", "tall", over.height_mm))
        if by > 0
    ]
    if findings:
        return findings
    message = f"The shape of the zone leaves no room for it{at}; {fits}."
    return [Finding("no_room", Severity.REFUSE, message, measured=size, limit=largest, unit="mm")]


def module_findings(policy: Policy, size: float, line_width_mm: float) -> list[Finding]:
    """A code's modules smaller than the line can make."""
    least = policy.code_cell_lines * line_width_mm
    if size >= least - _LEAST_MM:
        return []
    message = f"Modules of {size:.2f} mm; this line makes them from {_step_up(least):.2f} mm on."
    return [_limit("module_too_small", message, size, least)]


def stroke_findings(
    policy: Policy, features: Features, size: float, line_width_mm: float, inscription: Inscription
) -> list[Finding]:
    """A stroke thinner than a process without centre lines can make, and from which size it can."""
    stroke, limit = features.stroke, policy.stroke_lines * line_width_mm
    if stroke is None or stroke.width * size >= limit - _LEAST_MM:
        return []
    return [_too_fine("stroke_too_thin", "thinnest stroke", stroke, size, limit, inscription)]


def fine_from(finding: Finding, size: float) -> float | None:
    """The size from which what that finding measured, at `size`, is no longer too fine; None for others."""
    if finding.code in _WHEN_BURNED:
        return finding.limit
    if finding.code not in _TOO_FINE or not finding.measured or finding.limit is None:
        return None
    return _step_up(size * finding.limit / finding.measured)


_TOO_FINE = frozenset({"stroke_too_thin", "module_too_small"})
_WHEN_BURNED = frozenset({"counter_closed", "slit_closed", "part_lost"})


def _too_fine(
    code: str, what: str, feature: Feature, size: float, limit: float, inscription: Inscription
) -> Finding:
    whole = isinstance(inscription, ArtworkInscription | MonogramInscription)
    where = "" if whole else f" of character {feature.span[0] + 1}"
    if feature.span[1] - feature.span[0] > 1 and not whole:
        where = f" at characters {feature.span[0] + 1} to {feature.span[1]}"
    message = (
        f"The {what}{where} is {feature.width * size:.3f} mm; the line needs {limit:.3f} mm. "
        f"It works at a {SIZE_WORDS[inscription.kind]} of {_step_up(limit / feature.width):.2f} mm or more."
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


def _limit(code: str, message: str, measured: float, limit: float) -> Finding:
    return Finding(code, Severity.REFUSE, message, measured=measured, limit=limit, unit="mm")


def _step_up(size: float) -> float:
    return round(math.ceil(size / HEIGHT_STEP_MM - 1e-9) * HEIGHT_STEP_MM, 6)


def _shown(by_mm: float) -> str:
    """Tenths, or hundredths where tenths would say nought."""
    return f"{by_mm:.1f}" if by_mm >= 0.1 else f"{max(by_mm, 0.01):.2f}"
