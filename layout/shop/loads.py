"""One filling of a plate as values: marks, the slots they sit in, turn by turn; what files are built from."""

from dataclasses import dataclass

from layout.shop.blades import Surface
from layout.shop.outline import Outline
from layout.shop.stations import Calibration


@dataclass(frozen=True, slots=True)
class Mark:
    """One frozen outline on a face: what an accepted inscription became."""

    zone: str
    face: str
    surface: Surface
    outline: Outline


@dataclass(frozen=True, slots=True)
class Place:
    """A station's slot that may take a unit with a face up: what acceptance freezes as eligible."""

    station: str
    plate: str
    slot: str
    face: str


@dataclass(frozen=True, slots=True)
class SlotFill:
    """What sits in a slot during one turn. Exactly one of `job` and `lot` is set."""

    slot: str
    sku: str
    blade: str
    face: str
    marks: tuple[Mark, ...]
    eligible: frozenset[Place]
    job: str | None = None
    lot: str | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    turn: int  # 1, 2, ...
    fills: tuple[SlotFill, ...]


@dataclass(frozen=True, slots=True)
class LoadLayout:
    """One filling of one plate copy at one station, turn by turn."""

    station: str
    plate: str
    copy: str
    calibration: Calibration
    turns: tuple[Turn, ...]
