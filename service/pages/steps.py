"""A load as the bench's page shows it: its step, with names, pictures and times added."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from layout.burn.estimate import burn_travel
from layout.burn.turn import burn_of
from layout.shop.blades import Product
from layout.shop.loads import LoadLayout
from layout.shop.proven_recipes import as_described
from layout.shop.shop import Shop
from service.bench.judging import without_fonts
from service.loads import load as loads
from service.loads import load_rows as rows
from service.loads import pull_rows, repeats
from service.loads.load_answers import (
    LoadAnswer,
    PullAnswer,
    SlotAnswer,
    ToClearAnswer,
    TurnAnswer,
    load_answer,
)
from service.pages import photographed
from service.pages.cautions import hazards
from service.pages.photographed import Shown
from service.pages.plate import mark_svg, plate_svg
from service.records.ids import JOB, LOT, public
from service.records.states import UNSTARTED_LOADS, JobState, LoadState
from service.records.tables import BurnStart
from service.shop.tools import Tools

_STEP_OF = {
    LoadState.CLAIMED: "pull",
    LoadState.PULLED: "seat",
    LoadState.TURNING: "seat",
    LoadState.SEATED: "burn",
    LoadState.BURNING: "burn",
    LoadState.INTERRUPTED: "burn",
    LoadState.BURNED: "inspect",
    LoadState.CLOSED: "release",
    LoadState.DROPPED: "pull",
}


@dataclass(frozen=True, slots=True)
class PutAside:
    """Units just reported missing or blemished, as the jobs they were for."""

    what: str
    jobs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One face of one unit, or the blades of a lot, whose metal nobody has looked at yet."""

    unit: str
    face: str
    slots: tuple[str, ...]
    is_lot: bool
    was_burned_before: bool


@dataclass(frozen=True, slots=True)
class MarkedFace:
    """One face of a unit in this load: where the unit sits for it, and what is to be on it."""

    face: str
    texts: tuple[str, ...]
    slot: str
    turn: int
    state: str


@dataclass(frozen=True, slots=True)
class Unit:
    """A job's unit with the faces that this load burns, in the order of its turns."""

    job: str
    sku: str
    order_ref: str | None
    state: JobState
    faces: tuple[MarkedFace, ...]
    bench_note: str | None
    gift_note: bool


@dataclass(frozen=True, slots=True)
class View:
    """Everything that the load's page shows."""

    load: LoadAnswer
    turn: TurnAnswer
    step: str
    plate: str
    look_plate: str
    hazards: frozenset[str]
    products: Mapping[str, Product]
    to_pull: tuple[PullAnswer, ...]
    rounds: int
    doubts: tuple[Doubt, ...]
    blades: Mapping[str, int]
    replaced: Mapping[str, str]
    marks: Mapping[tuple[int, str], str]
    zones: Mapping[tuple[int, str], tuple[str, ...]]
    photos: Mapping[str, tuple[Shown, ...]]
    boxed: frozenset[str]
    begun: bool
    again: tuple[str, ...]
    marked: frozenset[str]
    started_at: datetime | None
    turn_seconds: float
    last_burned_turn: int
    now: datetime

    @property
    def is_unstarted(self) -> bool:
        return self.load.started_at is None and self.load.state in UNSTARTED_LOADS

    @property
    def states(self) -> Mapping[str, JobState]:
        """State of each job that the load holds."""
        return {held.job: held.state for held in self.load.jobs}

    @property
    def inspected(self) -> bool:
        """Whether nothing is left to inspect."""
        return not self.blades and all(state == "passed" for state in self.states.values())

    @property
    def to_seat(self) -> list[SlotAnswer]:
        """Slots of this turn whose unit is in hand and still to be seated."""
        fetching = {job for pull in self.to_pull for job in pull.jobs}
        return [s for s in self.turn.slots if s.state == "planned" and s.job not in fetching]

    @property
    def to_clear(self) -> list[ToClearAnswer]:
        """Slots from which a unit must be taken now. Once a turn has started, its file had nothing there:
        what was to be cleared before has been."""
        return _to_clear(self.load, begun=self.begun) if self.load.state in _CLEARED_IN else []

    @property
    def to_box(self) -> list[str]:
        """Units that passed and have not been noted as boxed."""
        return [unit.job for unit in self.units("passed") if unit.job not in self.boxed]

    @property
    def is_to_be_looked_at(self) -> bool:
        """Whether units still sit as the previous turn burned them: nothing of this turn has been seated
        yet."""
        is_seated = any(slot.state == "seated" for slot in self.turn.slots)
        return self.load.state is LoadState.TURNING and not is_seated

    def photos_of(self, job: str, face: str, zone: str) -> list[Shown]:
        """Photos of one mark of a unit, newest first."""
        taken = self.photos.get(job, ())
        return [shown for shown in taken if (shown.photo.face, shown.photo.zone) == (face, zone)]

    def pull_of(self, job: str) -> PullAnswer | None:
        """Where the next unit for a job is to be pulled."""
        return next((pull for pull in self.to_pull if job in pull.jobs), None)

    def last_burned(self, unit: Unit) -> MarkedFace:
        """The face of a unit that burned last, and its slot."""
        return next((face for face in unit.faces if face.turn == self.last_burned_turn), unit.faces[0])

    @property
    def between_turns(self) -> list[str]:
        """Units with one face burned here and another to be burned in a turn that has not started."""
        return [
            unit.job
            for unit in self.units("loaded")
            if unit.job not in self.again and any(face.state == "burned" for face in unit.faces)
        ]

    @property
    def share(self) -> float:
        """How much of the turn's estimate has passed, 0 to 1."""
        if self.started_at is None or self.turn_seconds <= 0:
            return 0.0
        return min(1.0, (self.now - self.started_at).total_seconds() / self.turn_seconds)

    def units(self, *states: str) -> list[Unit]:
        """Jobs in those states with what was burned on them, in slot order."""
        slots: dict[str, list[tuple[TurnAnswer, SlotAnswer]]] = {}
        for turn in self.load.turns:
            for slot in turn.slots:
                if slot.job is not None and self.states.get(slot.job) in states:
                    slots.setdefault(slot.job, []).append((turn, slot))
        return [_unit(job, self.states[job], its) for job, its in slots.items()]


def _unit(job: str, state: JobState, slots: Sequence[tuple[TurnAnswer, SlotAnswer]]) -> Unit:
    first = slots[0][1]
    faces = tuple(MarkedFace(s.face, s.texts, s.slot, turn.turn, s.state) for turn, s in slots)
    return Unit(
        job, first.sku, first.order_ref, state, faces, bench_note=first.bench_note, gift_note=first.gift_note
    )


def turn_of(load: LoadAnswer) -> TurnAnswer:
    """The turn that the load is at."""
    return next(turn for turn in load.turns if turn.turn == load.current_turn)


def view_of(tools: Tools, load_id: int) -> View:
    """Read a load for its page. Raises NotFound."""
    with tools.database.reading() as session:
        row = loads.find(session, load_id)
        shop = tools.catalogue.at(session, row.catalogue_version)
        load = load_answer(session, row, shop)
        whole = loads.layout_of(session, row, whole=True)
        starts = rows.open_starts(session, load_id)
        ever = rows.starts(session, [claim.job_id for claim in row.jobs])
        again = tuple(public(JOB, slot.job_id or 0) for slot in repeats.to_burn_again(session, row))
        blades: dict[str, int] = {}
        for slot in row.slots:
            if slot.lot_id is not None and slot.state == "burned" and not slot.removed_why:
                name = public(LOT, slot.lot_id)
                blades[name] = blades.get(name, 0) + 1
        pending = loads.layout_of(session, row)
        boxed = rows.boxed(session, [claim.job_id for claim in row.jobs if claim.active])
        rounds = pull_rows.rounds(session, row)
        replaced = {
            public(JOB, old): public(JOB, new)
            for old, new in rows.replacements(session, [claim.job_id for claim in row.jobs])
        }
        photos = photographed.of_jobs(session, [claim.job_id for claim in row.jobs])
        last = max((s.turn for s in row.slots if s.state == "burned"), default=0)
        is_to_burn = load.state in {LoadState.SEATED, LoadState.BURNING}
        files = rows.files(session, load_id, revision=row.revision) if is_to_burn else []
    begun = load.state in {LoadState.BURNING, LoadState.INTERRUPTED} or any(
        slot.state == "burned" or slot.attempt > 1 for slot in turn_of(load).slots
    )
    seconds = 0.0
    if is_to_burn:
        built = (file.burn_seconds for file in files if file.turn == load.current_turn)
        seconds = next(filter(None, built), 0.0) or _turn_seconds(
            tools, shop, pending, load.current_turn, load.etag, load.id
        )
    return View(
        load=load,
        turn=turn_of(load),
        step=_STEP_OF[load.state],
        plate=_picture(shop, whole, load, turn_of(load), begun=begun),
        look_plate=_picture(shop, whole, load, load.turns[last - 1], begun=True) if last else "",
        hazards=_hazards(whole),
        products=shop.products,
        to_pull=load.pulls,
        rounds=rounds,
        doubts=_doubts(starts, [start for start in ever if start.load_id == load_id]),
        blades=blades,
        replaced=replaced,
        marks=_marks(load, whole),
        zones=_zones(whole),
        photos=photos,
        boxed=frozenset(public(JOB, job_id) for job_id in boxed),
        begun=begun,
        again=again,
        marked=frozenset(public(JOB, s.job_id or 0) for s in ever if s.outcome != "clean"),
        started_at=min((s.started_at for s in starts), default=None),
        turn_seconds=seconds,
        last_burned_turn=last,
        now=tools.clock(),
    )


def _marks(load: LoadAnswer, layout: LoadLayout) -> dict[tuple[int, str], str]:
    """The frozen marks of each slot by themselves, by turn and slot: what people compare with the metal."""
    drawn: dict[tuple[int, str], str] = {}
    for turn, shown in zip(layout.turns, load.turns, strict=True):
        for fill, slot in zip(turn.fills, shown.slots, strict=True):
            label = ", ".join(slot.texts)
            drawn[turn.turn, fill.slot] = "".join(mark_svg(mark, label) for mark in fill.marks)
    return drawn


def _zones(layout: LoadLayout) -> dict[tuple[int, str], tuple[str, ...]]:
    """By turn and slot, the zones in which a mark is burned there."""
    return {
        (turn.turn, fill.slot): tuple(mark.zone for mark in fill.marks)
        for turn in layout.turns
        for fill in turn.fills
    }


def _hazards(layout: LoadLayout) -> frozenset[str]:
    """What is dangerous about the materials and finishes the load burns."""
    surfaces = [mark.surface for turn in layout.turns for fill in turn.fills for mark in fill.marks]
    return hazards({surface.material for surface in surfaces}, {surface.finish for surface in surfaces})


#: Where a load may be when a unit is to be taken out of it.
_CLEARED_IN = UNSTARTED_LOADS | {LoadState.TURNING, LoadState.INTERRUPTED}
#: Why a unit leaves its slot once its turn was started.
_AFTER_START = {"clean", "scrapped", "put_off"}


def _to_clear(load: LoadAnswer, *, begun: bool) -> list[ToClearAnswer]:
    now = load.current_turn
    return [slot for slot in load.clear if not begun or slot.turn != now or slot.why in _AFTER_START]


def _picture(shop: Shop, layout: LoadLayout, load: LoadAnswer, turn: TurnAnswer, *, begun: bool) -> str:
    states = {slot.slot: slot.state for slot in turn.slots}
    clear = [slot.slot for slot in _to_clear(load, begun=begun) if slot.turn == turn.turn]
    title = f"{load.plate}, {load.plate_copy}, {load.id}, turn {turn.turn}"
    return plate_svg(shop, layout, turn.turn, states=states, clear=clear, title=title)


def _doubts(starts: list[BurnStart], burned: list[BurnStart]) -> tuple[Doubt, ...]:
    doubts: list[Doubt] = []
    lots: dict[int, list[BurnStart]] = {}
    for start in starts:
        if start.job_id is None:
            lots.setdefault(start.lot_id or 0, []).append(start)
            continue
        before = any(
            b.job_id == start.job_id and b.face == start.face and b.outcome in {"complete", "partial"}
            for b in burned
        )
        doubts.append(
            Doubt(
                public(JOB, start.job_id), start.face, (start.slot,), is_lot=False, was_burned_before=before
            )
        )
    for lot_id, its in sorted(lots.items()):
        slots = tuple(s.slot for s in its)
        doubts.append(Doubt(public(LOT, lot_id), its[0].face, slots, is_lot=True, was_burned_before=False))
    return tuple(doubts)


#: Estimates by load, ETag and turn: the geometry of one revision does not change.
_SECONDS: dict[tuple[str, str, int], float] = {}
_MOST_KEPT = 200


def _turn_seconds(tools: Tools, shop: Shop, layout: LoadLayout, turn: int, etag: str, load: str) -> float:
    key = (load, etag, turn)
    if key not in _SECONDS:
        if len(_SECONDS) >= _MOST_KEPT:
            _SECONDS.clear()
        _SECONDS[key] = tools.geometry.work(seconds_of, without_fonts(as_described(shop)), layout, turn)
    return _SECONDS[key]


def seconds_of(shop: Shop, layout: LoadLayout, turn: int) -> float:
    """How long the beam and the jumps of a turn take, in seconds; in a geometry process."""
    return burn_travel(shop, burn_of(shop, layout, turn), shop.stations[layout.station]).total_s
