"""The words by which orders are found: folded, from every place where somebody may begin to type.

Case and accents do not count, nor which sign stands between two parts: `Zoë O’Neill`, `ZOE o'neill` and
`zoe o-neill` are the same. A word with parts is kept from each of them on, so that `AQ-2026-0417` is found by
`0417` too; what was typed finds whatever begins with it.
"""

from __future__ import annotations

import itertools
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any

#: Fields of a stored inscription that say what is engraved; the others say where and in which form.
SAYING = ("text", "initials", "content")
#: Characters of a word that count, and words of an order: far more than an ordinary one has.
LONGEST, MOST = 40, 500
#: Words of a search that count.
MOST_ASKED = 8
#: Greater than every character of a word, in both databases.
_LAST = "\U0010ffff"


def folded(text: str) -> list[str]:
    """The words of a text as they are compared, in order.

    >>> folded("Zoë & O\N{RIGHT SINGLE QUOTATION MARK}NEILL, Straße")
    ['zoe', 'o-neill', 'strasse']
    """
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).casefold())
    kept = (char for char in plain if unicodedata.category(char) not in {"Mn", "Cf"})
    parted = "".join(char if _is_letter(char) or char.isspace() else "-" for char in kept)
    words = ("-".join(filter(None, word.split("-"))) for word in parted.split())
    return [word[:LONGEST] for word in words if word]


def _is_letter(char: str) -> bool:
    """Whether it is part of a word; some vowels of Indic scripts are marks."""
    return char.isalnum() or unicodedata.category(char) == "Mc"


def search_words(texts: Iterable[str]) -> list[str]:
    """What is kept of an order's texts, each word once, the first MOST of them.

    >>> search_words(["AQ-0417", "Nan"])
    ['aq-0417', '0417', 'nan']
    """
    parts = (word.split("-") for text in texts for word in folded(text))
    words = ("-".join(word[at:]) for word in parts for at in range(len(word)))
    return list(itertools.islice(dict.fromkeys(words), MOST))


def texts_of(
    order_ref: str, buyer: str, lines: Iterable[tuple[str, Iterable[Mapping[str, Any]]]]
) -> list[str]:
    """The texts of an order that count, the most telling first. `lines`: (sku, inscriptions as kept)."""
    lines = list(lines)
    marks = [mark for _, inscriptions in lines for mark in inscriptions]
    words = [str(mark[name]) for mark in marks for name in SAYING if mark.get(name)]
    return [order_ref, buyer, *(sku for sku, _ in lines), *words]


def asked_words(text: str) -> list[str]:
    """The words of a search, each once, the first MOST_ASKED of them."""
    return list(dict.fromkeys(folded(text)))[:MOST_ASKED]


def range_of(beginning: str) -> tuple[str, str]:
    """Between which words lie those that begin so: from the first to before the second."""
    return beginning, beginning + _LAST
