"""The language of a paper: words from the catalogue of the pages, numbers as people write them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from babel.numbers import format_decimal


@dataclass(frozen=True, slots=True)
class Voice:
    """A language by its code, and its word for an English one."""

    language: str = "en"
    say: Callable[[str], str] = str

    def number(self, value: float, digits: str = "0.0") -> str:
        """
        >>> Voice("de").number(12.34)
        '12,3'
        """
        return str(format_decimal(value, format=digits, locale=self.language))

    def face(self, face: str) -> str:
        return self.say(face.replace("_", " "))
