"""Loads as values for the geometry and as JSON for the bench; cancelling takes a job out here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from layout.focus import turn_focus_mm
from layout.guide import handle_direction_deg
from layout.outline import Outline
from layout.parts import Calibration, LoadLayout, Mark, Place, Shop, SlotFill, Surface, Turn
from service import contents
from service.calibrations import named_json
from service.errors import MoveNotAllowed, NotFound
from service.ids import JOB, LOAD, LOT, public
from service.leases import close_if_empty, etag_of
from service.models import FrozenMark, Job, Load, LoadSlot, Lot
from service.repositories import loads as rows
from service.repositories import pulls
from service.repositories.moves import move_job, write_history
from service.states import JobState
from service.who import Who


def find(session: Session, load_id: int) -> Load:
    """Raises NotFound."""
    load = rows.find(session, load_id)
    if load is None:
        raise NotFound("no such load", id=public(LOAD, load_id))
    return load


# --- as values ---


def layout_of(session: Session, load: Load, *, whole: bool = False) -> LoadLayout:
    """The load as values, from frozen outlines: what is still to be burned, or the `whole` of it."""
    slots = contents.present(load) if whole else contents.pending(load)
    jobs = rows.jobs(session, [s.job_id for s in slots if s.job_id is not None])
    lot_ids = {s.lot_id for s in slots if s.lot_id is not None}
    lots = {lot_id: session.get_one(Lot, lot_id) for lot_id in sorted(lot_ids)}
    line_marks = _by(rows.line_marks(session, {j.line_id for j in jobs.values()}), "line_id")
    lot_marks = _by(rows.lot_marks(session, lots), "lot_id")

    def fill(slot: LoadSlot) -> SlotFill:
        if slot.job_id is not None:
            job = jobs[slot.job_id]
            marks = [m for m in line_marks.get(job.line_id, ()) if m.words_revision == job.words_revision]
            return _fill(slot, job, marks, job.line.eligible)
        lot = lots[slot.lot_id or 0]
        return _fill(slot, lot, lot_marks.get(lot.id, ()), lot.eligible)

    turns = tuple(
        Turn(turn, tuple(fill(s) for s in slots if s.turn == turn)) for turn in range(1, load.turns + 1)
    )
    return LoadLayout(load.station, load.plate, load.copy, calibration_value(load.calibration), turns)


def burned_already(session: Session, load: Load) -> frozenset[tuple[str, str]]:
    """(job, face) pairs that are on the metal and that nobody has asked to burn again in this seating."""
    slots = contents.present(load)
    again = {(s.job_id, s.face) for s in contents.pending(load) if s.attempt > 1}
    jobs = rows.jobs(session, [s.job_id for s in slots if s.job_id is not None])
    burned = {(job.id, face) for job in jobs.values() for face in job.faces_done}
    for start in rows.starts(session, jobs):
        here = start.load_id == load.id and (start.job_id, start.face) in again
        if start.outcome != "clean" and not here and start.job_id is not None:
            burned.add((start.job_id, start.face))
    return frozenset((public(JOB, job_id), face) for job_id, face in burned)


def calibration_value(stored: Mapping[str, Any]) -> Calibration:
    a, b, c, d, tx, ty = (float(value) for value in stored["matrix"])
    return Calibration(
        stored["calibration"], stored["station"], stored["copy"], (a, b, c, d, tx, ty), stored["residual_mm"]
    )


def mark_value(mark: FrozenMark) -> Mark:
    return Mark(mark.zone, mark.face, Surface(mark.material, mark.finish), Outline.from_record(mark.outline))


def _fill(slot: LoadSlot, unit: Job | Lot, marks: Sequence[FrozenMark], eligible: Sequence[Any]) -> SlotFill:
    return SlotFill(
        slot=slot.slot,
        sku=unit.sku,
        blade=unit.blade,
        face=slot.face,
        marks=tuple(mark_value(mark) for mark in marks if mark.face == slot.face),
        eligible=frozenset(Place(*place) for place in eligible),
        job=contents.named(slot) if slot.job_id is not None else None,
        lot=contents.named(slot) if slot.lot_id is not None else None,
    )


def _by(marks: Sequence[FrozenMark], owner: str) -> dict[int, list[FrozenMark]]:
    found: dict[int, list[FrozenMark]] = {}
    for mark in marks:
        found.setdefault(getattr(mark, owner), []).append(mark)
    return found


# --- changes from outside the bench ---


def remove_job(session: Session, job: Job, *, reason: str, who: Who, now: datetime) -> None:
    """Take a loaded job out of its load, which has not started, and make it ready again.

    The load's revision rises, so that files which burn it are stale. Raises MoveNotAllowed when the job is in
    no load, or its load has started.
    """
    claim = rows.active_claim(session, job.id)
    load = rows.lock(session, claim.load_id) if claim is not None else None
    if load is None or job.id not in contents.active_jobs(load):
        raise MoveNotAllowed(f"{public(JOB, job.id)} is in no load", job=public(JOB, job.id))
    if not contents.is_unstarted(load):
        raise MoveNotAllowed(
            f"{public(JOB, job.id)} is in a load that has started", job=public(JOB, job.id), state=load.state
        )
    session.refresh(job)
    contents.remove_unit(session, load, job.id, why=reason[:40])
    move_job(
        session, job, JobState.READY, who=who, now=now, why=f"taken out of {public(LOAD, load.id)}: {reason}"
    )
    contents.raise_revision(session, load, who=who, now=now, why=f"{public(JOB, job.id)} taken out: {reason}")
    close_if_empty(session, load, who=who, now=now)


def take_out(
    session: Session, load: Load, jobs: Sequence[int], lots: Collection[int], *, why: str, who: Who,
    now: datetime,
) -> None:  # fmt: skip
    """Take jobs and all blades of those lots out of a load that has not started: back to the queue, their
    slots to be cleared, earlier files stale. `why` is kept with the slots."""
    blades = [slot for slot in contents.pending(load) if slot.lot_id in lots]
    if not jobs and not blades:
        return
    name = public(LOAD, load.id)
    for job in rows.jobs(session, jobs).values():
        contents.remove_unit(session, load, job.id, why=why[:40])
        move_job(session, job, JobState.READY, who=who, now=now, why=f"taken out of {name}: {why}")
    contents.remove_slots(session, blades, why=why[:40])
    for lot_id, count in sorted(Counter(slot.lot_id or 0 for slot in blades).items()):
        contents.give_back_blades(session, lot_id, count)
        write_history(
            session, "lot", lot_id, move_from=None, move_to="given_back", who=who, now=now,
            why=f"{count} from {name}: {why}",
        )  # fmt: skip
    contents.raise_revision(session, load, who=who, now=now, why=why)
    close_if_empty(session, load, who=who, now=now)


# --- as JSON ---


def load_json(session: Session, load: Load, shop: Shop) -> dict[str, Any]:
    """The whole load as the bench sees it; `clear` names the slots from which a unit must be taken."""
    layout = layout_of(session, load, whole=True)
    files = rows.files(session, load.id, revision=load.revision)
    jobs = rows.jobs(session, {s.job_id for s in load.slots if s.job_id is not None})
    return {
        "id": public(LOAD, load.id),
        "state": load.state,
        "plate": load.plate,
        "copy": load.copy,
        "station": load.station,
        "operator": load.operator,
        "revision": load.revision,
        "etag": etag_of(load),
        "current_turn": load.current_turn,
        "lease_until": load.lease_until.isoformat(),
        "turns": [_turn_json(load, turn, shop, layout, files, jobs) for turn in layout.turns],
        "clear": [_clear_json(slot, jobs) for slot in contents.to_clear(load)],
        "jobs": [
            {"job": public(JOB, claim.job_id), "state": jobs[claim.job_id].state, "unit": claim.fetched}
            for claim in load.jobs
            if claim.active and claim.job_id in jobs
        ],
        "pulls": pulls_json(session, load),
        "burn_seconds": round(load.burn_seconds, 1),
        "catalogue_version": load.catalogue_version,
        "calibration": named_json(load.calibration),
        "created_at": load.created_at.isoformat(),
        "started_at": load.started_at.isoformat() if load.started_at else None,
        "ended_at": load.ended_at.isoformat() if load.ended_at else None,
    }


def _clear_json(slot: LoadSlot, jobs: Mapping[int, Job]) -> dict[str, Any]:
    """A slot to be cleared; `put_back` is the bin to which the unit of a cancelled job goes."""
    said = {"turn": slot.turn, "slot": slot.slot, "unit": contents.named(slot), "why": slot.removed_why}
    job = jobs.get(slot.job_id or 0)
    if job is not None and job.unit_in_hand and JobState(job.state) is JobState.CANCELLED:
        said["put_back"] = job.pulled_from
    return said


def pulls_json(session: Session, load: Load) -> list[dict[str, Any]]:
    """What is still to be fetched for a load, in walking order; bare blades come from no bin."""
    listed = [pull_json(pull) for pull in pulls.of_load(session, load.id)]
    if contents.is_unstarted(load) and load.state == "claimed":
        counts: dict[int, int] = {}
        for slot in contents.present(load, 1):
            if slot.lot_id is not None:
                counts[slot.lot_id] = counts.get(slot.lot_id, 0) + 1
        for lot_id, count in sorted(counts.items()):
            lot = session.get_one(Lot, lot_id)
            listed.append(
                {"bin": None, "sku": lot.sku, "quantity": count, "jobs": [], "lot": public(LOT, lot_id)}
            )
    return listed


def pull_json(pull: pulls.Pull) -> dict[str, Any]:
    return {
        "bin": pull.bin,
        "walking_order": pull.walking_order,
        "sku": pull.sku,
        "quantity": len(pull.jobs),
        "jobs": [public(JOB, job_id) for job_id in pull.jobs],
    }


def _turn_json(
    load: Load, turn: Turn, shop: Shop, layout: LoadLayout, files: Sequence[Any], jobs: Mapping[int, Job]
) -> dict[str, Any]:
    station = shop.stations[load.station]
    mine = [file for file in files if file.turn == turn.turn]
    preferred = next((f for name in station.formats for f in mine if f.format == name), None)
    at = f"/v1/loads/{public(LOAD, load.id)}/turns/{turn.turn}"
    return {
        "turn": turn.turn,
        "file_sha256": preferred.sha256 if preferred else None,
        "short_code": preferred.short_code if preferred else None,
        "file": preferred.name if preferred else None,
        "files": {name: f"{at}/burn.{name}" for name in station.formats} | {"guide": f"{at}/guide.svg"},
        "focus_mm": round(turn_focus_mm(shop, layout, turn.turn), 3),
        "slots": [
            _slot_json(slot, fill, shop, layout, jobs)
            for slot, fill in zip(contents.present(load, turn.turn), turn.fills, strict=True)
        ],
    }


def _slot_json(
    slot: LoadSlot, fill: SlotFill, shop: Shop, layout: LoadLayout, jobs: Mapping[int, Job]
) -> dict[str, Any]:
    processes = dict.fromkeys(
        process.process
        for mark in fill.marks
        if (process := shop.recipe_for(layout.station, mark.surface)) is not None
    )
    said: dict[str, Any] = {
        "slot": slot.slot,
        "sku": fill.sku,
        "face": fill.face,
        "state": slot.state,
        "attempt": slot.attempt,
        "handle_direction": handle_direction_deg(shop, layout, fill),
        "process": ", ".join(processes),
    }
    if slot.job_id is None:
        return {**said, "lot": contents.named(slot), "texts": []}
    job = jobs[slot.job_id]
    texts = [one["text"] for one in job.line.checked if one.get("face") == slot.face and one.get("text")]
    return {**said, "job": contents.named(slot), "order_ref": job.line.order.order_ref, "texts": texts}
