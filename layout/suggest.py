"""What could be engraved instead: inscriptions that the same check accepts, and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import chain
from typing import Any

from layout.findings import Finding, Verdict, verdict_of
from layout.fonts import suggest
from layout.parts import (
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    Shop,
    TextInscription,
)
from layout.text import normalise, plain_words

MOST_SUGGESTIONS = 3
#: Every suggestion costs a check; a bench of fonts must not make one refusal slow.
MOST_TRIED = 8

#: Words that no other size, font or zone makes acceptable. Only other words do.
_WORDS = frozenset(
    {
        "empty_text", "control_character", "zero_width", "private_character", "unassigned_character",
        "lone_surrogate", "look_alike", "too_many_characters", "initials_count", "code_content",
        "bidi_control", "lone_mark", "overloaded_character", "replacement_character",
    }
)  # fmt: skip

TryOne = Callable[[Inscription], tuple[Any, list[Finding]]]


def suggestions_for(
    shop: Shop, sku: str, checked: Any, findings: list[Finding], *, try_one: TryOne
) -> list[Finding]:
    """The findings, the first refusing one with up to MOST_SUGGESTIONS inscriptions that pass the check."""
    passing: list[Inscription] = []
    codes = {finding.code for finding in findings}
    wordings = [_cleaned(checked.inscription)] if codes & _WORDS else [checked.inscription]
    candidates = chain.from_iterable(
        chain([wording] if wording != checked.inscription else [], _candidates(shop, sku, wording))
        for wording in wordings
        if wording is not None
    )
    for tried, candidate in enumerate(candidates):
        if tried >= MOST_TRIED or len(passing) >= MOST_SUGGESTIONS:
            break
        _, said = try_one(candidate)
        if verdict_of(tuple(said)) is not Verdict.REFUSE:
            passing.append(candidate)
    first = next(i for i, finding in enumerate(findings) if verdict_of((finding,)) is Verdict.REFUSE)
    return [
        replace(finding, suggestions=tuple(passing)) if index == first else finding
        for index, finding in enumerate(findings)
    ]


def _cleaned(inscription: Inscription) -> Inscription | None:
    """The words without what can't be seen and with look-alikes in the letters they look like; None if that
    leaves nothing or changes nothing."""
    if isinstance(inscription, TextInscription):
        words = plain_words(inscription.text)
        return replace(inscription, text=words) if words not in {"", inscription.text} else None
    if isinstance(inscription, MonogramInscription):
        words = plain_words(inscription.initials)
        return replace(inscription, initials=words) if words not in {"", inscription.initials} else None
    return None


def _candidates(shop: Shop, sku: str, inscription: Inscription) -> Iterator[Inscription]:
    """Smaller first, then other fonts that have every character, then other zones; each at most once."""
    if isinstance(inscription, CodeInscription):
        yield replace(inscription, cell_mm=None)
        return
    if isinstance(inscription, ArtworkInscription):
        yield replace(inscription, width_mm=None)
        return
    whole = replace(inscription, height_mm=None)
    if inscription.height_mm is not None:
        yield whole
    words = normalise(inscription.text if isinstance(inscription, TextInscription) else inscription.initials)
    blade = shop.blades[shop.products[sku].blade]
    zones = [zone for face in blade.faces for zone in face.zones]
    here = next((zone for zone in zones if zone.zone == inscription.zone), None)
    if here is None:
        return
    yield from (replace(whole, font=font) for font in _fonts(shop, words, here.fonts, inscription.font))
    for zone in zones:
        if zone is not here and inscription.kind in zone.kinds and inscription.font in zone.fonts:
            yield replace(whole, zone=zone.zone)


def _fonts(shop: Shop, words: str, allowed: tuple[str, ...], asked: str) -> list[str]:
    """Fonts that have every character, those of the asked font's style first."""
    style = shop.fonts[asked].style if asked in shop.fonts else ""
    able = [font for font in suggest(words, shop.fonts, allowed) if font != asked]
    return sorted(able, key=lambda font: shop.fonts[font].style != style)
