"""What a plan is made from and what it is: jobs, lots, stations with hours, plates; loads in order of time.

Times are seconds of the shop's wall clock since a Monday, 00:00, as in `layout.shop.hours`.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field

from layout.loading.values import Filled, Option
from layout.shop.hours import Hours

#: A station without recorded hours is always open.
ALWAYS = Hours()


@dataclass(frozen=True, slots=True)
class Kind:
    """What jobs have in common that may sit in the same places: faces still to be engraved, in order, and
    by station the ways to seat them (only those that acceptance allowed)."""

    kind: str
    blade: str
    faces: tuple[str, ...]
    options: Mapping[str, tuple[Option, ...]]


@dataclass(frozen=True, slots=True)
class PlanJob:
    """A unit to be engraved. `seconds` is what burning one of its faces takes, `weight` what one working day
    of lateness costs, `bin` the turn of its box on the way round the store room (None: it is in hand)."""

    job: str
    order: str
    kind: Kind
    due: float
    seconds: float
    weight: int = 1
    bin: int | None = None


@dataclass(frozen=True, slots=True)
class PlanLot:
    """Bare blades that wait, one face each."""

    lot: str
    kind: Kind
    waiting: int
    seconds: float
    due: float


@dataclass(frozen=True, slots=True)
class PlanStation:
    """A station as the planner sees it.

    From `free_at` on the laser is free, from `hands_free_at` on somebody may prepare its next load.
    `plate_on` and `process_on` are what it worked with last.
    """

    station: str
    plates: tuple[str, ...]
    hours: Hours = ALWAYS
    load_seconds: float = 20.0
    turn_seconds: float = 12.0
    plate_change_seconds: float = 0.0
    process_change_seconds: float = 0.0
    free_at: float = 0.0
    hands_free_at: float = 0.0
    plate_on: str | None = None
    process_on: str | None = None


@dataclass(frozen=True, slots=True)
class PlanPlate:
    """A plate with its slots in order, and when each of its copies is free."""

    plate: str
    slots: tuple[str, ...]
    copies: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Backlog:
    """Everything that waits and everything it may be done with; nothing begins before `now`."""

    now: float
    jobs: tuple[PlanJob, ...]
    stations: tuple[PlanStation, ...]
    plates: tuple[PlanPlate, ...]
    lots: tuple[PlanLot, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedLoad:
    """One load of the plan. Units are seated from `prepares` on, burned from `begins` to `ends` (changes of
    plate and process before the first burn included); all of them are done when it ends."""

    station: str
    plate: str
    copy: str
    turns: tuple[tuple[Filled, ...], ...]
    prepares: float
    begins: float
    ends: float
    changes: int

    @property
    def jobs(self) -> tuple[str, ...]:
        """Jobs in the load, each once."""
        return tuple(
            dict.fromkeys(filled.job for turn in self.turns for filled in turn if filled.job is not None)
        )

    @property
    def blades(self) -> int:
        """Bare blades in the load."""
        return sum(filled.lot is not None for turn in self.turns for filled in turn)


@dataclass(frozen=True, slots=True, order=True)
class Score:
    """What a plan is judged by, the first that differs decides; smaller is better.

    Working days late, weighted; loads that hold orders' units; changes of plate and of process; loads by
    which orders are split (an order in three loads counts two); walking distance of the pulls, in places on
    the way round the store room between the nearest and the farthest unit of each load.
    """

    lateness: int
    loads: int
    changes: int
    split: int
    walking: int


@dataclass(frozen=True, slots=True)
class Bound:
    """No plan at all can have less weighted lateness, nor fewer loads."""

    lateness: int
    loads: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Loads by the time they begin; when each job is done; what could not be planned and why."""

    loads: tuple[PlannedLoad, ...]
    done: Mapping[str, float]
    score: Score
    bound: Bound
    unplanned: Mapping[str, str] = field(default_factory=dict)
    rule: str = ""


def faces_by_visit(faces: Sequence[str], mounts: Sequence[Container[str]]) -> list[tuple[str, ...]]:
    """Faces by visit, as many at a time as one of the `mounts` (each the faces it seats) takes in one load;
    empty when a face has no place at all."""
    found: list[tuple[str, ...]] = []
    rest = tuple(faces)
    while rest:
        taken = max((_prefix(rest, seated) for seated in mounts), default=0)
        if taken == 0:
            return []
        found.append(rest[:taken])
        rest = rest[taken:]
    return found


def _prefix(faces: Sequence[str], seated: Container[str]) -> int:
    """How many of the faces, from the first on, are among those seated."""
    return next((n for n, face in enumerate(faces) if face not in seated), len(faces))
