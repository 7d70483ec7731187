"""What waits, where it may be seated, and one filling of one plate: values that everybody may import."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Option:
    """One way to seat a unit: this slot of this plate with that face up.

    `low_mm` to `high_mm` are the heights (above the plate's datum) the head may be focused on with every
    mark of the face within its process's tolerance; `low_mm` above `high_mm` says that there is none.
    """

    plate: str
    slot: str
    face: str
    process: str
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """A unit that waits. `faces` are those still to be engraved, in order; `due` is any number that sorts
    like its ship-by day. `whole` says that some plate of the shop takes all its faces in one load: such a
    unit is not given to a plate that can't."""

    job: str
    order: str
    blade: str
    faces: tuple[str, ...]
    options: tuple[Option, ...]
    due: float
    priority: int = 0
    replaces: bool = False
    whole: bool = True


@dataclass(frozen=True, slots=True)
class Bare:
    """A lot of bare blades, `waiting` of them, one face each."""

    lot: str
    face: str
    options: tuple[Option, ...]
    waiting: int
    due: float


@dataclass(frozen=True, slots=True)
class FreePlate:
    """A plate that may be mounted, with its slots in order and the copies that nobody has, the best first."""

    plate: str
    slots: tuple[str, ...]
    copies: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Filled:
    """What sits in a slot during one turn: exactly one of `job` and `lot` is set."""

    slot: str
    face: str
    job: str | None = None
    lot: str | None = None


@dataclass(frozen=True, slots=True)
class Proposal:
    """One filling of one plate copy, turn by turn (the first is turn 1)."""

    plate: str
    copy: str
    turns: tuple[tuple[Filled, ...], ...]

    @property
    def jobs(self) -> tuple[str, ...]:
        """The jobs in the load; each of them is in its first turn."""
        return tuple(filled.job for filled in self.turns[0] if filled.job is not None)
