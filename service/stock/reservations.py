"""Boxed units: every ready job has one reserved, missing ones are written off, arriving ones given out.

Two numbers a bin and product: `boxed` stand there, `reserved` of them belong to a job. A job takes its unit
in three steps: reserved when it becomes ready, taken out when the operator has it in hand, gone for good when
packing has it. Every step is one guarded update (`stock_rows.change`), so no unit is promised twice; every
change of what stands in a bin is one row of its history (`BinChange`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.records.errors import BadRequest, StaleVersion, StockTooLow
from service.records.moves import move_job
from service.records.states import JobState, StockChange
from service.records.tables import Bin, Job, Stock
from service.records.who import By
from service.stock import holds
from service.stock import stock_rows as rows


@dataclass(frozen=True, slots=True)
class Count:
    """A count: the boxed units of a product in a bin.

    `walking_order` is needed for a new bin. `version`, when given, is that of the row the person counting
    saw.
    """

    bin: str
    sku: str
    boxed: int
    walking_order: int | None = None
    version: int | None = None


def reserve(session: Session, job: Job) -> bool:
    """Reserve a boxed unit for a job from the first bin in walking order with a free one; False if there is
    none."""
    if job.unit_in_hand or job.bin is not None:
        return True
    for bin_name in set_aside(session, job.sku, 1):
        job.bin = bin_name
        session.flush()
        return True
    return False


def set_aside(session: Session, sku: str, units: int) -> list[str]:
    """Reserve up to so many units from the first bins in walking order; returns the bin of each."""
    first = rows.reserve_in_first(session, sku, units)  # most often all of them, with one statement
    if first is not None:
        return [first] * units
    bins: list[str] = []
    while len(bins) < units:
        free = rows.free_units(session, sku)
        if not free:
            break
        for bin_name, in_bin in free:
            wanted = min(in_bin, units - len(bins))
            # Fewer are left where somebody else was faster: then the bins are looked at again.
            if wanted and rows.change(session, bin_name, sku, reserved=wanted):
                bins += [bin_name] * wanted
    return bins


def unreserve(session: Session, job: Job) -> None:
    """Free the reserved unit; does nothing when the job has none."""
    if job.bin is None:
        return
    if not rows.change(session, job.bin, job.sku, reserved=-1):
        raise StockTooLow(f"bin {job.bin} has no reserved unit of {job.sku}", bin=job.bin, sku=job.sku)
    job.bin = None
    session.flush()


def take_out(session: Session, jobs: Iterable[Job], *, by: By) -> None:
    """Take units from their bins: the operator has them in hand. Does nothing the second time."""
    still_there = [job for job in jobs if not job.unit_in_hand]
    _remove(session, still_there, StockChange.PULLED, by=by)
    for job in still_there:
        job.unit_in_hand = True
    session.flush()


def put_in(
    session: Session,
    bin_name: str,
    sku: str,
    what: StockChange,
    *,
    by: By,
    units: int = 1,
    **about: int | str | None,
) -> None:
    """Add units to a bin, which need not have held that product before. `about`: the job, unit or bin that
    they come from, as `BinChange` names them."""
    row_of(session, bin_name, sku)
    rows.change(session, bin_name, sku, boxed=units)
    rows.note(session, bin_name, sku, what, units, by=by, **about)


def row_of(session: Session, bin_name: str, sku: str) -> Stock:
    """The row of a product in a bin, locked; a new one where the bin never held it."""
    row = rows.one_row(session, bin_name, sku)
    if row is None:
        row = Stock(bin=bin_name, sku=sku, boxed=0, reserved=0)
        session.add(row)
        session.flush()
    return row


def _remove(session: Session, jobs: Sequence[Job], what: StockChange, *, by: By) -> None:
    """Take the jobs' reserved units off their bins' counts; whoever asks flushes. Raises StockTooLow when one
    has none."""
    together: dict[tuple[str | None, str], list[Job]] = {}
    for job in jobs:
        together.setdefault((job.bin, job.sku), []).append(job)
    for (bin_name, sku), some in together.items():
        units = len(some)
        if bin_name is None or not rows.change(session, bin_name, sku, boxed=-units, reserved=-units):
            raise StockTooLow(f"job {some[0].id} has no unit in a bin", job=some[0].id)
    rows.note_taken(session, jobs, what, by=by)
    for job in jobs:
        job.pulled_from, job.bin = job.bin, None


def write_off(session: Session, job: Job, what: StockChange, *, by: By) -> None:
    """Take a missing or blemished unit off its bin's count."""
    if job.unit_in_hand:
        job.unit_in_hand = False
    else:
        _remove(session, [job], what, by=by)
    session.flush()


def take_back(session: Session, job: Job, *, was_in_hand: bool, by: By) -> None:
    """A unit that was written off is good after all: in hand again, or in its bin and reserved."""
    if was_in_hand:
        job.unit_in_hand = True
    elif job.pulled_from is not None:
        put_in(session, job.pulled_from, job.sku, StockChange.KEPT, by=by, job_id=job.id)
        rows.change(session, job.pulled_from, job.sku, reserved=1)
        job.bin = job.pulled_from
    session.flush()


def make_ready(session: Session, job: Job, *, by: By, why: str) -> JobState:
    """Move a job to ready with a unit reserved, or to short when there is none. Returns where it went."""
    wanted = JobState.READY if reserve(session, job) else JobState.SHORT
    if JobState(job.state) is not wanted:
        move_job(session, job, wanted, by=by, why=why, hold_reason=None)
    return wanted


def serve_short(session: Session, sku: str, *, by: By) -> int:
    """Give free units to short jobs, the most urgent first; returns how many became ready."""
    served = 0
    for job in rows.short_jobs(session, sku):
        if not reserve(session, job):
            break
        move_job(session, job, JobState.READY, by=by, why="stock arrived")
        served += 1
    return served


def serve_all_short(session: Session, *, by: By) -> int:
    """Give every free unit to a short job; returns how many became ready.

    An order and an arrival written at the same moment have not seen each other; this finds such pairs.
    """
    return sum(serve_short(session, sku, by=by) for sku in rows.short_skus(session))


def put_counts(session: Session, counts: list[Count], *, by: By) -> None:
    """Set what bins hold. Units reserved beyond a lower count are taken from the least urgent ready jobs.

    Raises BadRequest for a new bin without walking order, StockTooLow when jobs already loaded hold more
    than was counted.
    """
    for count in counts:
        _put(session, count, by=by)
    for sku in sorted({count.sku for count in counts}):
        serve_short(session, sku, by=by)


def _put(session: Session, count: Count, *, by: By) -> None:
    place = rows.one_bin(session, count.bin)
    if place is None:
        if count.walking_order is None:
            raise BadRequest(f"bin {count.bin} is new; add its walking order", field="walking_order")
        session.add(Bin(bin=count.bin, walking_order=count.walking_order))
        session.flush()
    elif count.walking_order is not None:
        place.walking_order = count.walking_order
    row = row_of(session, count.bin, count.sku)
    if count.version is not None and count.version != row.version:
        raise StaleVersion(
            "this bin has changed since you last saw it", bin=count.bin, sku=count.sku, version=row.version
        )
    before = row.boxed
    displaced = _free_down_to(session, count, row)
    if not rows.change(session, count.bin, count.sku, boxed=count.boxed - before):
        raise StockTooLow(
            f"bin {count.bin} holds reserved units of {count.sku} for loads under way", bin=count.bin
        )
    rows.note(session, count.bin, count.sku, StockChange.COUNTED, count.boxed - before, by=by)
    for job in displaced:
        if reserve(session, job):  # another bin has one: the job stays ready
            continue
        holds.go_short(session, job, "missing", by=by, why="fewer counted than reserved")


def _free_down_to(session: Session, count: Count, row: Stock) -> list[Job]:
    """Take reservations from the least urgent ready jobs until no more are left than were counted.

    Returns those jobs, the most urgent first.
    """
    displaced: list[Job] = []
    over = row.reserved - count.boxed
    if over <= 0:
        return displaced
    for job in rows.reserving_jobs(session, count.bin, count.sku)[:over]:
        unreserve(session, job)
        displaced.append(job)
    return displaced[::-1]
