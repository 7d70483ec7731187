"""A routine check was done: who, when, ok or not ok, and what was noted."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from layout.shop.upkeep import Routine
from service.loads import meter_rows as meters
from service.records.errors import BadRequest, DatabaseBusy, NotFound
from service.records.moves import write_history
from service.records.tables import RoutineEntry
from service.records.who import By, Who
from service.routines import routine_rows as rows
from service.routines.routine_answers import Result, RoutineEntryAnswer, entry_answer
from service.shop.tools import Tools


@dataclass(frozen=True, slots=True)
class Done:
    """What a person says of a check. `seen` is the number of its newest entry that they saw, 0 for none;
    None: whatever it is."""

    result: Result
    note: str = ""
    process: str = ""
    seen: int | None = None


def note_once(tools: Tools, station: str, routine: str, done: Done, *, who: Who) -> RoutineEntryAnswer:
    """Write an entry, in a transaction of its own, as both doors do it. Where somebody has written one since
    `seen` nothing is written, and that entry is answered.

    Raises NotFound, BadRequest, DatabaseBusy.
    """

    def work(session: Session) -> RoutineEntryAnswer:
        return note(session, tools.catalogue.current, station, routine, done, by=tools.by(who))

    return tools.database.write(work)


def note(
    session: Session, shop: Shop, station: str, routine: str, done: Done, *, by: By
) -> RoutineEntryAnswer:
    """As `note_once`."""
    found = _routine(shop, station, routine)
    _must_be_its_process(shop, station, found, done.process)
    newest = rows.newest(session, station, routine, done.process)
    number = newest.number if newest is not None else 0
    if newest is not None and done.seen is not None and number > done.seen:
        return entry_answer(newest)
    entry = RoutineEntry(
        station=station,
        routine=routine,
        process=done.process,
        number=number + 1,
        is_ok=done.result == "ok",
        note=done.note,
        burned_s=meters.burned_seconds(session, station),
        at=by.at,
        by=by.who.name[:100],
    )
    session.add(entry)
    try:
        session.flush()
    except IntegrityError as error:
        raise DatabaseBusy("somebody else did that at the same moment; try again") from error
    write_history(session, "routine", entry.id, done.result, by=by, why=f"{station} {routine}")
    session.flush()
    return entry_answer(entry)


def _routine(shop: Shop, station: str, routine: str) -> Routine:
    here = shop.stations[station].routines if station in shop.stations else ()
    found = next((one for one in here if one.routine == routine), None)
    if found is None:
        raise NotFound(f"there is no routine check {routine} at {station}", id=routine)
    return found


def _must_be_its_process(shop: Shop, station: str, routine: Routine, process: str) -> None:
    own = {one.process for one in shop.processes.values() if one.station == station}
    if routine.every == "process" and process not in own:
        raise BadRequest("say which process of the station was tried", field="process")
    if routine.every != "process" and process:
        raise BadRequest("this check is of the whole station, of no process", field="process")
