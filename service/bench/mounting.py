"""Which copy of the plate is really mounted: recorded, best by scanning its label, before anything is seated
on it.

A load is planned for one copy of a plate, and its file is built with that copy's own calibration. Copies look
alike: with another one mounted, every mark would lie where nobody measured. So the operator says which copy
is in the machine. Another copy of the same plate is accepted: the load moves to it, with its calibration, a
new revision and new files, and the judge looks again. Any other plate is refused.
"""

from __future__ import annotations

from typing import Literal

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.loads import calibrations, contents, leases
from service.loads import load_rows as rows
from service.loads import waiting_rows as claims
from service.records.errors import MoveNotAllowed, WrongPlate
from service.records.ids import LOAD, public
from service.records.moves import move_load, write_history
from service.records.states import LoadState
from service.records.tables import Load
from service.records.who import By

How = Literal["scanned", "by_hand"]


def mounted(session: Session, load: Load, turn: int, copy: str, how: How, *, shop: Shop, by: By) -> None:
    """Record which copy of the load's plate is mounted. If it is not the planned one, the load moves to it,
    and units seated on the planned one are to be seated again. `shop` is the one the load was built with.

    Raises WrongPlate for another plate, an unknown copy or one that another load uses; MoveNotAllowed for
    another copy once something of the load is burned.
    """
    leases.must_be(
        load, LoadState.CLAIMED, LoadState.PULLED, LoadState.SEATED, LoadState.TURNING, to="mounted"
    )
    leases.must_be_turn(load, turn)
    if copy != load.copy:
        _go_over_to(session, load, copy, shop=shop, by=by)
    load.mounted_at, load.mounted_how = by.at, how
    session.flush()
    write_history(session, "load", load.id, "mounted", by=by, why=f"{copy}, {how.replace('_', ' ')}")


def must_be_said(load: Load) -> None:
    """Raises MoveNotAllowed until somebody has said which copy is mounted."""
    if load.mounted_at is None:
        raise MoveNotAllowed("first say which plate is mounted: scan its label", wanted=load.copy)


def _go_over_to(session: Session, load: Load, copy: str, *, shop: Shop, by: By) -> None:
    plate = shop.plates[load.plate]
    if copy not in plate.copies:
        other = next((p.plate for p in shop.plates.values() if copy in p.copies), None)
        reason = f"{copy} is a plate of another kind ({other})" if other else f"there is no plate {copy}"
        raise WrongPlate(f"{reason}; this load needs {load.copy}", wanted=load.copy)
    if load.started_at is not None:
        raise MoveNotAllowed(
            f"this load began on {load.copy} and is burned to its end on it", wanted=load.copy
        )
    if copy in rows.copies_in_use(session) or not claims.try_copy(session, copy):
        raise WrongPlate(f"{copy} is in use by another load", wanted=load.copy)
    before = load.copy
    load.calibration = calibrations.locked(session, shop, load.station, load.plate, copy)
    load.copy = copy
    for slot in contents.pending(load):
        slot.state = "planned"
    try:
        session.flush()
    except IntegrityError as error:  # the schema's own guard: somebody was faster
        raise WrongPlate(f"{copy} is in use by another load", wanted=before) from error
    contents.raise_revision(session, load, by=by, why=f"{copy} is mounted in place of {before}")
    if LoadState(load.state) is LoadState.SEATED:
        move_load(session, load, LoadState.PULLED, by=by, why=f"{public(LOAD, load.id)} is seated on {copy}")
