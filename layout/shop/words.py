"""Words that a shop does not engrave, or not unseen: lists by language, and what is fine all the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class WordList:
    """Words that are refused, or that a person of the shop looks at first.

    `inside`: also as a part of longer words; otherwise as whole words alone. `any_accents`: with whatever
    accents and vowel points, or without them; otherwise as they are listed. `reason` is for the shop's own
    people: neither buyers nor stores are ever told.
    """

    name: str
    language: str  # BCP 47
    severity: Literal["review", "refuse"]
    reason: str
    words: tuple[str, ...]
    inside: bool = False
    any_accents: bool = False


@dataclass(frozen=True, slots=True)
class WordRules:
    """All lists of a shop, and words that no list is about although they look like it."""

    lists: tuple[WordList, ...] = ()
    allowed: tuple[str, ...] = ()

    def __hash__(self) -> int:
        """Cheap, for rules are looked up in every check."""
        return hash((len(self.allowed), *(each.name for each in self.lists)))


NO_WORD_RULES = WordRules()
