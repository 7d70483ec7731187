"""Loads, slots and lots that no act of the service leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import and_, exists, func, not_, or_, select
from sqlalchemy.orm import Session

from service.audit.damage_rows import IN_A_LOAD, Found, every
from service.records.states import (
    ACTIVE_LOADS,
    UNSTARTED_LOADS,
    LoadState,
)
from service.records.tables import (
    Job,
    Load,
    LoadJob,
    LoadSlot,
    Lot,
)


def claims_of_ended_loads(session: Session) -> Iterator[Found]:
    """A unit that a load holds which is over."""
    query = select(LoadJob.job_id.label("job"), LoadJob.load_id, Load.state).join(
        Load, Load.id == LoadJob.load_id
    )
    over = Load.state.not_in([state.value for state in ACTIVE_LOADS])
    return every(session, query.where(LoadJob.active, over))


def without_claim(session: Session) -> Iterator[Found]:
    """A unit in a load that holds it not, or one that a load holds and is not in one."""
    is_held = exists().where(LoadJob.job_id == Job.id, LoadJob.active)
    is_inside = Job.state.in_(IN_A_LOAD)
    query = select(Job.id.label("job"), Job.state)
    return every(session, query.where(or_(and_(is_inside, not_(is_held)), and_(not_(is_inside), is_held))))


def held_twice(session: Session) -> Iterator[Found]:
    """A unit that two loads hold."""
    query = select(LoadJob.job_id.label("job"), func.count().label("loads")).where(LoadJob.active)
    return every(session, query.group_by(LoadJob.job_id).having(func.count() > 1))


def slots_without_claim(session: Session) -> Iterator[Found]:
    """A slot with a unit that its load never held."""
    claimed = exists().where(LoadJob.load_id == LoadSlot.load_id, LoadJob.job_id == LoadSlot.job_id)
    query = select(LoadSlot.load_id, LoadSlot.slot, LoadSlot.job_id.label("job"))
    return every(session, query.where(LoadSlot.job_id.is_not(None), not_(claimed)))


def slots_unlike_their_load(session: Session) -> Iterator[Found]:
    """A slot whose state can't be in a load of that state: burned where nothing began, open at the end."""
    query = select(LoadSlot.load_id, LoadSlot.slot, LoadSlot.state, Load.state.label("load_state")).join(
        Load, Load.id == LoadSlot.load_id
    )
    to_burn = LoadSlot.state.in_(("planned", "seated"))
    never_begun = or_(
        Load.state == LoadState.DROPPED.value,
        and_(Load.state.in_([state.value for state in UNSTARTED_LOADS]), Load.started_at.is_(None)),
    )
    return every(
        session,
        query.where(
            or_(
                and_(Load.state == LoadState.CLOSED.value, to_burn),
                and_(never_begun, LoadSlot.state == "burned"),
            )
        ),
    )


def turns_out_of_range(session: Session) -> Iterator[Found]:
    """A slot in a turn, or a load at a turn, that the load has not."""
    slots = select(LoadSlot.load_id, LoadSlot.turn, Load.turns).join(Load, Load.id == LoadSlot.load_id)
    yield from every(session, slots.where(or_(LoadSlot.turn > Load.turns, LoadSlot.turn < 1)).distinct())
    at = select(Load.id.label("load_id"), Load.current_turn.label("turn"), Load.turns)
    yield from every(session, at.where(or_(Load.current_turn > Load.turns, Load.current_turn < 1)))


def copies_in_two_loads(session: Session) -> Iterator[Found]:
    """A physical plate that two loads have at once."""
    query = select(Load.copy, func.count().label("loads"))
    active = Load.state.in_([state.value for state in ACTIVE_LOADS])
    return every(session, query.where(active).group_by(Load.copy).having(func.count() > 1))


def lots_do_not_add_up(session: Session) -> Iterator[Found]:
    """Blades of a lot that are lost or too many."""
    total = Lot.waiting + Lot.loaded + Lot.marked + Lot.scrapped
    return every(
        session, select(Lot.id.label("lot"), Lot.quantity, total.label("total")).where(total != Lot.quantity)
    )
