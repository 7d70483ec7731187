"""Letters of one alphabet in a word of another: a slip of the keyboard, or a trick.

The rule, after "mixed-script confusables" of Unicode Technical Standard 39 and by its data (`shapes`): a word
(letters and marks in a row) should be of one alphabet. Its alphabet is that of most of its letters
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

from fontTools import unicodedata as scripts

from layout.lettering.shapes import twins
from layout.shop.findings import Finding, Severity

#: Script codes of what all scripts share: common, inherited, unknown.
SHARED_SCRIPTS = frozenset({"Zyyy", "Zinh", "Zzzz"})
_TOGETHER = dict.fromkeys(("Hani", "Hira", "Kana", "Bopo", "Hang"), "Hani")

Letter = tuple[int, str, str]  # grapheme index, character, script


def look_alikes(clusters: tuple[str, ...], script_of: Callable[[str], str]) -> list[Finding]:
    """Findings for every word of mixed alphabets; spans are grapheme ranges."""
    findings = []
    for letters, home in _mixed(clusters, script_of):
        strangers = [letter for letter in letters if letter[2] != home]
        alike = [letter for letter in strangers if _has_twin(letter, home)]
        for index, char, script in alike:
            message = (
                f"Character {index + 1} is the {_named(script)} letter U+{ord(char):04X};"
                f" it looks like the {_named(home)} {twins(char, home)[0]} but is another letter."
            )
            findings.append(Finding("look_alike", Severity.REFUSE, message, span=(index, index + 1)))
        if len(alike) < len(strangers):
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
                index, char, _ = letter
                put_right[index] = twins(char, home)[0] + clusters[index][1:]
    return tuple(put_right)


def _mixed(clusters: tuple[str, ...], script_of: Callable[[str], str]) -> Iterator[tuple[list[Letter], str]]:
    """Words of more than one alphabet, each with the alphabet that it is taken to be written in."""
    for letters in _words(clusters, script_of):
        if len({script for _, _, script in letters}) > 1:
            yield letters, _alphabet(letters)


def _named(script: str) -> str:
    """A script's name in English, such as Cyrillic for Cyrl."""
    return str(scripts.script_name(script)).replace("_", " ")


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
    alphabets = sorted({script for _, _, script in letters}, key=lambda script: (script != "Latn", script))
    plain = [
        script
        for _, char, script in letters
        if not any(_has_twin((0, char, script), other) for other in alphabets if other != script)
    ]
    counted = plain or [script for _, _, script in letters]
    return max(alphabets, key=counted.count)  # the first of equals: Latin


def _has_twin(letter: Letter, alphabet: str) -> bool:
    """Whether an alphabet has a letter that looks like this one."""
    return bool(twins(letter[1], alphabet))
