"""Where a load goes when a turn is over: to the next turn, to inspection, or to its end.

Read off its contents, so that every act may call it: what is in doubt comes first, then what is still to be
burned, then what waits for inspection.
"""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.loads import calibrations, contents
from service.loads import load_rows as rows
from service.records.moves import move_load
from service.records.states import LoadState
from service.records.tables import Load
from service.records.who import By


def move_on(session: Session, load: Load, *, by: By, why: str = "") -> None:
    """Move a started load that is not burning to where its contents say it is.

    Nothing when it is there already, has not started, or has units seated that are still to be burned.
    """
    if load.started_at is None:
        return
    if LoadState(load.state) is LoadState.SEATED and contents.pending(load, load.current_turn):
        return
    left = contents.pending(load)
    if rows.is_in_doubt(session, load.id):
        to, turn = LoadState.INTERRUPTED, load.current_turn
    elif left:
        to, turn = LoadState.TURNING, min(slot.turn for slot in left)
    elif contents.active_jobs(load) or contents.uninspected_blades(load):
        to, turn = LoadState.BURNED, load.current_turn
    elif LoadState(load.state) is LoadState.INTERRUPTED:
        to, turn = LoadState.CLOSED, load.current_turn
    else:
        to, turn = LoadState.BURNED, load.current_turn
    load.current_turn = turn
    session.flush()
    if LoadState(load.state) is not to:
        ended = {"ended_at": by.at} if to is LoadState.CLOSED else {}
        move_load(session, load, to, by=by, why=why, **ended)
    calibrations.adopt(session, load, by=by)  # measured while the turn burned
