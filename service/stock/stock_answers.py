"""Boxed units by bin and product, how their counts changed, and bins being counted, as the service answers
them."""

from __future__ import annotations

from collections.abc import Iterable

from pydantic import Field
from sqlalchemy.orm import Session

from layout.shop.counts import CountJump
from service.records.ids import COUNT, JOB, LOAD, UNIT, public
from service.records.states import CountState, StockChange
from service.records.tables import BinChange, StockCount
from service.requests.answers import AnswerBody, Moment, OrLeftOut
from service.stock import count_rows, counting
from service.stock import stock_rows as rows

#: Changes that a count lists of what happened in its bin meanwhile.
_MOST_CHANGES = 20

_SKU = Field(description="The product.", examples=["AQ-PARER-OAK"])
_WALKING_ORDER = Field(description="Bins are walked by in this order.", examples=[10])


class CountAnswer(AnswerBody):
    """What one bin holds of one product."""

    bin: str = Field(description="Storage place.", examples=["A-01"])
    walking_order: int = _WALKING_ORDER
    sku: str = _SKU
    boxed: int = Field(description="Boxed units in the bin.", examples=[14])
    reserved: int = Field(description="Those of them that belong to a job.", examples=[2])
    available: int = Field(description="Those that belong to none.", examples=[12])
    version: int = Field(description="Counts the changes; `PUT` may name it.", examples=[7])


class StockAnswer(AnswerBody):
    """What every bin holds."""

    stock: tuple[CountAnswer, ...] = Field(description="In walking order.")


class PutBackAnswer(AnswerBody):
    """A unit that was fetched for a job which was cancelled then: it goes back into a bin."""

    job: str = Field(description="The cancelled job.", examples=["J42"])
    order_ref: str = Field(description="The store's own reference of its order.", examples=["AQ-2026-0417"])
    sku: str = _SKU
    bin: str | None = Field(
        description="The bin that it came from; null: nobody knows any more.", examples=["A-01"]
    )
    walking_order: int | None = Field(description="Bins are walked by in this order.", examples=[10])


def put_backs_answer(session: Session) -> tuple[PutBackAnswer, ...]:
    """Which unit goes back into which bin, in walking order."""
    return tuple(
        PutBackAnswer(
            job=public(JOB, unit.job),
            order_ref=unit.order_ref,
            sku=unit.sku,
            bin=unit.bin,
            walking_order=unit.walking_order,
        )
        for unit in rows.to_put_back(session)
    )


def stock_answer(session: Session) -> StockAnswer:
    """What every bin holds, in walking order."""
    return StockAnswer(
        stock=tuple(
            CountAnswer(
                bin=row.bin,
                walking_order=order,
                sku=row.sku,
                boxed=row.boxed,
                reserved=row.reserved,
                available=row.boxed - row.reserved,
                version=row.version,
            )
            for row, order in rows.all_rows(session)
        )
    )


class ChangeAnswer(AnswerBody):
    """A change of what stands in a bin."""

    bin: str = Field(description="Storage place.", examples=["A-01"])
    sku: str = _SKU
    what: StockChange = Field(
        description="`before`: what stood there when changes were first kept; `pulled`: fetched for a job;"
        " `kept`: called missing or blemished, and good after all; `put_back`: fetched for a job that was"
        " cancelled then; `returned`: back from a buyer; `built`: come from assembly.",
        examples=["pulled"],
    )
    units: int = Field(description="How many more, or, below nought, fewer.", examples=[-1])
    boxed: int = Field(description="Boxed units of the product in the bin afterwards.", examples=[13])
    other_bin: OrLeftOut[str] = Field(
        default=None, description="Where they were moved from, or to.", examples=["B-02"]
    )
    job: OrLeftOut[str] = Field(default=None, description="For which job, or of which.", examples=["J42"])
    unit: OrLeftOut[str] = Field(default=None, description="The built unit.", examples=["U17"])
    who: str = Field(description="Who did it.", examples=["bench:Ada"])
    at: Moment = Field(description="When.")


class ChangesAnswer(AnswerBody):
    """A page of a bin's history."""

    changes: tuple[ChangeAnswer, ...] = Field(description="Newest first.")


class CountLineAnswer(AnswerBody):
    """One product of a bin that is being counted."""

    sku: str = _SKU
    on_record: int = Field(description="Boxed units on record there now.", examples=[14])
    reserved: int = Field(description="Those of them that belong to a job.", examples=[2])
    counted: int | None = Field(
        description="Boxed units counted so far; null: the product was not counted, and stays as it is.",
        examples=[13],
    )
    difference: int | None = Field(description="Counted less what is on record.", examples=[-1])
    is_jump: bool = Field(
        description="Whether the difference is so large that taking it must be confirmed.", examples=[False]
    )


class BinCountAnswer(AnswerBody):
    """The counting of a bin. Nothing of it is true of the bin until it is taken."""

    id: str = Field(description="The count.", examples=["COUNT7"])
    bin: str = Field(description="The bin.", examples=["A-01"])
    state: CountState = Field(description="`open`, `taken` or `dropped`.", examples=["open"])
    began_at: Moment = Field(description="When it was begun.")
    began_by: str = Field(description="By whom.", examples=["Ada"])
    lines: tuple[CountLineAnswer, ...] = Field(description="By product: on record there, or counted.")
    meanwhile: tuple[ChangeAnswer, ...] = Field(
        description="What changed in the bin since the counting began, newest first: was it counted before"
        " or after?"
    )
    etag: str = Field(
        description="Changes with the count and with its bin: send it as `If-Match`.", examples=['"4.812"']
    )


class BinCountsAnswer(AnswerBody):
    """Bins being counted."""

    counts: tuple[BinCountAnswer, ...] = Field(description="The one begun first first.")


class MovedAnswer(AnswerBody):
    """Boxes that were moved between two bins."""

    came_from: str = Field(
        serialization_alias="from", description="The bin they stood in.", examples=["A-01"]
    )
    to: str = Field(description="The bin they stand in.", examples=["B-02"])
    sku: str = _SKU
    units: int = Field(description="How many.", examples=[6])
    left: int = Field(description="Boxed units that are left in the first bin.", examples=[8])
    there: int = Field(description="Boxed units that the second bin holds now.", examples=[6])


class InHandAnswer(AnswerBody):
    """A unit that is in no bin."""

    sku: str = _SKU
    job: OrLeftOut[str] = Field(default=None, description="The job it was fetched for.", examples=["J42"])
    unit: OrLeftOut[str] = Field(
        default=None, description="The built unit, inspected and on its way into a bin.", examples=["U17"]
    )
    bin: OrLeftOut[str] = Field(default=None, description="The bin that it came from.", examples=["A-01"])
    load: OrLeftOut[str] = Field(default=None, description="The load that holds it.", examples=["L5"])
    goes_back: bool = Field(
        description="Whether its job was cancelled: it goes back into a bin.", examples=[False]
    )


class InHandsAnswer(AnswerBody):
    """Units that are in no bin, and not packing's."""

    units: tuple[InHandAnswer, ...] = Field(description="Those that go back into a bin first.")


def change_answer(change: BinChange) -> ChangeAnswer:
    return ChangeAnswer(
        bin=change.bin,
        sku=change.sku,
        what=StockChange(change.what),
        units=change.units,
        boxed=change.boxed,
        other_bin=change.other_bin,
        job=public(JOB, change.job_id) if change.job_id is not None else None,
        unit=public(UNIT, change.unit_id) if change.unit_id is not None else None,
        who=change.who,
        at=change.at,
    )


def changes_answer(changes: Iterable[BinChange]) -> ChangesAnswer:
    return ChangesAnswer(changes=tuple(map(change_answer, changes)))


def bin_count_answer(session: Session, count: StockCount, jump: CountJump) -> BinCountAnswer:
    """A count beside what is on record now."""
    is_open = count.state == CountState.OPEN.value
    stood = {row.sku: row for row in count_rows.in_bin(session, count.bin)}
    lines = []
    for sku in sorted({*count.counted, *(sku for sku, row in stood.items() if row.boxed)}):
        on_record = stood[sku].boxed if sku in stood else 0
        counted = count.counted.get(sku)
        lines.append(
            CountLineAnswer(
                sku=sku,
                on_record=on_record,
                reserved=stood[sku].reserved if sku in stood else 0,
                counted=counted,
                difference=None if counted is None else counted - on_record,
                is_jump=is_open and counted is not None and jump.is_jump(on_record, counted),
            )
        )
    meanwhile = count_rows.changes(session, count.bin, limit=_MOST_CHANGES, after_id=count.seen_change)
    return BinCountAnswer(
        id=public(COUNT, count.id),
        bin=count.bin,
        state=CountState(count.state),
        began_at=count.began_at,
        began_by=count.began_by,
        lines=tuple(lines),
        meanwhile=tuple(map(change_answer, meanwhile)) if is_open else (),
        etag=counting.etag_of(session, count),
    )


def bin_counts_answer(session: Session, jump: CountJump) -> BinCountsAnswer:
    return BinCountsAnswer(
        counts=tuple(bin_count_answer(session, count, jump) for count in count_rows.open_ones(session))
    )


def in_hands_answer(session: Session) -> InHandsAnswer:
    """Units that are in no bin: to be put back, fetched for a job, or built and on their way."""
    back = (
        InHandAnswer(sku=unit.sku, job=public(JOB, unit.job), bin=unit.bin, goes_back=True)
        for unit in rows.to_put_back(session)
    )
    fetched = (
        InHandAnswer(
            sku=job.sku,
            job=public(JOB, job.id),
            bin=job.pulled_from,
            load=public(LOAD, load) if load is not None else None,
            goes_back=False,
        )
        for job, load in count_rows.in_hand(session)
    )
    built = (
        InHandAnswer(sku=sku, unit=public(UNIT, unit.id), goes_back=False)
        for unit, sku in count_rows.passed(session)
    )
    return InHandsAnswer(units=(*back, *fetched, *built))
