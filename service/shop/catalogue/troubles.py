"""What is wrong with a catalogue, all of it at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Trouble:
    """One thing wrong: in which file, where in it, and why it is refused."""

    file: str
    place: str
    reason: str

    def __str__(self) -> str:
        return f"{self.file}: {self.place}: {self.reason}" if self.place else f"{self.file}: {self.reason}"


class CatalogueError(Exception):
    """The catalogue is refused whole; `troubles` has everything that is wrong with it, sorted."""

    def __init__(self, troubles: Iterable[Trouble]) -> None:
        self.troubles = tuple(sorted(set(troubles)))
        super().__init__("\n".join(map(str, self.troubles)))
