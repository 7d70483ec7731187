"""A load as the service answers it: turns, slots, what to clear, what to pull."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy.orm import Session

from layout.pictures.guide import handle_direction_deg
from layout.seating.focus import turn_focus_mm
from layout.shop.loads import LoadLayout, SlotFill, Turn
from layout.shop.shop import Shop
from service.loads import contents
from service.loads import load_rows as rows
from service.loads import pull_rows as pulls
from service.loads.calibration_answers import load_calibration_answer
from service.loads.leases import etag_of
from service.loads.load import layout_of
from service.records.ids import JOB, LOAD, LOT, public
from service.records.states import JobState
from service.records.tables import Job, Load, LoadSlot
from service.requests.check_answers import stored_checked, words_on_metal


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
        "mounted": (
            {"copy": load.copy, "how": load.mounted_how, "at": load.mounted_at.isoformat()}
            if load.mounted_at is not None
            else None
        ),
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
        "calibration": load_calibration_answer(load.calibration).model_dump(mode="json"),
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
            lot = rows.lot(session, lot_id)
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
    here = (checked for checked in map(stored_checked, job.line.checked) if checked.face == slot.face)
    texts = [words for checked in here if (words := words_on_metal(checked))]
    return {**said, "job": contents.named(slot), "order_ref": job.line.order.order_ref, "texts": texts}
