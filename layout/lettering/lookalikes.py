"""Letters of one alphabet in a word of another: a slip of the keyboard, or a trick.

The rule, after "mixed-script confusables" of Unicode Technical Standard 39, on a short list of our own:
a word (letters and marks in a row) should be of one alphabet. Its alphabet is that of most of its letters
which have no twin elsewhere, else of most of its letters, else Latin. Every letter of another alphabet is

- refused as a look-alike when the word's own alphabet has a letter of the same printed shape (the person who
  approves the picture can't see the difference, nor could anybody search for the engraved name later);
- else something to look at: alphabets are mixed, but visibly.

A word that is wholly of one alphabet is taken as it is, even when all its letters have twins (Cyrillic
"сосна").
Alphabets that are written together (Japanese, Korean, Chinese) count as one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from layout.shop.findings import Finding, Severity

#: Letters with the same printed shape as a Latin one, drawn from the capitals and small letters that are
#: identical in ordinary text faces.
_TWINS = {
    "Cyrl": dict(zip("АВЕЅІЈКМНОРСТУХԚԜаеорсухіјѕԁһԛԝӏ", "ABESIJKMHOPCTYXQWaeopcyxijsdhqwl", strict=True)),
    "Grek": dict(zip("ΑΒΕΖΗΙΚΜΝΟΡΤΥΧϹϳονϲ", "ABEZHIKMNOPTYXCjovc", strict=True)),
    "Armn": dict(zip("օՕՍոհ", "oOUnh", strict=True)),
}
_LATIN_SHAPE = {char: shape for table in _TWINS.values() for char, shape in table.items()}
_SHAPES = {script: frozenset(table.values()) for script, table in _TWINS.items()}
_NAMES = {"Cyrl": "Cyrillic", "Grek": "Greek", "Armn": "Armenian", "Latn": "Latin"}
#: Script codes of what all scripts share: common, inherited, unknown.
SHARED_SCRIPTS = frozenset({"Zyyy", "Zinh", "Zzzz"})
_TOGETHER = dict.fromkeys(("Hani", "Hira", "Kana", "Bopo", "Hang"), "Hani")

Letter = tuple[int, str, str]  # grapheme index, character, script


def look_alikes(clusters: tuple[str, ...], script_of: Callable[[str], str]) -> list[Finding]:
    """Findings for every word of mixed alphabets; spans are grapheme ranges."""
    findings = []
    for letters, home in _mixed(clusters, script_of):
        strangers = [letter for letter in letters if letter[2] != home]
        twins = [letter for letter in strangers if _has_twin(letter, home)]
        for index, char, script in twins:
            message = (
                f"Character {index + 1} is the {_NAMES.get(script, script)} letter U+{ord(char):04X};"
                f" it looks like the {_NAMES.get(home, home)} {_shape(char, script)} but is another letter."
            )
            findings.append(Finding("look_alike", Severity.REFUSE, message, span=(index, index + 1)))
        if len(twins) < len(strangers):
            span = (letters[0][0], letters[-1][0] + 1)
            message = "One word mixes letters of different alphabets."
            findings.append(Finding("mixed_alphabets", Severity.REVIEW, message, span=span))
    return findings


def without_look_alikes(clusters: tuple[str, ...], script_of: Callable[[str], str]) -> tuple[str, ...]:
    """The same graphemes with every look-alike replaced by the letter of its word's own alphabet."""
    put_right = list(clusters)
    for letters, home in _mixed(clusters, script_of):
        for letter in letters:
            if letter[2] != home and _has_twin(letter, home):
                index, char, script = letter
                put_right[index] = _letter_of(home, _shape(char, script) or char) + clusters[index][1:]
    return tuple(put_right)


def _mixed(clusters: tuple[str, ...], script_of: Callable[[str], str]) -> Iterator[tuple[list[Letter], str]]:
    """Words of more than one alphabet, each with the alphabet that it is taken to be written in."""
    for letters in _words(clusters, script_of):
        if len({script for _, _, script in letters}) > 1:
            yield letters, _alphabet(letters)


def _letter_of(alphabet: str, shape: str) -> str:
    return next((char for char, twin in _TWINS.get(alphabet, {}).items() if twin == shape), shape)


def _words(clusters: tuple[str, ...], script_of: Callable[[str], str]) -> Iterator[list[Letter]]:
    word: list[Letter] = []
    for index, cluster in enumerate(clusters):
        if not cluster[0].isalpha():
            if word:
                yield word
            word = []
            continue
        script = script_of(cluster[0])
        if script not in SHARED_SCRIPTS:
            word.append((index, cluster[0], _TOGETHER.get(script, script)))
    if word:
        yield word


def _alphabet(letters: list[Letter]) -> str:
    """The alphabet that a word is written in."""
    scripts = sorted({script for _, _, script in letters}, key=lambda script: (script != "Latn", script))
    plain = [
        script
        for _, char, script in letters
        if not any(_has_twin((0, char, script), other) for other in scripts if other != script)
    ]
    counted = plain or [script for _, _, script in letters]
    return max(scripts, key=counted.count)  # the first of equals: Latin


def _shape(char: str, script: str) -> str | None:
    return char if script == "Latn" else _LATIN_SHAPE.get(char)


def _has_twin(letter: Letter, alphabet: str) -> bool:
    """Whether an alphabet has a letter that looks like this one."""
    shape = _shape(letter[1], letter[2])
    return shape is not None and (alphabet == "Latn" or shape in _SHAPES.get(alphabet, frozenset()))
