"""The schema of word lists: what a shop does not engrave, or not before a person has looked."""

from __future__ import annotations

from typing import Annotated, Literal

import icu
from pydantic import AfterValidator, Field

from service.shop.catalogue.schema.forms import Name, Strict, Words, distinct, key


def _has_a_letter(word: str) -> str:
    if not any(char.isalnum() for char in word):
        raise ValueError(f"{word!r} has neither a letter nor a digit")
    return word


def _language(tag: str) -> str:
    try:
        language = icu.Locale.forLanguageTag(tag).getLanguage()
    except icu.ICUError:
        language = ""
    if not language:
        raise ValueError(f"{tag!r} is no language: write a tag of BCP 47 such as en or de")
    return tag


Word = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(_has_a_letter)]


class WordListFile(Strict):
    """A list of words, each a word or a few."""

    name: Name = key("The list's name, for the desk", "names and marks")
    severity: Literal["review", "refuse"] = key(
        "review: the order waits until the desk has looked at it; refuse: such words are not engraved",
        "review",
    )
    reason: Words = key(
        "Why, in the words in which the desk reads it; neither buyers nor stores are ever told",
        "Somebody else's name or mark: has the buyer the right to it?",
    )
    inside: bool = key(
        "Look inside longer words, too; always done in languages written without blanks, such as Japanese",
        example=True,
        default=False,
    )
    any_accents: bool = key(
        "With whatever accents and vowel points, or without them. Otherwise as listed: Spanish año is a year",
        example=True,
        default=False,
    )
    words: Annotated[list[Word], Field(min_length=1, max_length=20_000), AfterValidator(distinct)] = key(
        "The words. Capitals, letters of other alphabets that look the same, signs and blanks between single "
        "letters make no difference",
        ["Marrow & Sons", "gadzooks"],
    )


class WordsFile(Strict):
    """Word lists of a language, a file each. The folder may be left out."""

    language: Annotated[str, AfterValidator(_language)] = key("The words' language, by its tag", "en")
    allowed: Annotated[list[Word], Field(max_length=20_000), AfterValidator(distinct)] = key(
        "Words that no list is about although they look like it, or hold a listed word",
        ["Gadzookshire"],
        default=[],
    )
    word_list: list[WordListFile] = key(
        "Each a table [[word_list]]",
        [
            {
                "name": "coarse",
                "severity": "refuse",
                "reason": "Coarse",
                "words": ["gadzooks"],
            }
        ],
        default=[],
    )
