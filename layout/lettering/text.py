"""The buyer's words before they become shapes: normal form, graphemes, and what can't be accepted.

Nothing is changed silently: the words are brought to NFC (the same text by definition, Unicode Annex 15),
a typed line break is one character however a form sent it, and everything else is a finding.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache

import regex
import unicodedata2
from fontTools import unicodedata as scripts

from layout.lettering.lookalikes import SHARED_SCRIPTS, look_alikes, without_look_alikes
from layout.shop.findings import Finding, Severity
from layout.shop.shop import Policy

LINE_FEED = "\n"
#: Scripts whose letters change shape with their neighbours, so that a joiner between them has a meaning.
JOINING_SCRIPTS = frozenset(
    {"Arab", "Syrc", "Mong", "Nkoo", "Adlm", "Rohg", "Mand"}
    | {"Deva", "Beng", "Guru", "Gujr", "Orya", "Taml", "Telu", "Knda", "Mlym", "Sinh", "Khmr", "Mymr"}
)
#: A reader takes no more than this for one letter; UAX 15 calls 30 marks in a row the most that is sane.
MOST_POINTS_PER_GRAPHEME = 16
#: A text that many times too long is not looked at letter by letter.
_FAR_TOO_LONG = 8

_GRAPHEME = regex.compile(r"\X")
_JOINERS = frozenset("\u200c\u200d")
_ZERO_WIDTH = regex.compile(
    r"[\u00ad\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b\u2060-\u2064\u3164\ufe00-\ufe0f\ufeff\uffa0"
    r"\U000E0100-\U000E01EF]"
)
_BIDI_CONTROL = regex.compile(r"[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_ODDITIES = {
    "zero_width": "invisible and takes no room",
    "bidi_control": "an invisible control of the reading direction",
    "control_character": "a control character",
    "private_character": "a private-use character",
    "unassigned_character": "no assigned character",
    "replacement_character": "the sign for a character that was lost on the way",
    "lone_mark": "a mark with no letter to stand on",
    "overloaded_character": "a letter with too many marks",
}
_BY_CATEGORY = {
    **dict.fromkeys(("Cc", "Cf", "Zl", "Zp"), "control_character"),
    "Co": "private_character",
    "Cn": "unassigned_character",
}


def normalise(text: str) -> str:
    """The text in NFC, with Unicode 18 data whatever the interpreter's own, and every typed line break (CR LF
    from web forms, CR) as the one U+000A that it is.

    >>> normalise("Happy 40th\\r\\nBeatriz")
    'Happy 40th\\nBeatriz'
    """
    if "\r" in text:
        text = text.replace("\r\n", LINE_FEED).replace("\r", LINE_FEED)
    if text.isascii():
        return text
    normal: str = unicodedata2.normalize("NFC", text)
    return normal


def graphemes(text: str) -> tuple[str, ...]:
    """What a reader calls characters: extended grapheme clusters (Unicode Annex 29).

    >>> [len(cluster) for cluster in graphemes("e\\u0301a")]
    [2, 1]
    """
    if text.isascii() and "\r" not in text:
        return tuple(text)  # only CR LF would be a cluster of two
    return tuple(_GRAPHEME.findall(text))


@lru_cache(maxsize=64)
def shaped_together(text: str) -> tuple[str, ...]:
    """For each grapheme what is shaped to see whether a font can draw it: a vowel sign that is a grapheme of
    its own with the letter that it belongs to. Of the last words: every font is asked about them."""
    together: list[str] = []
    for grapheme in graphemes(text):
        together.append(together[-1] + grapheme if together and is_mark(grapheme[0]) else grapheme)
    return tuple(together)


@lru_cache(maxsize=4096)
def script_of(char: str) -> str:
    """ISO 15924 code of a character's script; Zyyy and Zinh for what all scripts share."""
    code: str = scripts.script(char)
    return code


@lru_cache(maxsize=32)  # every suggestion of other fonts and sizes asks for the same words again
def inspect(text: str, policy: Policy) -> tuple[Finding, ...]:
    """Everything about the words alone that stands in the way of engraving them, all at once.

    Spans are grapheme ranges of the NFC text.
    """
    if any("\ud800" <= char <= "\udfff" for char in text):
        return (Finding("lone_surrogate", Severity.REFUSE, "The words hold half of a character."),)
    if len(text) > _FAR_TOO_LONG * max(policy.max_graphemes, 1) * MOST_POINTS_PER_GRAPHEME:
        return (_too_many(len(text), policy.max_graphemes, "in all"),)
    clusters = graphemes(normalise(text))
    findings: list[Finding] = []
    if all(_is_blank(cluster) for cluster in clusters):
        findings.append(
            Finding("empty_text", Severity.REFUSE, "There is nothing to engrave: the words are empty.")
        )
    findings += _oddities(clusters)
    if not text.isascii():
        findings += look_alikes(clusters, script_of)
    findings += _lengths(clusters, policy)
    return tuple(findings)


def plain_words(text: str) -> str:
    """The words without characters that can't be engraved, and with each look-alike replaced by the letter it
    looks like: an offer for a person to take, never a silent change."""
    kept: list[str] = []
    before = ""
    for cluster in graphemes(normalise("".join(char for char in text if not "\ud800" <= char <= "\udfff"))):
        odd = {char: code for code, char in _oddities_of(cluster, before)}
        if "overloaded_character" in odd.values():
            kept.append(cluster[0])
        else:
            kept += (char if char not in odd else " " if char.isspace() else "" for char in cluster)
        before = next((char for char in reversed(cluster) if script_of(char) not in SHARED_SCRIPTS), "")
    clusters = graphemes("".join(kept))
    return normalise("".join(without_look_alikes(clusters, script_of)).strip())


def _is_blank(cluster: str) -> bool:
    return all(char.isspace() or char in _JOINERS or _ZERO_WIDTH.match(char) for char in cluster)


def _oddities(clusters: tuple[str, ...]) -> list[Finding]:
    findings = []
    before = ""  # the last character seen that isn't shared by all scripts
    for index, cluster in enumerate(clusters):
        if cluster == LINE_FEED or (cluster.isascii() and cluster.isprintable()):
            before = cluster
            continue
        for code, char in _oddities_of(cluster, before):
            message = f"Character {index + 1} is {_ODDITIES[code]} (U+{ord(char):04X}); it can't be engraved."
            findings.append(Finding(code, Severity.REFUSE, message, span=(index, index + 1)))
        before = next((char for char in reversed(cluster) if script_of(char) not in SHARED_SCRIPTS), "")
    return findings


def _oddities_of(cluster: str, before: str) -> list[tuple[str, str]]:
    """(code, character) of all that is odd in a grapheme; `before` is the letter in front of it."""
    oddities = []
    if len(cluster) > MOST_POINTS_PER_GRAPHEME:
        oddities.append(("overloaded_character", cluster[0]))
    if is_mark(cluster[0]) and not (_ZERO_WIDTH.match(cluster[0]) or stands_on(before, cluster[0])):
        oddities.append(("lone_mark", cluster[0]))
    for char in cluster:
        if char in _JOINERS:
            # A joiner shapes the letter in front of it; elsewhere it is an invisible difference.
            if not before or script_of(before) not in JOINING_SCRIPTS:
                oddities.append(("zero_width", char))
        elif (code := _oddity(char)) is not None:
            oddities.append((code, char))
        if script_of(char) not in SHARED_SCRIPTS:
            before = char
    return oddities


def is_mark(char: str) -> bool:
    """Whether a character is a mark, which needs a letter to stand on."""
    return bool(unicodedata2.category(char).startswith("M"))


#: General categories by the kinds that a zone may take (Unicode Standard, chapter 4.5).
_KINDS = {"letters": "LM", "digits": "N", "punctuation": "P", "symbols": "S"}


def is_of(cluster: str, kinds: Collection[str], signs: str = "") -> bool:
    """Whether a grapheme is of one of these kinds (letters, digits, punctuation, symbols), one of these
    signs, or a blank.

    >>> is_of("é", {"letters"}), is_of("♥", {"letters"}), is_of("♥", {"letters"}, "♥")
    (True, False, True)
    """
    if cluster.isspace() or cluster in graphemes(signs):
        return True
    return any(unicodedata2.category(cluster[0])[0] in _KINDS[kind] for kind in kinds)


def stands_on(letter: str, mark: str) -> bool:
    """Whether a mark that is a grapheme of its own belongs to the letter before it all the same.

    Vowel signs that stand beside their letter, as those of Burmese, begin a grapheme by Unicode Annex 29.
    """
    return bool(letter) and unicodedata2.category(mark) == "Mc" and script_of(letter[-1]) == script_of(mark)


def _oddity(char: str) -> str | None:
    if char == LINE_FEED:
        return None
    if _ZERO_WIDTH.match(char):
        return "zero_width"
    if _BIDI_CONTROL.match(char):
        return "bidi_control"
    if char in "\ufffd\ufffc":
        return "replacement_character"
    return _BY_CATEGORY.get(unicodedata2.category(char))


def _lengths(clusters: tuple[str, ...], policy: Policy) -> list[Finding]:
    longest = here = 0
    for cluster in clusters:
        here = 0 if cluster == LINE_FEED else here + 1
        longest = max(longest, here)
    return [
        _too_many(measured, limit, where)
        for measured, limit, where in (
            (len(clusters), policy.max_graphemes, "in all"),
            (longest, policy.max_graphemes_per_line, "in one line"),
        )
        if measured > limit
    ]


def _too_many(measured: int, limit: int, where: str) -> Finding:
    message = f"{measured} characters {where}; at most {limit} are taken."
    return Finding(
        "too_many_characters",
        Severity.REFUSE,
        message,
        measured=float(measured),
        limit=float(limit),
        unit="characters",
    )


__all__ = [
    "JOINING_SCRIPTS",
    "LINE_FEED",
    "MOST_POINTS_PER_GRAPHEME",
    "SHARED_SCRIPTS",
    "graphemes",
    "inspect",
    "is_mark",
    "is_of",
    "normalise",
    "plain_words",
    "script_of",
]
