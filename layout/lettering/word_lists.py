"""A shop's word lists held against a buyer's words, as a reader would take them on the metal.

Words are compared by what they look like (`shapes`, Unicode Technical Standard 39), in whatever case, and in
compatibility form (full-width letters, ligatures). Signs between their letters, invisible characters and the
stretching sign of Arabic do not count, and letters that stand apart one by one ("A d a") are read as a word.
Case can bring two letters together that nobody takes for one another: capital I looks like small l, so that
"fail" and "fall" were the same. Hence words are compared as typed, in capitals and in small letters, each
with its like, never across.

A listed word is a whole word, or any part of one where its list says `inside`. What stands on the shop's list
of allowed words is no match of either kind. Writing without blanks between words (Chinese, Japanese, Thai
...) is always looked at inside, for nothing says there where a word ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import icu
import regex
import unicodedata2
from fontTools import unicodedata as scripts

from layout.lettering.shapes import shape_of, shapes_of
from layout.shop.words import WordList, WordRules

_COMPATIBLE = icu.Normalizer2.getNFKCInstance()
#: Invisible ones, and U+0640, by which Arabic words are stretched.
_GRAPHEME = regex.compile(r"\X")
_NOTHING = regex.compile(r"[\p{Default_Ignorable_Code_Point}\u0640]")
_UNSPACED = frozenset({"Hani", "Hira", "Kana", "Bopo", "Thai", "Laoo", "Khmr", "Mymr", "Tibt"})
#: Of these scripts vowel points may be left out in writing.
_POINTED = frozenset({"Zinh", "Hebr", "Arab", "Syrc"})


@dataclass(frozen=True, slots=True)
class Match:
    """A listed word that a text has: its list, and the word as listed."""

    list: WordList
    word: str


def matches(rules: WordRules, text: str) -> tuple[Match, ...]:
    """Every listed word that the text has, each once, in the lists' order."""
    if not rules.lists:
        return ()
    return _matches(_compiled(rules), text)


@lru_cache(maxsize=1024)
def _matches(compiled: _Compiled, text: str) -> tuple[Match, ...]:
    found: dict[tuple[str, str], Match] = {}
    prepared = _prepared(text)
    readings = [_runs(prepared, _is_of_a_word)]
    if any(map(_passes_for_a_letter, prepared)):
        readings.append(_runs(prepared, lambda char: _is_of_a_word(char) or _passes_for_a_letter(char)))
    for reading in readings:
        for run in filter(None, compiled.allowing(reading)):
            for kind in compiled.kinds:
                for match in kind.found(run):
                    found.setdefault((match.list.name, match.word), match)
    order = [each.name for each in compiled.rules.lists]
    return tuple(sorted(found.values(), key=lambda match: order.index(match.list.name)))


# --- words of a text ---

Word = tuple[str, ...]  # its parts: letters in a row, which signs may stand between
Run = tuple[Word, ...]  # words in a row, with blanks between


def _prepared(text: str) -> str:
    if text.isascii() and text.isprintable():
        return text
    return str(_NOTHING.sub("", str(_COMPATIBLE.normalize(text))))


def _runs(text: str, is_letter: Callable[[str], bool]) -> Run:
    """The words of a text."""
    return tuple(parts for chunk in text.split() if (parts := tuple(_parts(chunk, is_letter))))


def _parts(chunk: str, is_letter: Callable[[str], bool]) -> Iterator[str]:
    if chunk.isalnum():
        yield chunk
        return
    part = ""
    for char in chunk:
        if is_letter(char):
            part += char
        elif part:
            yield part
            part = ""
    if part:
        yield part


@lru_cache(maxsize=4096)
def _is_of_a_word(char: str) -> bool:
    """Letters, digits and marks."""
    return unicodedata2.category(char)[0] in "LNM"


@lru_cache(maxsize=4096)
def _passes_for_a_letter(char: str) -> bool:
    """Signs that look like a letter, such as the bar for an l."""
    return not _is_of_a_word(char) and shape_of(char).isalpha()


# --- how words are compared ---


@lru_cache(maxsize=16384)
def _looks(word: str, any_accents: bool) -> tuple[str, str, str]:  # noqa: FBT001
    """What a word looks like as typed, in capitals, and in small letters."""
    if any_accents:
        word = "".join(char for char in unicodedata2.normalize("NFD", word) if not _is_accent(char))
    return shapes_of(word), shapes_of(word.upper()), _small(word)


def _small(word: str) -> str:
    return shapes_of(word.casefold()).casefold()


@lru_cache(maxsize=1024)
def _is_accent(char: str) -> bool:
    return bool(unicodedata2.category(char) == "Mn" and scripts.script(char) in _POINTED)


def _looks_of_listed(word: str, any_accents: bool) -> frozenset[str]:  # noqa: FBT001
    """All that a listed word may look like: in small letters, in capitals, with a capital, as listed."""
    written = {word, word.casefold(), word.upper(), word.capitalize()}
    return frozenset(look for one in written for look in (_looks(one, any_accents)))


@dataclass(frozen=True)
class _Kind:
    """Lists that are compared alike. `listed` has all that a listed word may look like, the words of a phrase
    with blanks between; `begins` what listed words begin with, as long as the shortest of them."""

    inside: bool
    any_accents: bool
    listed: dict[str, list[Match]]
    begins: dict[str, list[str]]
    shortest: int
    longest: int
    most_words: int

    def found(self, run: Run) -> Iterator[Match]:
        candidates = self._wholes(run) if self.inside else self._words(run)
        for candidate in candidates:
            for look in set(self._looks(candidate)):
                if self.inside:
                    yield from self._within(look)
                elif look in self.listed:
                    yield from self.listed[look]

    def _within(self, look: str) -> Iterator[Match]:
        for at in range(len(look) - self.shortest + 1):
            for listed in self.begins.get(look[at : at + self.shortest], ()):
                if look.startswith(listed, at):
                    yield from self.listed[listed]

    def _looks(self, candidate: str) -> tuple[str, ...]:
        if " " not in candidate:
            return _looks(candidate, self.any_accents)
        words = [_looks(word, self.any_accents) for word in candidate.split(" ")]
        return tuple(map(" ".join, zip(*words, strict=True)))

    def _wholes(self, run: Run) -> Iterator[str]:
        """What listed words are looked for inside of."""
        joined = ["".join(parts) for parts in run]
        yield " ".join(joined)
        yield from ("".join(apart) for apart in _apart(joined))
        if any(map(_is_unspaced, joined)):
            yield "".join(joined)

    def _words(self, run: Run) -> Iterator[str]:
        """Whatever may be a listed word: parts, parts joined over signs, letters standing apart, phrases."""
        for parts in run:
            yield from self._joined(parts)
        joined = ["".join(parts) for parts in run]
        for apart in _apart(joined):
            yield from self._joined(apart)
        for count in range(2, self.most_words + 1):
            yield from (" ".join(joined[at : at + count]) for at in range(len(joined) - count + 1))

    def _joined(self, parts: Sequence[str]) -> Iterator[str]:
        """Neighbouring parts joined, as long as they may be listed."""
        for first in range(len(parts)):
            word = ""
            for part in parts[first:]:
                word += part
                if len(word) > 2 * self.longest:  # an accent may be a character of its own, or not
                    break
                yield word


def _apart(joined: Sequence[str]) -> Iterator[list[str]]:
    """Three and more letters in a row that stand apart one by one."""
    apart: list[str] = []
    for word in (*joined, ""):
        if len(word) == 1 or (word and not word.isascii() and _GRAPHEME.fullmatch(word)):
            apart.append(word)
            continue
        if len(apart) > 2:
            yield apart
        apart = []


@lru_cache(maxsize=4096)
def _is_unspaced(word: str) -> bool:
    return not word.isascii() and any(scripts.script(char) in _UNSPACED for char in word)


@dataclass(frozen=True, eq=False)
class _Compiled:
    rules: WordRules
    kinds: tuple[_Kind, ...]
    allowed: frozenset[str]
    most_allowed: int  # words of the longest allowed phrase

    def allowing(self, run: Run) -> Iterator[Run]:
        """What is left between allowed words."""
        if not self.allowed:
            yield run
            return
        kept: list[Word] = []
        at = 0
        while at < len(run):
            if count := self._allowed_words(run, at):
                at += count
                yield tuple(kept)
                kept = []
                continue
            pieces = self._without_allowed_parts(run[at])
            for piece in pieces[:-1]:
                yield (*kept, piece) if piece else tuple(kept)
                kept = []
            kept += [pieces[-1]] if pieces[-1] else []
            at += 1
        yield tuple(kept)

    def _allowed_words(self, run: Run, at: int) -> int:
        """How many words from there are an allowed word or phrase."""
        for count in range(min(self.most_allowed, len(run) - at), 0, -1):
            if _small(" ".join("".join(parts) for parts in run[at : at + count])) in self.allowed:
                return count
        return 0

    def _without_allowed_parts(self, word: Word) -> list[Word]:
        pieces: list[list[str]] = [[]]
        for part in word:
            if _small(part) in self.allowed:
                pieces.append([])
            else:
                pieces[-1].append(part)
        return [tuple(piece) for piece in pieces]


@lru_cache(maxsize=16)
def _compiled(rules: WordRules) -> _Compiled:
    kinds = [
        kind
        for inside in (False, True)
        for any_accents in (False, True)
        if (kind := _kind(rules, inside=inside, any_accents=any_accents)) is not None
    ]
    allowed = [" ".join(_words(word)) for word in rules.allowed]
    most_allowed = max((phrase.count(" ") + 1 for phrase in allowed), default=0)
    return _Compiled(rules, tuple(kinds), frozenset(map(_small, allowed)), most_allowed)


def _kind(rules: WordRules, *, inside: bool, any_accents: bool) -> _Kind | None:
    listed: dict[str, list[Match]] = {}
    most_words = 0
    for each in (one for one in rules.lists if one.any_accents == any_accents):
        for word in each.words:
            words = _words(word)
            if not words or (each.inside or _is_unspaced(word)) != inside:
                continue
            most_words = max(most_words, len(words))
            for written in {" ".join(words), "".join(words)}:
                for look in _looks_of_listed(written, any_accents):
                    listed.setdefault(look, []).append(Match(each, word))
    if not listed:
        return None
    shortest = min(map(len, listed))
    begins: dict[str, list[str]] = {}
    for look in listed:
        begins.setdefault(look[:shortest], []).append(look)
    return _Kind(inside, any_accents, listed, begins, shortest, max(map(len, listed)), most_words)


def _words(listed: str) -> list[str]:
    return ["".join(parts) for parts in _runs(_prepared(listed), _is_of_a_word)]
