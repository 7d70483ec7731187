"""The counting of bins, and what changed in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import bindparam, func, select, update
from sqlalchemy.orm import Session

from service.records.states import ENDED_JOBS, CountState, JobState, UnitState
from service.records.tables import BinChange, BuiltUnit, Job, Load, LoadJob, Stock, StockCount, WorkOrder

#: Built units in no bin: few at any time. Written out, because databases use the index of these alone for
#: a condition that they can read.
IN_WORK = BuiltUnit.state.in_(
    bindparam(
        "in_work",
        [UnitState.PASSED.value, UnitState.REWORK.value, UnitState.REWORKED.value],
        expanding=True,
        literal_execute=True,
    )
)
_OPEN = StockCount.state == CountState.OPEN.value


def find(session: Session, count_id: int) -> StockCount | None:
    return session.get(StockCount, count_id, populate_existing=True)


def lock(session: Session, count_id: int) -> StockCount | None:
    """One count as it is now, its row locked against others who would change it."""
    return session.get(StockCount, count_id, populate_existing=True, with_for_update=True)


def open_one(session: Session, bin_name: str) -> StockCount | None:
    """The count of a bin that is going on."""
    return session.scalars(select(StockCount).where(StockCount.bin == bin_name, _OPEN)).one_or_none()


def open_ones(session: Session) -> list[StockCount]:
    """Bins being counted, the one begun first first."""
    return list(session.scalars(select(StockCount).where(_OPEN).order_by(StockCount.id)))


def write(session: Session, count: StockCount, counted: Mapping[str, int]) -> bool:
    """Set what was counted so far; False when somebody else has counted or ended it since it was read."""
    done = session.execute(
        update(StockCount)
        .where(StockCount.id == count.id, StockCount.revision == count.revision, _OPEN)
        .values(counted=dict(counted), revision=StockCount.revision + 1),
        execution_options={"synchronize_session": False},
    )
    session.refresh(count)
    return bool(done.rowcount == 1)  # type: ignore[attr-defined]


def in_bin(session: Session, bin_name: str, *, lock: bool = False) -> Sequence[Stock]:
    """What is on record of a bin, by product; locked against pulls, where it is to be set."""
    wanted = select(Stock).where(Stock.bin == bin_name).order_by(Stock.sku)
    wanted = wanted.with_for_update() if lock else wanted
    return session.scalars(wanted.execution_options(populate_existing=True)).all()


def last_change(session: Session, bin_name: str) -> int:
    """The number of the last change of what stands in a bin; 0 where there was none."""
    return session.scalar(select(func.max(BinChange.id)).where(BinChange.bin == bin_name)) or 0


def changes(
    session: Session, bin_name: str, *, limit: int, before_id: int | None = None, after_id: int = 0
) -> Sequence[BinChange]:
    """What changed in a bin, newest first."""
    wanted = select(BinChange).where(BinChange.bin == bin_name, BinChange.id > after_id)
    if before_id is not None:
        wanted = wanted.where(BinChange.id < before_id)
    return session.scalars(wanted.order_by(BinChange.id.desc()).limit(limit)).all()


def in_hand(session: Session) -> Sequence[tuple[Job, int | None]]:
    """Units that were fetched for jobs which are not over, and the load that holds each."""
    undone = [state.value for state in JobState if state not in ENDED_JOBS]
    rows = session.execute(
        select(Job, Load.id)
        .outerjoin(LoadJob, (LoadJob.job_id == Job.id) & LoadJob.active)
        .outerjoin(Load, Load.id == LoadJob.load_id)
        .where(Job.state.in_(undone), Job.unit_in_hand)
        .order_by(Job.id)
    )
    return [(row[0], row[1]) for row in rows]


def passed(session: Session) -> Sequence[tuple[BuiltUnit, str]]:
    """Built units that were inspected and stand in no bin yet, and the product of each."""
    rows = session.execute(
        select(BuiltUnit, WorkOrder.sku)
        .join(WorkOrder, WorkOrder.id == BuiltUnit.work_order_id)
        .where(IN_WORK)
        .order_by(BuiltUnit.id)
    )
    return [(row[0], row[1]) for row in rows if row[0].state == UnitState.PASSED.value]
