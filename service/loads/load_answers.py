"""Loads as the service answers them: turns, slots, what to clear, what to pull.

The bench sees a load whole, whatever step it is at: every turn with every slot, also those that are burned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from pydantic import Field
from sqlalchemy.orm import Session

from layout.pictures.guide import handle_direction_deg
from layout.seating.focus import turn_focus_mm
from layout.shop.loads import LoadLayout, SlotFill, Turn
from layout.shop.shop import Shop
from service.loads import contents
from service.loads import load_rows as rows
from service.loads import pull_rows as pulls
from service.loads.calibration_answers import LoadCalibrationAnswer, load_calibration_answer
from service.loads.leases import etag_of
from service.loads.load import jobs_of, layout_shown
from service.records.ids import JOB, LOAD, LOT, public
from service.records.states import JobState, LoadState
from service.records.tables import Job, Load, LoadSlot, TurnFile
from service.requests.answers import AnswerBody, Moment, OrLeftOut
from service.requests.check_answers import stored_checked, words_on_metal

_SKU = Field(description="The product.", examples=["AQ-PARER-OAK"])
_SLOT = Field(description="The slot, as it is marked on the plate.", examples=["3"])
_TURN = Field(description="The turn, from 1: units are turned over between turns.", examples=[1])
_ORDER_REF = Field(
    default=None,
    description="The store's own reference of its order; left out for a bare blade.",
    examples=["AQ-2026-0417"],
)
_COPY = Field(
    serialization_alias="copy", description="Which of the plates made alike.", examples=["parer-8-a"]
)


class MountedAnswer(AnswerBody):
    """Which copy of the plate lies in the machine, as the operator said."""

    plate_copy: str = _COPY
    how: Literal["scanned", "by_hand"] = Field(
        description="Whether its label was scanned or its name read by a person.", examples=["scanned"]
    )
    at: Moment = Field(description="When that was said.")


class SlotAnswer(AnswerBody):
    """What sits, or is to sit, in one slot during one turn: a unit or a bare blade, one face up."""

    slot: str = _SLOT
    sku: str = _SKU
    face: str = Field(description="The face that is up.", examples=["mark_side"])
    state: Literal["planned", "seated", "burned", "removed"] = Field(
        description="What has been done there.", examples=["seated"]
    )
    attempt: int = Field(description="1, or more where a mark is burned again.", examples=[1])
    handle_direction: float = Field(
        description="Which way the handle points, in degrees counter-clockwise from the station's x.",
        examples=[180.0],
    )
    process: str = Field(
        description="The process that burns it; several are parted by a comma.", examples=["steel-satin"]
    )
    job: OrLeftOut[str] = Field(
        default=None, description="The job; left out for a bare blade.", examples=["J42"]
    )
    lot: OrLeftOut[str] = Field(default=None, description="The lot of a bare blade.", examples=["LOT3"])
    order_ref: OrLeftOut[str] = _ORDER_REF
    ship_by: OrLeftOut[Moment] = Field(
        default=None, description="When its order must be handed over; left out for a bare blade."
    )
    bench_note: OrLeftOut[str] = Field(
        default=None,
        description="The order's note for the bench, where there is one.",
        examples=["Handle is oiled."],
    )
    gift_note: bool = Field(
        default=False,
        description="Whether a card with the buyer's words goes into the box.",
        examples=[False],
    )
    texts: tuple[str, ...] = Field(
        description="The words to be on the metal, one entry a mark, their lines parted by U+000A.",
        examples=[["Ada"]],
    )


class TurnAnswer(AnswerBody):
    """One turn of a load: its file and its slots."""

    turn: int = _TURN
    file_sha256: str | None = Field(
        description="Digest of the file in the station's preferred format, which `start` names; null: there"
        " is no file yet. It is built while the plate is mounted; the answer of the first act has it.",
        examples=["9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"],
    )
    short_code: str | None = Field(
        description="Six characters at the end of the file's name, to be read off the laser's own screen.",
        examples=["K7M2QX"],
    )
    file: str | None = Field(description="The file's name.", examples=["L5-t1-r1-K7M2QX.svg"])
    files: Mapping[str, str] = Field(
        description="Where each format is to be had, and the guide, which is never for burning.",
        examples=[{"svg": "/v1/loads/L5/turns/1/burn.svg", "guide": "/v1/loads/L5/turns/1/guide.svg"}],
    )
    focus_mm: float = Field(
        description="Height of the head above the plate's datum for this turn, in mm.", examples=[201.5]
    )
    slots: tuple[SlotAnswer, ...] = Field(description="In the plate's order, filled ones only.")


class ToClearAnswer(AnswerBody):
    """A slot from which a unit must be taken before anything is burned."""

    turn: int = _TURN
    slot: str = _SLOT
    unit: str = Field(description="The job, or the lot of a bare blade.", examples=["J42"])
    why: str | None = Field(description="Why it must come out: a stable name.", examples=["cancelled"])
    put_back: OrLeftOut[str] = Field(
        default=None,
        description="The bin to which the unit of a cancelled job goes back.",
        examples=["A-01"],
    )


class JobInLoadAnswer(AnswerBody):
    """A job that the load holds, and where its unit is."""

    job: str = Field(description="The job.", examples=["J42"])
    state: JobState = Field(description="Its state.", examples=["loaded"])
    unit: Literal["to_pull", "found", "missing", "blemished", "in_hand"] = Field(
        description="`to_pull`: still in its bin; `found`: fetched for this load; `in_hand`: it was at the"
        " bench before.",
        examples=["to_pull"],
    )


class PullAnswer(AnswerBody):
    """So many units of a product to fetch from one bin; bare blades come from no bin."""

    bin: str | None = Field(description="Storage place; null for bare blades.", examples=["A-01"])
    walking_order: OrLeftOut[int] = Field(
        default=None, description="Bins are walked by in this order.", examples=[10]
    )
    sku: str = _SKU
    quantity: int = Field(description="How many.", examples=[2])
    jobs: tuple[str, ...] = Field(
        description="The jobs that they are for; none for bare blades.", examples=[["J42", "J43"]]
    )
    lot: OrLeftOut[str] = Field(default=None, description="The lot of bare blades.", examples=["LOT3"])


class LoadAnswer(AnswerBody):
    """One filling of one plate at one station, in one or more turns."""

    id: str = Field(description="The load.", examples=["L5"])
    state: LoadState = Field(
        description="`claimed`: granted to an operator; `pulled`: units fetched; `seated`; `burning`;"
        " `turning`: the next turn is to be seated; `burned`: to be inspected; `closed`; `dropped`: given"
        " back before its start; `interrupted`: somebody must say what is on the metal.",
        examples=["seated"],
    )
    plate: str = Field(description="The plate.", examples=["parer-8"])
    plate_copy: str = _COPY
    station: str = Field(description="Station.", examples=["fibre-1"])
    operator: str = Field(description="Who holds it.", examples=["Kit"])
    mounted: MountedAnswer | None = Field(description="What lies in the machine; null: not said yet.")
    revision: int = Field(
        description="Counts changes of its contents: files of an earlier one are stale.", examples=[1]
    )
    etag: str = Field(description="To be sent as `If-Match` with every act on the load.", examples=['"1.1"'])
    current_turn: int = Field(description="The turn that it is at, from 1.", examples=[1])
    lease_until: Moment = Field(description="Until when it is kept for its holder, unless it has started.")
    turns: tuple[TurnAnswer, ...] = Field(description="In order.")
    clear: tuple[ToClearAnswer, ...] = Field(description="Slots to be cleared; often none.")
    jobs: tuple[JobInLoadAnswer, ...] = Field(description="The jobs that it holds now.")
    pulls: tuple[PullAnswer, ...] = Field(description="What is still to be fetched, in walking order.")
    burn_seconds: float = Field(
        description="Time at the laser to expect for the whole load, in seconds.", examples=[251.2]
    )
    catalogue_version: str = Field(
        description="Version of the shop's description that it is burned by.", examples=["3f1c9a0b7d2e"]
    )
    calibration: LoadCalibrationAnswer = Field(description="By which measurement its files are placed.")
    created_at: Moment = Field(description="When it was claimed.")
    started_at: Moment | None = Field(description="When its first turn was started; null: not yet.")
    ended_at: Moment | None = Field(description="When it was closed or dropped; null: not yet.")


def load_answer(session: Session, load: Load, shop: Shop) -> LoadAnswer:
    """The whole load as the bench sees it; `clear` names the slots from which a unit must be taken."""
    jobs = jobs_of(session, load)
    layout = layout_shown(session, load, jobs)
    files = rows.files(session, load.id, revision=load.revision)
    return LoadAnswer(
        id=public(LOAD, load.id),
        state=LoadState(load.state),
        plate=load.plate,
        plate_copy=load.copy,
        station=load.station,
        operator=load.operator,
        mounted=_mounted(load),
        revision=load.revision,
        etag=etag_of(load),
        current_turn=load.current_turn,
        lease_until=load.lease_until,
        turns=tuple(_turn(load, turn, shop, layout, files, jobs) for turn in layout.turns),
        clear=tuple(_to_clear(slot, jobs) for slot in contents.to_clear(load)),
        jobs=tuple(
            JobInLoadAnswer(
                job=public(JOB, claim.job_id),
                state=JobState(jobs[claim.job_id].state),
                unit=claim.fetched,  # type: ignore[arg-type]  # the database holds it to these
            )
            for claim in load.jobs
            if claim.active and claim.job_id in jobs
        ),
        pulls=_pulls(session, load),
        burn_seconds=round(load.burn_seconds, 1),
        catalogue_version=load.catalogue_version,
        calibration=load_calibration_answer(load.calibration),
        created_at=load.created_at,
        started_at=load.started_at,
        ended_at=load.ended_at,
    )


def pull_answer(pull: pulls.Pull) -> PullAnswer:
    """What to fetch from one bin."""
    return PullAnswer(
        bin=pull.bin,
        walking_order=pull.walking_order,
        sku=pull.sku,
        quantity=len(pull.jobs),
        jobs=tuple(public(JOB, job_id) for job_id in pull.jobs),
    )


def _mounted(load: Load) -> MountedAnswer | None:
    if load.mounted_at is None:
        return None
    return MountedAnswer(
        plate_copy=load.copy,
        how=load.mounted_how,  # type: ignore[arg-type]  # written by `mounting` alone
        at=load.mounted_at,
    )


def _to_clear(slot: LoadSlot, jobs: Mapping[int, Job]) -> ToClearAnswer:
    """A slot to be cleared; only the unit of a cancelled job goes back into a bin."""
    job = jobs.get(slot.job_id or 0)
    goes_back = job is not None and job.unit_in_hand and JobState(job.state) is JobState.CANCELLED
    return ToClearAnswer(
        turn=slot.turn,
        slot=slot.slot,
        unit=contents.named(slot),
        why=slot.removed_why,
        put_back=job.pulled_from if job is not None and goes_back else None,
    )


def _pulls(session: Session, load: Load) -> tuple[PullAnswer, ...]:
    """What is still to be fetched for a load, in walking order; bare blades come from no bin."""
    listed = [pull_answer(pull) for pull in pulls.of_load(session, load.id)]
    if contents.is_unstarted(load) and load.state == "claimed":
        counts: dict[int, int] = {}
        for slot in contents.present(load, 1):
            if slot.lot_id is not None:
                counts[slot.lot_id] = counts.get(slot.lot_id, 0) + 1
        for lot_id, count in sorted(counts.items()):
            sku = rows.lot(session, lot_id).sku
            listed.append(PullAnswer(bin=None, sku=sku, quantity=count, jobs=(), lot=public(LOT, lot_id)))
    return tuple(listed)


def _turn(
    load: Load, turn: Turn, shop: Shop, layout: LoadLayout, files: Sequence[TurnFile], jobs: Mapping[int, Job]
) -> TurnAnswer:
    station = shop.stations[load.station]
    mine = [file for file in files if file.turn == turn.turn]
    preferred = next((f for name in station.formats for f in mine if f.format == name), None)
    at = f"/v1/loads/{public(LOAD, load.id)}/turns/{turn.turn}"
    return TurnAnswer(
        turn=turn.turn,
        file_sha256=preferred.sha256 if preferred else None,
        short_code=preferred.short_code if preferred else None,
        file=preferred.name if preferred else None,
        files={name: f"{at}/burn.{name}" for name in station.formats} | {"guide": f"{at}/guide.svg"},
        focus_mm=round(turn_focus_mm(shop, layout, turn.turn), 3),
        slots=tuple(
            _slot(slot, fill, shop, layout, jobs)
            for slot, fill in zip(contents.present(load, turn.turn), turn.fills, strict=True)
        ),
    )


def _slot(
    slot: LoadSlot, fill: SlotFill, shop: Shop, layout: LoadLayout, jobs: Mapping[int, Job]
) -> SlotAnswer:
    processes = dict.fromkeys(
        process.process
        for mark in fill.marks
        if (process := shop.recipe_for(layout.station, mark.surface)) is not None
    )
    job = jobs[slot.job_id] if slot.job_id is not None else None
    name = contents.named(slot)
    return SlotAnswer(
        slot=slot.slot,
        sku=fill.sku,
        face=fill.face,
        state=slot.state,  # type: ignore[arg-type]  # the database holds it to these
        attempt=slot.attempt,
        handle_direction=handle_direction_deg(shop, layout, fill),
        process=", ".join(processes),
        job=name if job is not None else None,
        lot=name if job is None else None,
        order_ref=job.line.order.order_ref if job is not None else None,
        ship_by=job.ship_by if job is not None else None,
        bench_note=(job.line.order.bench_note or None) if job is not None else None,
        gift_note=job is not None and bool(job.line.order.gift_note),
        texts=_texts(job, slot.face) if job is not None else (),
    )


def _texts(job: Job, face: str) -> tuple[str, ...]:
    """The words on one face of a unit."""
    here = (checked for checked in map(stored_checked, job.line.checked) if checked.face == face)
    return tuple(words for checked in here if (words := words_on_metal(checked)))
