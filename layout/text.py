"""The buyer's words before they become shapes: normal form, graphemes, and what can't be accepted.

Nothing is changed silently: the words are brought to NFC (the same text by definition, Unicode Annex 15)
and everything else is a finding.
"""

from __future__ import annotations

import regex
import unicodedata2
from fontTools import unicodedata as scripts

from layout.findings import Finding, Severity
from layout.parts import Policy

LINE_FEED = "\n"
_GRAPHEME = regex.compile(r"\X")
_JOINERS = {"\u200c", "\u200d"}  # ZWNJ and ZWJ have a meaning inside Arabic and Indic words
_ZERO_WIDTH = {"\u200b", "\u2060", "\ufeff", "\u00ad", "\u034f", "\u115f", "\u1160", "\u3164", "\u180e"}
_JOINING_SCRIPTS = {"Arab", "Syrc", "Mong", "Nkoo", "Deva", "Beng", "Guru", "Gujr", "Orya", "Taml", "Telu",
                    "Knda", "Mlym", "Sinh", "Khmr"}  # fmt: skip
#: Letters of one script that the eye takes for another's. Pairs chosen from the identical printed shapes
#: of Latin, Greek and Cyrillic capitals and small letters (compare Unicode Technical Standard 39).
LOOK_ALIKES = {
    "Cyrl": dict(zip("АВЕЅІЈКМНОРСТУХаеорсухіјѕԁ", "ABESIJKMHOPCTYXaeopcyxijsd", strict=True)),
    "Grek": dict(zip("ΑΒΕΖΗΙΚΜΝΟΡΤΥΧορν", "ABEZHIKMNOPTYXopv", strict=True)),
}
_LATIN_OF = {char: (script, latin) for script, table in LOOK_ALIKES.items() for char, latin in table.items()}


def normalise(text: str) -> str:
    """The text in NFC, with Unicode 18 data whatever the interpreter's own."""
    normal: str = unicodedata2.normalize("NFC", text)
    return normal


def graphemes(text: str) -> tuple[str, ...]:
    """What a reader calls characters: extended grapheme clusters (Unicode Annex 29).

    >>> graphemes("e\\u0301a")
    ('é', 'a')
    """
    return tuple(_GRAPHEME.findall(text))


def inspect(text: str, policy: Policy) -> tuple[Finding, ...]:
    """Everything about the words alone that stands in the way of engraving them, all at once."""
    if any(0xD800 <= ord(char) <= 0xDFFF for char in text):
        return (Finding("lone_surrogate", Severity.REFUSE, "The words hold half of a character."),)
    clusters = graphemes(normalise(text))
    findings: list[Finding] = []
    if not text.strip() or all(_is_blank(cluster) for cluster in clusters):
        findings.append(
            Finding("empty_text", Severity.REFUSE, "There is nothing to engrave: the words are empty.")
        )
    findings += _odd_characters(clusters)
    findings += _look_alikes(clusters)
    findings += _lengths(clusters, policy)
    return tuple(findings)


def plain_words(text: str) -> str:
    """The words without characters that can't be engraved, and with the Latin twin of each look-alike in a
    Latin word: an offer for a person to take, never a silent change."""
    normal = normalise("".join(char for char in text if not 0xD800 <= ord(char) <= 0xDFFF))
    here = {script_of(char) for char in normal}
    kept = "".join(char for char in normal if char == LINE_FEED or _oddity(char, here) is None)
    clusters = list(graphemes(kept))
    for finding in _look_alikes(tuple(clusters)):
        if finding.code == "look_alike" and finding.span:
            at = finding.span[0]
            clusters[at] = "".join(_LATIN_OF.get(char, ("", char))[1] for char in clusters[at])
    return "".join(clusters).strip()


def script_of(char: str) -> str:
    """ISO 15924 code of a character's script; Zyyy and Zinh for what all scripts share."""
    code: str = scripts.script(char)
    return code


def _is_blank(cluster: str) -> bool:
    return all(char.isspace() or char in _ZERO_WIDTH or char in _JOINERS for char in cluster)


def _odd_characters(clusters: tuple[str, ...]) -> list[Finding]:
    findings = []
    scripts_here = {script_of(char) for cluster in clusters for char in cluster}
    for index, cluster in enumerate(clusters):
        for char in cluster:
            if char == LINE_FEED:
                continue
            said = _oddity(char, scripts_here)
            if said:
                code, what = said
                message = f"Character {index + 1} is {what} (U+{ord(char):04X}); it can't be engraved."
                findings.append(Finding(code, Severity.REFUSE, message, span=(index, index + 1)))
    return findings


def _oddity(char: str, scripts_here: set[str]) -> tuple[str, str] | None:
    category = unicodedata2.category(char)
    if char in _ZERO_WIDTH or (char in _JOINERS and not scripts_here & _JOINING_SCRIPTS):
        return "zero_width", "invisible and takes no room"
    if char in _JOINERS:
        return None
    if category in {"Cc", "Cf", "Zl", "Zp"}:
        return "control_character", "a control character"
    if category == "Co":
        return "private_character", "a private-use character"
    if category == "Cn":
        return "unassigned_character", "no assigned character"
    return None


def _look_alikes(clusters: tuple[str, ...]) -> list[Finding]:
    """A word of one alphabet with a letter of another that looks the same: a slip, or a trick."""
    findings = []
    for start, end in _words(clusters):
        letters = [(i, char) for i in range(start, end) for char in clusters[i] if char.isalpha()]
        present = {script_of(char) for _, char in letters} - {"Zyyy", "Zinh"}
        if len(present) < 2:
            continue
        for index, char in letters:
            twin = _LATIN_OF.get(char)
            if twin and "Latn" in present:
                name = {"Cyrl": "Cyrillic", "Grek": "Greek"}[twin[0]]
                message = f"Character {index + 1} is the {name} letter that looks like Latin {twin[1]}."
                findings.append(Finding("look_alike", Severity.REFUSE, message, span=(index, index + 1)))
        if not any(_LATIN_OF.get(char) for _, char in letters):
            message = "One word mixes letters of different alphabets."
            findings.append(Finding("mixed_alphabets", Severity.REVIEW, message, span=(start, end)))
    return findings


def _words(clusters: tuple[str, ...]) -> list[tuple[int, int]]:
    words: list[tuple[int, int]] = []
    start: int | None = None
    for index, cluster in enumerate((*clusters, " ")):
        if cluster.isspace():
            if start is not None:
                words.append((start, index))
            start = None
        elif start is None:
            start = index
    return words


def _lengths(clusters: tuple[str, ...], policy: Policy) -> list[Finding]:
    findings = []
    longest = max((len(graphemes(line)) for line in "".join(clusters).split(LINE_FEED)), default=0)
    for measured, limit, what in (
        (len(clusters), policy.max_graphemes, "in all"),
        (longest, policy.max_graphemes_per_line, "in one line"),
    ):
        if measured > limit:
            message = f"{measured} characters {what}; at most {limit} are taken."
            findings.append(
                Finding("too_many_characters", Severity.REFUSE, message,
                        measured=float(measured), limit=float(limit), unit="characters")
            )  # fmt: skip
    return findings
