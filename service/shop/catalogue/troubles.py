"""What is wrong with a catalogue, all of it at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Sketch:
    """A shape that can't be used, and where something is wrong with it, in the file's own millimetres."""

    line: tuple[tuple[float, float], ...]
    places: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, order=True)
class Trouble:
    """One thing wrong: in which file, where in it, and why it is refused; on which line, where that is known;
    and what can be drawn of it."""

    file: str
    place: str
    reason: str
    line: int | None = field(default=None, compare=False)
    sketch: Sketch | None = field(default=None, compare=False)

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{where}: {self.place}: {self.reason}" if self.place else f"{where}: {self.reason}"


class CatalogueError(Exception):
    """The catalogue is refused whole; `troubles` has everything that is wrong with it, sorted."""

    def __init__(self, troubles: Iterable[Trouble]) -> None:
        self.troubles = tuple(sorted(set(troubles)))
        super().__init__("\n".join(map(str, self.troubles)))
