"""What the bench's routes do: one transaction each, with geometry before or after it, never inside."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import structlog
from sqlalchemy.orm import Session

from service.bench import burn_files as files
from service.bench import burns, judging, mounting
from service.bench import claim as claims
from service.loads import contents, leases
from service.loads import load as loads
from service.loads import load_rows as rows
from service.loads.load_json import load_json
from service.records.errors import CheckTooSlow, LoadRefused
from service.records.ids import JOB, LOAD, number, public
from service.records.moves import move_job, move_lot, write_history
from service.records.states import JobState, LotState
from service.records.tables import Load
from service.records.who import SWEEP, By, Who
from service.shop.tools import Tools
from service.stock import holds

log = structlog.get_logger(__name__)

#: Change of a held load: what a use case does with it at a time.
Change = Callable[[Session, Load, datetime], None]


def next_load(tools: Tools, station: str, operator: str, *, who: Who) -> tuple[Load, bool] | None:
    """A load for an operator, judged, its files built; None when there is nothing to do.

    What the judge refuses is held for the desk, so that it can't come up again and again.
    """
    made: set[int] = set()
    while True:
        found = tools.database.write(
            lambda session: claims.next_load(
                session,
                shop=tools.catalogue.current,
                station=station,
                operator=operator,
                lease=_lease(tools),
                by=tools.by(who),
            )
        )
        if found is None:
            return None
        load, is_new = found
        made |= {load.id} if is_new else set()
        try:
            files.prepare(tools, load.id, formats=_preferred(tools, load))
        except LoadRefused:
            seen_load, refused = judging.refused(tools, load.id)
            if not refused.alone and not refused.together:
                raise
            tools.database.write(partial(_hold_refused, seen=seen_load, refused=refused, by=tools.by(SWEEP)))
            continue
        return load, load.id in made


def change(tools: Tools, load_id: int, if_match: str, work: Change) -> dict[str, Any]:
    """Do one thing with a held load and answer with what has become of it (`load_json`)."""

    def do(session: Session) -> dict[str, Any]:
        now = tools.clock()
        load = leases.held(session, load_id, if_match, now=now)
        work(session, load, now)
        if contents.is_unstarted(load):
            leases.renew(session, load, lease=_lease(tools), now=now)
        session.flush()
        session.refresh(load)
        return load_json(session, load, tools.catalogue.at(session, load.catalogue_version))

    answer = tools.database.write(do)
    return _with_files(tools, load_id, answer)


def start(
    tools: Tools, load_id: int, if_match: str, turn: int, file_sha256: str, *, who: Who
) -> dict[str, Any]:
    """Judge the load, then record its start if it is still what was judged."""
    judged = judging.judge(tools, load_id)

    def work(session: Session, load: Load, now: datetime) -> None:
        burns.start(session, load, turn, file_sha256, judged=judged, lease=_lease(tools), by=By(who, now))

    return change(tools, load_id, if_match, work)


def mounted(
    tools: Tools, load_id: int, if_match: str, turn: int, copy: str, how: mounting.How, *, who: Who
) -> dict[str, Any]:
    """Say which copy of the plate is mounted; another one than planned gets its own files."""

    def work(session: Session, load: Load, now: datetime) -> None:
        shop = tools.catalogue.at(session, load.catalogue_version)
        mounting.mounted(session, load, turn, copy, how, shop=shop, by=By(who, now))

    return change(tools, load_id, if_match, work)


def finish(tools: Tools, load_id: int, if_match: str, turn: int, *, who: Who) -> dict[str, Any]:
    """The turn has burned to its end."""

    def work(session: Session, load: Load, now: datetime) -> None:
        burns.finish(session, load, turn, lease=_lease(tools), by=By(who, now))

    return change(tools, load_id, if_match, work)


def renew(tools: Tools, load_id: int, if_match: str) -> dict[str, Any]:
    """The holder is still there."""
    return change(
        tools,
        load_id,
        if_match,
        lambda session, load, now: leases.renew(session, load, lease=_lease(tools), now=now),
    )


def seen(tools: Tools, load_id: int) -> dict[str, Any]:
    """A load as it is now."""
    with tools.database.reading() as session:
        load = loads.find(session, load_id)
        return load_json(session, load, tools.catalogue.at(session, load.catalogue_version))


def render(tools: Tools, load_id: int) -> None:
    """Build a load's files ahead of their being asked for; what the judge refuses is said when asked."""
    try:
        files.prepare(tools, load_id)
    except LoadRefused:
        log.warning("render_refused", load=public(LOAD, load_id))


def _with_files(tools: Tools, load_id: int, answer: dict[str, Any]) -> dict[str, Any]:
    """The answer with the new revision's files when the change made the old ones stale.

    The change is committed and must be answered as done: whatever the judge, the geometry or the disk has
    against the rest of the load is said when a file is asked for, not here.
    """
    unready = [turn for turn in answer["turns"] if turn["file_sha256"] is None and turn["slots"]]
    if answer["state"] not in {"claimed", "pulled", "seated", "turning"} or not unready:
        return answer
    try:
        with tools.database.reading() as session:
            load = loads.find(session, load_id)
        files.prepare(tools, load_id, formats=_preferred(tools, load))
    except (LoadRefused, CheckTooSlow, OSError) as error:
        log.warning("prepare_failed", load=public(LOAD, load_id), kind=type(error).__name__)
        return answer
    return seen(tools, load_id)


def _hold_refused(session: Session, *, seen: Load, refused: judging.Refused, by: By) -> None:
    """Take the units that the judge refuses out of an unstarted load, if it is still what he saw."""
    load = rows.lock(session, seen.id)
    if load is None or not contents.is_unstarted(load):
        return
    if (load.fence, load.revision) != (seen.fence, seen.revision):
        return
    for units, is_held in ((refused.alone, True), (refused.together, False)):
        for job, slot in sorted(units, key=str):
            if job is not None:
                said = refused.said.get((job, slot), "") if is_held else None
                _take_out(session, load, number(JOB, job), said=said, by=by)
            elif slot is not None:
                _take_out_blade(session, load, slot, is_held=is_held, by=by)
    contents.raise_revision(session, load, by=by, why="units refused by the judge")
    leases.close_if_empty(session, load, by=by)


def _take_out(session: Session, load: Load, job_id: int, *, said: str | None, by: By) -> None:
    """Back to the queue; a unit that is refused by itself goes to the desk, with what the judge `said` of it:
    it would come up for ever."""
    job = rows.jobs(session, [job_id])[job_id]
    contents.remove_unit(session, load, job_id, why="judge_refused")
    move_job(session, job, JobState.READY, by=by, why="the judge refuses its place")
    if said is not None:
        why = f"{public(JOB, job_id)} was refused by the judge: {said}"
        holds.hold(session, job, holds.JUDGE_REFUSED, by=by, why=why)


def _take_out_blade(session: Session, load: Load, name: str, *, is_held: bool, by: By) -> None:
    slot = next(s for s in contents.present(load, 1) if s.slot == name and s.lot_id is not None)
    lot_id = slot.lot_id or 0
    contents.remove_slots(session, [slot], why="judge_refused")
    contents.give_back_blades(session, lot_id, 1)
    write_history(
        session,
        "lot",
        lot_id,
        "given_back",
        by=by,
        why=f"the judge refuses slot {name} of {public(LOAD, load.id)}",
    )
    lot = rows.lots(session, [lot_id])[lot_id]
    if is_held and LotState(lot.state) is LotState.OPEN:
        move_lot(session, lot, LotState.CANCELLED, by=by, why="its mark was refused by the judge")


def _preferred(tools: Tools, load: Load) -> list[str]:
    with tools.database.reading() as session:
        shop = tools.catalogue.at(session, load.catalogue_version)
    return list(shop.stations[load.station].formats[:1])


def _lease(tools: Tools) -> timedelta:
    return timedelta(seconds=tools.settings.lease_seconds)
