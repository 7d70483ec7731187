"""What waits at a station, as the planner's values: ready jobs, open lots, plates with a free copy.

Rows in (`waiting_rows`), values out (`layout.loading.values`): which slots of which plates each unit may take
here, and between which focus heights. The claim of one load and the plan of the whole backlog both read it
here.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.orm import Session

from layout.loading.values import Bare, Candidate, FreePlate, Option
from layout.seating.focus import heights_at, reach_of_points, rises_towards
from layout.shop.blades import Surface
from layout.shop.loads import Place
from layout.shop.outline import points_of_text
from layout.shop.plates import Pose, Seat
from layout.shop.shop import Shop
from service.loads import load_rows as rows
from service.loads import waiting_rows as claims
from service.loads.waiting_rows import MarkSurface, Places, Waiting
from service.records.db import forget_oldest
from service.records.ids import JOB, LOT, ORDER, public
from service.records.tables import FrozenMark, Lot

#: Candidates that are enough to choose a load from.
ENOUGH = 100
#: How far down the queue they are looked for, look by look: in between lie jobs that no place here takes.
LOOKS = (100, 400, 1_600)


def free_plates(shop: Shop, station: str, *, in_use: Collection[str]) -> list[FreePlate]:
    """Plates that the station can mount, with their free copies."""
    return [
        FreePlate(name, tuple(slot.slot for slot in shop.plates[name].slots), copies)
        for name in sorted(shop.stations[station].plates)
        if (copies := tuple(copy for copy in shop.plates[name].copies if copy not in in_use))
    ]


def candidates(session: Session, shop: Shop, station: str, *, but: Collection[int] = ()) -> list[Candidate]:
    """The most urgent jobs that the station can take, in queue order; those of `but` are passed over."""
    blades = _blades(shop, station)
    able: list[Candidate] = []
    for limit in LOOKS:
        queue = claims.ready_jobs(session, blades, but=but, limit=limit)
        able = _candidates(session, shop, station, queue)
        if len(able) >= ENOUGH or len(queue) < limit:
            break
    return able[:ENOUGH]


def candidates_among(
    session: Session, shop: Shop, station: str, job_ids: Collection[int]
) -> dict[str, Candidate]:
    """The jobs among `job_ids` that are ready, as the station can take them now, by public id."""
    named = claims.ready_among(session, job_ids)
    return {candidate.job: candidate for candidate in _candidates(session, shop, station, named)}


def bare(session: Session, shop: Shop, station: str) -> list[Bare]:
    """Lots with blades that wait and that the station can take."""
    lots = claims.open_lots(session, _blades(shop, station))
    if not lots:
        return []
    marks: dict[int, list[FrozenMark]] = {}
    for mark in rows.lot_marks(session, [lot.id for lot in lots]):
        marks.setdefault(mark.lot_id or 0, []).append(mark)
    waiting_blades = []
    for lot in lots:
        face = marks[lot.id][0].face
        places = _at(Places.of(lot.eligible), station)
        surfaces = [_surface(mark) for mark in marks[lot.id]]
        reached = Reaches(session, shop, surfaces)
        options = _options(shop, station, lot.blade, face, places, surfaces, reaches=reached)
        if options:
            waiting_blades.append(
                Bare(public(LOT, lot.id), face, tuple(options), lot.waiting, due=_day(lot.due))
            )
    return waiting_blades


def face_of(session: Session, lot: Lot) -> str:
    """The one face on which a lot's blades get their mark."""
    return rows.lot_marks(session, [lot.id])[0].face


def urgent_by(now: datetime, *, days: int = 1) -> float:
    """The day up to which due jobs go before lots: today and `days` more."""
    return _day(now) + days


def _day(moment: datetime) -> float:
    return float(moment.astimezone(UTC).toordinal())


def _blades(shop: Shop, station: str) -> set[str]:
    plates = (shop.plates[name] for name in shop.stations[station].plates)
    return {seat.blade for plate in plates for slot in plate.slots for seat in slot.seats}


def _candidates(session: Session, shop: Shop, station: str, page: Sequence[Waiting]) -> list[Candidate]:
    eligible = claims.eligible(session, page)
    here = [job for job in page if _at(eligible[job.wording], station) and job.faces]
    surfaces = _surfaces(session, here)
    unfit = {(job, Place(at, plate, slot, "")) for job, at, plate, slot in misfits(session, here)}
    tilted = _tilted(shop, station)
    leaning = {job.line_id for job in here if job.blade in tilted}
    marks_that_lean = (mark for of in surfaces.values() for mark in of if mark.line_id in leaning)
    reached = Reaches(session, shop, marks_that_lean)
    options_of: dict[Any, list[Option]] = {}
    able = []
    for job in here:
        options: list[Option] = []
        for face in job.faces:
            marks = surfaces.get((job.line_id, job.words_revision, face), [])
            # Where all seats are level the marks' outlines say nothing, so lines that are alike share theirs.
            own = (job.line_id, job.words_revision) if job.blade in tilted else None
            on = tuple((mark.material, mark.finish) for mark in marks)
            key = (job.blade, face, eligible[job.wording], on, own)
            if key not in options_of:
                options_of[key] = _options(
                    shop,
                    station,
                    job.blade,
                    face,
                    _at(eligible[job.wording], station),
                    marks,
                    reaches=reached,
                )
            options += options_of[key]
        if unfit:
            options = [o for o in options if (job.id, Place(station, o.plate, o.slot, "")) not in unfit]
        if not any(option.face == job.faces[0] for option in options):
            continue
        # A unit must not wait for places that it did not fit, or that the shop no longer has. Gone through
        # only for a unit of several faces: a line may have hundreds of places.
        left = (
            place
            for place in eligible[job.wording].all
            if (job.id, Place(place[0], place[1], place[2], "")) not in unfit
            and is_mounted(shop, place[0], place[1])
        )
        able.append(
            Candidate(
                job=public(JOB, job.id),
                order=public(ORDER, job.order_id),
                blade=job.blade,
                faces=job.faces,
                options=tuple(options),
                due=_day(job.ship_by),
                priority=job.priority,
                replaces=job.replaces is not None,
                whole=len(job.faces) == 1 or _whole(job.faces, left),
            )
        )
    return able


def misfits(session: Session, jobs: Sequence[Waiting]) -> list[tuple[int, str, str, str]]:
    """Slots that a unit did not fit: (job, station, plate, slot)."""
    return rows.misfits(session, [job.id for job in jobs])


def _surfaces(session: Session, jobs: Sequence[Waiting]) -> Mapping[tuple[int, int, str], list[MarkSurface]]:
    surfaces: dict[tuple[int, int, str], list[MarkSurface]] = {}
    for mark in claims.surfaces(session, jobs):
        surfaces.setdefault((mark.line_id, mark.words_revision, mark.face), []).append(mark)
    return surfaces


def _whole(wanted: Sequence[str], eligible: Iterable[Sequence[str]]) -> bool:
    """Whether some plate at some station takes all those faces, in places the unit may still wait for."""
    faces: dict[tuple[str, str], set[str]] = {}
    for station, plate, _, face in eligible:
        faces.setdefault((station, plate), set()).add(face)
    return any(taken.issuperset(wanted) for taken in faces.values())


def is_mounted(shop: Shop, station: str, plate: str) -> bool:
    """Whether the shop still has the station, and the station takes the plate."""
    return station in shop.stations and plate in shop.stations[station].plates


def _at(places: Places, station: str) -> frozenset[tuple[str, str, str]]:
    return places.at.get(station, frozenset())


def _tilted(shop: Shop, station: str) -> set[str]:
    """Blades that some plate at the station seats at a tilt."""
    plates = (shop.plates[name] for name in shop.stations[station].plates)
    seats = (seat for plate in plates for slot in plate.slots for seat in slot.seats)
    return {seat.blade for seat in seats if seat.pose.tilt_deg}


class Reaches:
    """How far marks reach in the directions in which seats rise; outlines are read when a tilted seat asks
    for one of them, those of all marks at once."""

    def __init__(self, session: Session, shop: Shop, marks: Iterable[MarkSurface]) -> None:
        """`marks`: all that may be asked about."""
        self._session, self._shop = session, shop
        self._marks = {mark.digest: mark.id for mark in marks}

    def heights(self, mark: MarkSurface, pose: Pose) -> tuple[float, float]:
        """Lowest and highest surface under the mark at that pose, mm above the plate's datum."""
        towards = rises_towards(pose)
        reach = _REACHES.get((mark.digest, towards))
        if reach is None:
            reach = self._work_out(towards)[mark.digest]
        return heights_at(reach, pose)

    def _work_out(self, towards: float) -> Mapping[str, tuple[float, float]]:
        """How far all marks reach in that direction; outlines are read where nobody has asked yet."""
        known = {digest: _REACHES.get((digest, towards)) for digest in self._marks}
        found = {digest: reach for digest, reach in known.items() if reach is not None}
        others = [(digest, mark) for digest, mark in self._marks.items() if digest not in found]
        directions = _directions(self._shop)
        for first in range(0, len(others), _READ_AT_ONCE):
            some = others[first : first + _READ_AT_ONCE]
            texts = claims.outline_texts(self._session, [mark for _, mark in some])
            for digest, mark in some:
                points = points_of_text(texts[mark])
                reaches = {each: reach_of_points(points, each) for each in directions}
                _REACHES.update(((digest, each), reach) for each, reach in reaches.items())
                found[digest] = reaches[towards]
        forget_oldest(_REACHES, most=_MOST_REACHES)
        return found


#: By an outline's digest and a direction: what was worked out of an outline is true for as long as anybody
#: asks, and who plans, or takes a load, asks of nearly the same marks again and again.
_REACHES: dict[tuple[str, float], tuple[float, float]] = {}
_MOST_REACHES = 200_000
#: An outline is some kilobytes.
_READ_AT_ONCE = 500


def _directions(shop: Shop) -> set[float]:
    """The directions in which the shop's tilted seats rise, as their faces see them."""
    slots = (slot for plate in shop.plates.values() for slot in plate.slots)
    poses = (seat.pose for slot in slots for seat in slot.seats)
    return {rises_towards(pose) for pose in poses if pose.tilt_deg}


def _surface(mark: FrozenMark) -> MarkSurface:
    return MarkSurface(
        id=mark.id,
        line_id=mark.line_id or 0,
        words_revision=mark.words_revision,
        face=mark.face,
        material=mark.material,
        finish=mark.finish,
        digest=mark.digest,
    )


def _options(
    shop: Shop,
    station: str,
    blade: str,
    face: str,
    places: Collection[tuple[str, str, str]],
    marks: Sequence[MarkSurface],
    *,
    reaches: Reaches,
) -> list[Option]:
    """Ways to seat a face at a station, with the focus heights that suit all its marks."""
    processes = [shop.process_for(station, Surface(mark.material, mark.finish)) for mark in marks]
    if not marks or any(process is None for process in processes):
        return []
    options = []
    for name in sorted(shop.stations[station].plates):
        for slot in shop.plates[name].slots:
            seat = slot.seat(blade, face)
            if seat is None or (name, slot.slot, face) not in places:
                continue
            low, high = _focus(
                seat,
                [(m, p.focus_tolerance_mm) for m, p in zip(marks, processes, strict=True) if p],
                reaches,
            )
            if low <= high:
                names = "+".join(sorted({process.process for process in processes if process}))
                options.append(Option(name, slot.slot, face, names, low, high))
    return options


def _focus(seat: Seat, marks: Sequence[tuple[MarkSurface, float]], reaches: Reaches) -> tuple[float, float]:
    """Lowest and highest focus that every mark's process tolerates (low above high: there is none)."""
    lows, highs = [], []
    for mark, tolerance in marks:
        if seat.pose.tilt_deg == 0:
            bottom = top = seat.pose.height_mm
        else:
            bottom, top = reaches.heights(mark, seat.pose)
        lows.append(top - tolerance)
        highs.append(bottom + tolerance)
    return max(lows), min(highs)


def options_at(
    shop: Shop,
    station: str,
    job: Waiting,
    *,
    eligible: Places,
    marks: Mapping[str, Sequence[MarkSurface]],
    reaches: Reaches,
) -> tuple[Option, ...]:
    """All ways to seat a job's remaining faces at a station, `marks` by face; for a plan of the backlog."""
    places = _at(eligible, station)
    options: list[Option] = []
    for face in job.faces:
        mine = marks.get(face, ())
        options += _options(shop, station, job.blade, face, places, mine, reaches=reaches)
    return tuple(options)
