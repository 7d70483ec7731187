"""What a character looks like, whatever alphabet it is of: its prototype by Unicode's security data.

The data is that of Unicode Technical Standard 39 (confusables.txt), as ICU carries it. A word is looked at
character by character: where the standard takes two letters for one ("rn" for "m"), the one is kept, because
words of another length ("burn" and another) are other words to a reader.
"""

from __future__ import annotations

from functools import cache, lru_cache

import icu
import unicodedata2

_SPOOF = icu.SpoofChecker()
#: Prototypes of several characters that stand for one plain character.
_PLAIN = {
    shape: char for char in map(chr, range(0x21, 0x7F)) if len(shape := str(_SPOOF.getSkeleton(0, char))) > 1
}


@lru_cache(maxsize=8192)
def shape_of(char: str) -> str:
    """The prototype of one character in normal form D: the same for all characters that look alike.

    >>> [shape_of(char) for char in ("a", "\\u0430", "I", "1", "m")]
    ['a', 'a', 'l', 'l', 'm']
    """
    shape = str(_SPOOF.getSkeleton(0, char))
    return _PLAIN.get(shape, shape)


#: What is looked at most, looked up at once.
_ASCII = {number: shape_of(chr(number)) for number in range(0x80)}


def shapes_of(text: str) -> str:
    """The prototypes of a text's characters."""
    if text.isascii():
        return text.translate(_ASCII)
    return "".join(map(shape_of, unicodedata2.normalize("NFD", text)))


@cache
def _letters_by_shape(script: str) -> dict[str, tuple[str, ...]]:
    """The letters of a script (ISO 15924) by shape, plain ones first: those that people write with, which the
    standard recommends for names, not the signs of phonetics that look like a letter of another alphabet."""
    try:
        letters = icu.UnicodeSet(f"[[:Script={script}:]&[:L:]]")
        letters.retainAll(_SPOOF.getRecommendedUnicodeSet())
    except icu.ICUError:  # a script newer than ICU's data, which then says nothing of its look-alikes either
        return {}
    found: dict[str, list[str]] = {}
    for char in letters:
        found.setdefault(shapes_of(char), []).append(str(char))
    return {shape: tuple(sorted(chars)) for shape, chars in found.items()}


def twins(char: str, script: str) -> tuple[str, ...]:
    """The letters of a script that look like a letter, those of the same case first.

    >>> twins("\\u0410", "Latn")[0], twins("A", "Cyrl")[0], twins("\\u0416", "Latn")
    ('A', 'А', ())
    """
    alike = _letters_by_shape(script).get(shapes_of(char), ())
    return tuple(sorted(alike, key=lambda other: (other.isupper() != char.isupper(), other)))
