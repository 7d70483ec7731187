"""What was asked for, before any geometry: is it offered here, are the words words, is the size a size."""

from __future__ import annotations

import math
from collections.abc import Sequence

from layout.fit.prepared_zone import LARGEST_MM
from layout.lettering.fonts import Font, FontRefused, open_font
from layout.lettering.text import LINE_FEED, graphemes, inspect, is_of, normalise
from layout.lettering.word_lists import matches
from layout.marks import codes, monogram
from layout.shop.blades import ANY_CHARACTER, Zone
from layout.shop.findings import Finding, Severity
from layout.shop.inscriptions import (
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    TextInscription,
)
from layout.shop.measure import HEIGHT_STEP_MM
from layout.shop.shop import Policy, Shop

#: Words that no size, font or zone makes acceptable, only other words do.
WRONG_WORDS = frozenset(
    {
        "empty_text",
        "control_character",
        "bidi_control",
        "zero_width",
        "private_character",
        "unassigned_character",
        "replacement_character",
        "lone_mark",
        "overloaded_character",
        "lone_surrogate",
        "look_alike",
        "too_many_characters",
        "initials_count",
        "too_many_lines",
        "character_not_offered",
        "words_not_taken",
    }
)
#: With one of these nothing is set, let alone placed: what the request alone decides costs no geometry, and
#: no word reaches the shaper that it was not made for (ICU takes a control character for a paragraph's end).
NOTHING_TO_PLACE = WRONG_WORDS | frozenset(
    {
        "unknown_font",
        "unknown_artwork",
        "font_refused",
        "missing_glyph",
        "code_content",
        "size_out_of_range",
    }
)
SIZE_WORDS = {"text": "capital height", "monogram": "capital height", "artwork": "width", "code": "module"}
#: A finding names so many missing characters, and says how many more there are.
_MOST_NAMED = 8


def words_of(inscription: Inscription) -> str | None:
    """The words of an inscription that has any."""
    if isinstance(inscription, TextInscription):
        return inscription.text
    return inscription.initials if isinstance(inscription, MonogramInscription) else None


def size_asked(inscription: Inscription) -> float | None:
    """The size that was asked for: capital height, width or module (mm)."""
    if isinstance(inscription, TextInscription | MonogramInscription):
        return inscription.height_mm
    return inscription.width_mm if isinstance(inscription, ArtworkInscription) else inscription.cell_mm


def asked_findings(shop: Shop, zone: Zone, inscription: Inscription) -> list[Finding]:
    """Everything that can be said before the inscription is set."""
    return [
        *_not_offered(shop, zone, inscription),
        *_size_out_of_range(inscription),
        *_wrong_words(shop, inscription),
        *_zone_rules(zone, inscription),
        *_listed_words(shop, inscription),
        *_too_many_lines(zone, inscription),
    ]


def _refuse(code: str, message: str) -> Finding:
    return Finding(code, Severity.REFUSE, message)


def _not_offered(shop: Shop, zone: Zone, inscription: Inscription) -> list[Finding]:
    """What the zone and the shop don't offer."""
    findings = []
    if inscription.kind not in zone.kinds:
        message = f"This zone takes {', '.join(sorted(zone.kinds))}; not {inscription.kind}."
        findings.append(_refuse("kind_not_offered", message))
    if isinstance(inscription, TextInscription | MonogramInscription):
        if inscription.font not in shop.fonts:
            findings.append(_refuse("unknown_font", "There is no font of that name."))
        elif inscription.font not in zone.fonts:
            findings.append(_refuse("font_not_offered", "This font is not offered for this zone."))
    if isinstance(inscription, ArtworkInscription):
        artwork = shop.artworks.get(inscription.artwork)
        if artwork is None or artwork.use == "frame":
            findings.append(_refuse("unknown_artwork", "There is no mark of that name."))
    if isinstance(inscription, MonogramInscription) and inscription.frame is not None:
        frame = shop.artworks.get(inscription.frame)
        if frame is None or frame.use != "frame":
            findings.append(_refuse("unknown_artwork", "There is no frame of that name."))
    return findings


def _size_out_of_range(inscription: Inscription) -> list[Finding]:
    size = size_asked(inscription)
    if size is None or (math.isfinite(size) and HEIGHT_STEP_MM <= size <= LARGEST_MM):
        return []
    message = (
        f"The {SIZE_WORDS[inscription.kind]} is a finite number above 0: "
        f"from {HEIGHT_STEP_MM:g} to {LARGEST_MM:g} mm."
    )
    # A number that is not finite has no place in a finding, which becomes JSON.
    measured = float(size) if math.isfinite(size) else None
    return [Finding("size_out_of_range", Severity.REFUSE, message, measured=measured, unit="mm")]


def _wrong_words(shop: Shop, inscription: Inscription) -> list[Finding]:
    """What is wrong with the words or the content themselves, and characters that the font lacks."""
    if isinstance(inscription, CodeInscription):
        return codes.content_findings(inscription.content, shop.policy)
    if isinstance(inscription, TextInscription):
        findings = list(inspect(inscription.text, shop.policy))
        return findings + _missing_glyphs(shop, inscription.font, inscription.text, findings)
    if isinstance(inscription, MonogramInscription):
        findings = _initials(inscription.initials, shop.policy)
        return findings + _missing_glyphs(shop, inscription.font, inscription.initials, findings)
    return []


def _zone_rules(zone: Zone, inscription: Inscription) -> list[Finding]:
    """More characters than the zone takes, or characters of a kind that it does not take."""
    words = words_of(inscription)
    if words is None or (zone.max_graphemes is None and zone.characters == ANY_CHARACTER):
        return []
    clusters = graphemes(normalise(words))
    findings = []
    if zone.max_graphemes is not None and len(clusters) > zone.max_graphemes:
        findings.append(
            Finding(
                "too_many_characters",
                Severity.REFUSE,
                f"{len(clusters)} characters; this zone takes {zone.max_graphemes}.",
                measured=float(len(clusters)),
                limit=float(zone.max_graphemes),
                unit="characters",
            )
        )
    taken = set(zone.characters)
    for start, end in _runs([at for at, one in enumerate(clusters) if not is_of(one, taken, zone.signs)]):
        message = f"This zone takes {', '.join(sorted(taken))}; not {named(clusters[start])}."
        findings.append(Finding("character_not_offered", Severity.REFUSE, message, span=(start, end)))
    return findings


def _listed_words(shop: Shop, inscription: Inscription) -> list[Finding]:
    """Words of the shop's lists, whose findings say nothing of which and why but to the desk."""
    content = inscription.content if isinstance(inscription, CodeInscription) else words_of(inscription)
    if content is None or not shop.words.lists:
        return []
    findings = []
    for code, severity, message in (
        ("words_not_taken", Severity.REFUSE, "The shop does not engrave these words."),
        ("words_to_review", Severity.REVIEW, "A person of the shop looks at these words first."),
    ):
        found = [match for match in matches(shop.words, content) if match.list.severity == severity.value]
        if found:
            why = "; ".join(f"“{one.word}” ({one.list.name}): {one.list.reason}" for one in found)
            findings.append(Finding(code, severity, message, for_desk=why))
    return findings


def _initials(initials: str, policy: Policy) -> list[Finding]:
    findings = list(inspect(initials, policy))
    if any(finding.code == "lone_surrogate" for finding in findings):
        return findings
    if LINE_FEED in initials:
        findings.append(_refuse("control_character", "A monogram has no line breaks."))
    count = len(graphemes(normalise(initials.strip())))
    if not monogram.FEWEST_INITIALS <= count <= monogram.MOST_INITIALS:
        message = f"A monogram has one to three initials; these are {count} characters."
        findings.append(
            Finding(
                "initials_count",
                Severity.REFUSE,
                message,
                measured=float(count),
                limit=float(monogram.MOST_INITIALS),
                unit="characters",
            )
        )
    return findings


def _missing_glyphs(
    shop: Shop, font_name: str, words: str, findings_so_far: Sequence[Finding]
) -> list[Finding]:
    """One finding for each run of characters that the font lacks, but for those refused for themselves."""
    spec = shop.fonts.get(font_name)
    if spec is None or any(finding.code in {"lone_surrogate", "empty_text"} for finding in findings_so_far):
        return []
    normal = normalise(words)
    try:
        font: Font = open_font(spec)
        missing = {start for start, _ in font.missing(normal)}
    except FontRefused as error:
        return [_refuse("font_refused", f"{error}.")]
    if not missing:
        return []
    spoken_of = {
        finding.span[0] for finding in findings_so_far if finding.span and finding.severity is Severity.REFUSE
    }
    clusters = graphemes(normal)
    findings = []
    for start, end in _runs(sorted(missing - spoken_of)):
        names = list(dict.fromkeys(named(cluster) for cluster in clusters[start:end]))
        more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
        message = f"The font {spec.name} has no {', '.join(names[:_MOST_NAMED])}{more}."
        findings.append(Finding("missing_glyph", Severity.REFUSE, message, span=(start, end)))
    return findings


def named(cluster: str) -> str:
    """A character as a message can show it: itself where it can be seen, and its code points.

    >>> named("\\u2603")
    '“☃” (U+2603)'
    """
    points = " ".join(f"U+{ord(char):04X}" for char in cluster)
    return f"“{cluster}” ({points})" if cluster.isprintable() and not cluster.isspace() else points


def _runs(indices: Sequence[int]) -> list[tuple[int, int]]:
    """Half-open ranges of neighbouring indices."""
    runs: list[tuple[int, int]] = []
    for index in indices:
        if runs and runs[-1][1] == index:
            runs[-1] = (runs[-1][0], index + 1)
        else:
            runs.append((index, index + 1))
    return runs


def _too_many_lines(zone: Zone, inscription: Inscription) -> list[Finding]:
    """More of the buyer's own lines than the zone takes."""
    own = normalise(inscription.text).count(LINE_FEED) + 1 if isinstance(inscription, TextInscription) else 1
    if own <= zone.max_lines:
        return []
    return [
        Finding(
            "too_many_lines",
            Severity.REFUSE,
            f"{own} lines; this zone takes {zone.max_lines}.",
            measured=float(own),
            limit=float(zone.max_lines),
            unit="lines",
        )
    ]
