"""What a plan is made from and what it is: jobs, lots, stations with hours, plates; loads in order of time.

Times are seconds of the shop's wall clock since a Monday, 00:00, as in `layout.shop.hours`.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field

from layout.loading.values import Filled, Option
from layout.shop.carrier import Carrier
from layout.shop.hours import DAY_S, Hands, Hours
from layout.shop.plan_weights import DEFAULT_WEIGHTS, ScoreWeights

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
    """A unit to be engraved. It is in time when it is ready to hand over by `due`, which is its ship-by time
    or, where a carrier comes, early enough to leave with it before `ship_by`.

    `seconds` is what burning one of its faces takes, `weight` what one working day of lateness costs, `bin`
    the turn of its box on the way round the store room (None: it is in hand). `promised` is the last moment
    at which it may be ready so that what people were told is kept."""

    job: str
    order: str
    kind: Kind
    due: float
    seconds: float
    weight: int = 1
    bin: int | None = None
    ship_by: float | None = None
    promised: float | None = None

    @property
    def shipped_by(self) -> float:
        """By when it must have left."""
        return self.due if self.ship_by is None else self.ship_by

    @property
    def wanted_by(self) -> float:
        """By when it should be ready so that nobody is told another day."""
        return self.due if self.promised is None else min(self.due, self.promised)


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

    `hands` are the people who look after it (None: one, as long as it is open). For each unit they take
    `load_seconds` to pull and seat it, and when its load has burned `look_seconds` to look at the mark and
    take it out, `finish_seconds` to inspect, wipe, bag and box it. `finishing_s` is that handling of what
    burns now, or has burned and is not boxed.
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
    hands: Hands | None = None
    look_seconds: float = 0.0
    finish_seconds: float = 0.0
    finishing_s: float = 0.0

    @property
    def after_burn_s(self) -> float:
        """Handling of a unit from the end of its burn until it is ready to hand over."""
        return self.look_seconds + self.finish_seconds


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
    weights: ScoreWeights = DEFAULT_WEIGHTS
    carrier: Carrier | None = None


@dataclass(frozen=True, slots=True)
class PlannedLoad:
    """One load of the plan. Units are seated from `prepares` on, burned from `begins` to `ends` (changes of
    plate and process before the first burn included), and `boxed` when all of them are ready to hand over
    (None: as soon as they have burned)."""

    station: str
    plate: str
    copy: str
    turns: tuple[tuple[Filled, ...], ...]
    prepares: float
    begins: float
    ends: float
    changes: int
    boxed: float | None = None

    @property
    def ready(self) -> float:
        """When its units are ready to hand over."""
        return self.ends if self.boxed is None else self.boxed

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


@dataclass(frozen=True, slots=True)
class Score:
    """What a plan is judged by, smaller is better: working days late (each job's by its weight), then loads
    that hold orders' units, then one weighted sum of what people see of a plan.

    Parts of the sum:
    `changes` of plate and of process;
    `split`, loads by which orders are split (an order in three loads counts two);
    `walking`, places on the way round the store room between the nearest and the farthest unit of each load;
    `waiting`, for each job the share of its time until it is wanted (its ship-by time, or an earlier promise;
    a day at least) that has passed when it is done, by its weight, so that what is due or promised earlier,
    or weighs more, goes earlier;
    `near_cutoff`, for each job how far its end lies within the last hours before it is wanted: 0 at their
    begin, 1 when it is wanted and later, by its weight;
    `turned`, loads in which units are turned over.

    >>> Score(0, 3, changes=2, split=0, walking=0) < Score(0, 3, changes=0, split=9, walking=0)
    True
    """

    lateness: int
    loads: int
    changes: int
    split: int
    walking: int
    waiting: float = 0.0
    near_cutoff: float = 0.0
    turned: int = 0
    weights: ScoreWeights = field(default=DEFAULT_WEIGHTS, compare=False, repr=False)

    @property
    def weighted(self) -> float:
        """The weighted sum of the lesser parts; rounded, so that the order of adding up decides nothing."""
        weights = self.weights
        total = (
            weights.waiting * self.waiting
            + weights.near_cutoff * self.near_cutoff
            + weights.changes * self.changes
            + weights.turned * self.turned
            + weights.split * self.split
            + weights.walking * self.walking
        )
        return round(total, 6)

    def plus(self, other: Score, times: int = 1) -> Score:
        """The parts of both added up, the other's so many times."""
        return Score(
            self.lateness + times * other.lateness,
            self.loads + times * other.loads,
            self.changes + times * other.changes,
            self.split + times * other.split,
            self.walking + times * other.walking,
            self.waiting + times * other.waiting,
            self.near_cutoff + times * other.near_cutoff,
            self.turned + times * other.turned,
            self.weights,
        )

    @property
    def _rank(self) -> tuple[int, int, float]:
        return self.lateness, self.loads, self.weighted

    # Scores of other parts may be equally good without being equal.
    def __lt__(self, other: Score) -> bool:
        return self._rank < other._rank

    def __le__(self, other: Score) -> bool:
        return self._rank <= other._rank

    def __gt__(self, other: Score) -> bool:
        return self._rank > other._rank

    def __ge__(self, other: Score) -> bool:
        return self._rank >= other._rank


def waiting_rate(job: PlanJob, now: float) -> float:
    """By how much the score's `waiting` grows with every second until a job is done."""
    return job.weight / max(job.wanted_by - now, DAY_S)


def near_cutoff(job: PlanJob, end: float, weights: ScoreWeights) -> float:
    """A job's part of the score's `near_cutoff` when it is done at `end`."""
    if end >= job.wanted_by or weights.cutoff_s <= 0.0:
        return float(job.weight * (end >= job.wanted_by))
    return job.weight * max(0.0, 1.0 - (job.wanted_by - end) / weights.cutoff_s)


@dataclass(frozen=True, slots=True)
class Bound:
    """No plan at all can have less weighted lateness, nor fewer loads."""

    lateness: int
    loads: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Loads by the time they begin; when each job is done (ready to hand over); what could not be planned and
    why."""

    loads: tuple[PlannedLoad, ...]
    done: Mapping[str, float]
    score: Score
    bound: Bound
    unplanned: Mapping[str, str] = field(default_factory=dict)
    rule: str = ""


def faces_by_visit(faces: Sequence[str], mounts: Sequence[Container[str]]) -> list[tuple[str, ...]]:
    """Faces by visit, as many at a time as one of the `mounts` (each the faces it seats) takes in one load;
    empty when a face has no place at all."""
    visits: list[tuple[str, ...]] = []
    rest = tuple(faces)
    while rest:
        taken = max((_prefix(rest, seated) for seated in mounts), default=0)
        if taken == 0:
            return []
        visits.append(rest[:taken])
        rest = rest[taken:]
    return visits


def visits_of(backlog: Backlog, kind: Kind) -> list[tuple[str, ...]]:
    """Faces by visit at these stations, as many at a time as some plate takes in one load; empty when a face
    has no place. Whether copies of a plate are there, and focus heights, are left out."""
    mounts = [
        {option.face for option in kind.options.get(station.station, ()) if option.plate == plate}
        for station in backlog.stations
        for plate in station.plates
    ]
    return faces_by_visit(kind.faces, mounts)


def _prefix(faces: Sequence[str], seated: Container[str]) -> int:
    """How many of the faces, from the first on, are among those seated."""
    return next((n for n, face in enumerate(faces) if face not in seated), len(faces))
