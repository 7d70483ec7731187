"""The smallest height at which a font can be burned: counters and slits stay open and nothing is lost.

A first form: looked at on a few letters with the narrowest counters, slits and crossbars of their script. It
says from where a font is offered; whether certain words can be burned is the check's to say.
"""

from __future__ import annotations

from collections.abc import Iterator

from layout.check.burned_findings import letter_shape
from layout.check.burned_letters import burned_letter
from layout.lettering.fonts import Font
from layout.lettering.typeset import Cluster, compose
from layout.marks.features import FeatureStore, features_of, keep_hulls
from layout.shop.shop import Policy
from layout.shop.stations import Process

#: By common practice, no source: where letters close first.
LETTERS = "BEMRSWaegks&258ЖБФдея ΦΞβθξ שאםפ هضعم".replace(" ", "")
#: Heights (mm) are tried upward in these steps. That a letter is fine at one height proves nothing about
#: another, so a few in a row must be fine.
_LEAST_MM, _MOST_MM, _GROWTH, _IN_A_ROW = 1.0, 30.0, 1.12, 3
#: An E's three bars and two gaps can't stand in fewer; far below, its gaps count as flaws of the drawing.
_LEAST_LINES = 4.0
#: Goes up when another figure may come out for the same font and recipe.
SMALLEST_VERSION = 2


def smallest_mm(
    font: Font, process: Process, policy: Policy, *, store: FeatureStore | None = None
) -> float | None:
    """The capital height (mm) from which a process burns the font's letters; None where it never does, or
    the font has none of LETTERS. Raises FontRefused."""
    keep_hulls(font, store)
    letters = "".join(letter for letter in LETTERS if font.covers(letter))
    clusters = [c for letter in letters for c in compose([letter], font).clusters if c.glyphs]
    floor = _floor(font, letters, process, policy, store)
    fine: list[float] = []
    for height in _heights():
        if height < floor:
            continue
        faulty = next((c for c in clusters if _is_faulty(font, c, height, process, policy)), None)
        if faulty is not None:
            clusters.remove(faulty)
            clusters.insert(0, faulty)  # it closes first at the next height too
            fine = []
            continue
        fine.append(height)
        if len(fine) == _IN_A_ROW:
            return fine[0] if clusters else None
    return None


def _heights() -> Iterator[float]:
    height = _LEAST_MM
    while height <= _MOST_MM:
        yield round(height, 2)
        height *= _GROWTH


def _is_faulty(font: Font, cluster: Cluster, height: float, process: Process, policy: Policy) -> bool:
    shape = letter_shape(font, cluster, height)
    return bool(burned_letter(shape, process, open_lines=policy.open_lines).faults)


def _floor(font: Font, letters: str, process: Process, policy: Policy, store: FeatureStore | None) -> float:
    """The least height (mm) that is looked at: without centre lines no stroke may be thinner than the line
    makes (see `stroke_findings`)."""
    least = _LEAST_LINES * process.line_width_mm
    if process.burns_centre_lines or not letters:
        return least
    stroke = features_of(compose([letters], font), store=store).stroke
    return max(least, policy.stroke_lines * process.line_width_mm / stroke.width) if stroke else least
