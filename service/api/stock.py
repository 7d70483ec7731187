"""Boxed units by bin and product: on record, counted by tablet, moved, their history."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import AfterValidator, Field
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import details
from service.api.security import Desk, House
from service.api.wire import StockIn
from service.doorway import AtHand, Route
from service.records import errors
from service.records.errors import NotFound
from service.records.ids import COUNT, number
from service.requests.inscriptions import Name, Strict, Whole, storable
from service.stock import acts, count_rows, counting
from service.stock import reservations as stock
from service.stock.stock_answers import (
    BinCountAnswer,
    BinCountsAnswer,
    ChangesAnswer,
    InHandsAnswer,
    MovedAnswer,
    StockAnswer,
    bin_count_answer,
    bin_counts_answer,
    changes_answer,
    in_hands_answer,
    stock_answer,
)

router = APIRouter(tags=["stock"], route_class=Route)

CountId = Annotated[str, Path(description="The count.", examples=["COUNT7"])]
BinCode = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(storable)]


class BeginCountIn(Strict):
    bin: BinCode = Field(description="The bin's name, or what its label says.", examples=["BIN.A-01"])


class CountScanIn(Strict):
    code: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)] = Field(
        description="What the scanner read: the barcode of a box.", examples=["2700010000103"]
    )


class CountedIn(Strict):
    counted: dict[Name, Annotated[int, Field(ge=0, le=counting.MOST, strict=True)] | None] = Field(
        min_length=1,
        max_length=500,
        description="Boxed units by product; null: not counted after all.",
        examples=[{"AQ-PARER-OAK": 14}],
    )


class TakeCountIn(Strict):
    sure: list[Name] = Field(
        default_factory=list,
        max_length=500,
        description="Products whose jump was looked at again.",
        examples=[["AQ-PARER-OAK"]],
    )


class MoveIn(Strict):
    came_from: BinCode = Field(
        alias="from", description="The bin they stand in, by name or label.", examples=["A-01"]
    )
    to: BinCode = Field(description="The bin they go into, by name or label.", examples=["B-02"])
    sku: Name = Field(description="The product.", examples=["AQ-PARER-OAK"])
    units: Whole = Field(ge=1, le=counting.MOST, description="How many.", examples=[6])


@router.get("/v1/stock")
def get_stock(tools: AtHand, who: House) -> StockAnswer:
    """What every bin holds, in walking order."""
    with tools.database.reading() as session:
        return stock_answer(session)


@router.put("/v1/stock", openapi_extra=details(errors.BadRequest, errors.StaleVersion, errors.StockTooLow))
def set_stock(tools: AtHand, body: StockIn, who: Desk) -> StockAnswer:
    """Set what was counted. Jobs that waited for a unit become ready; all counts are taken or none."""
    counts = [stock.Count(c.bin, c.sku, c.boxed, c.walking_order, c.version) for c in body.counts]

    def work(session: Session) -> StockAnswer:
        stock.put_counts(session, counts, by=tools.by(who))
        return stock_answer(session)

    return tools.database.write(work)


@router.get("/v1/stock/changes", openapi_extra=details(errors.NotFound, errors.WrongBox))
def list_stock_changes(
    request: Request,
    tools: AtHand,
    response: Response,
    who: House,
    bin_name: Annotated[
        str, Query(alias="bin", min_length=1, max_length=60, description="The bin.", examples=["A-01"])
    ],
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
) -> ChangesAnswer:
    """Every change of what stands in a bin, newest first."""
    with tools.database.reading() as session:
        page = count_rows.changes(
            session,
            counting.bin_of(session, bin_name),
            limit=limit + 1,
            before_id=wire.read_cursor(cursor),
        )
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return changes_answer(page[:limit])


@router.get("/v1/stock/in-hand")
def list_units_in_hand(tools: AtHand, who: House) -> InHandsAnswer:
    """Units that are in no bin and not packing's: to be put back, fetched for a job, built and passed."""
    with tools.database.reading() as session:
        return in_hands_answer(session)


@router.post(
    "/v1/stock/moves",
    status_code=201,
    response_model=MovedAnswer,
    openapi_extra=details(errors.BadRequest, errors.NotFound, errors.StockTooLow, errors.WrongBox),
)
def move_boxes(
    tools: AtHand, body: MoveIn, who: House, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Move boxes of a product between bins. Reserved ones go along with their jobs, but for those that a load
    is about to fetch."""
    return wire.json_answer(
        acts.move(tools, body.came_from, body.to, body.sku, body.units, idempotency_key, who=who)
    )


@router.get("/v1/stock/counts")
def list_counts(tools: AtHand, who: House) -> BinCountsAnswer:
    """Bins being counted."""
    with tools.database.reading() as session:
        return bin_counts_answer(session, tools.catalogue.current.policy.count_jump)


@router.post("/v1/stock/counts", openapi_extra=details(errors.NotFound, errors.WrongBox, etag=True))
def begin_count(tools: AtHand, response: Response, body: BeginCountIn, who: House) -> BinCountAnswer:
    """Begin to count a bin; the count that is going on there, where one is."""
    return _tagged(response, acts.begin(tools, body.bin, who=who))


@router.get("/v1/stock/counts/{identity}", openapi_extra=details(etag=True))
def get_count(tools: AtHand, response: Response, identity: CountId, who: House) -> BinCountAnswer:
    """One count, beside what is on record."""
    with tools.database.reading() as session:
        count = count_rows.find(session, number(COUNT, identity))
        if count is None:
            raise NotFound("there is no such count", id=identity)
        return _tagged(response, bin_count_answer(session, count, tools.catalogue.current.policy.count_jump))


@router.post(
    "/v1/stock/counts/{identity}/scan", openapi_extra=details(errors.WrongBox, errors.BadRequest, etag=True)
)
def scan_at_count(
    tools: AtHand,
    response: Response,
    identity: CountId,
    body: CountScanIn,
    who: House,
    if_match: wire.IfMatch = None,
) -> BinCountAnswer:
    """One more box of the scanned product. The ETag tells a new scan from one that is sent twice."""
    etag = wire.if_match_of(if_match)
    return _tagged(response, acts.scan(tools, identity, etag, body.code, who=who))


@router.post("/v1/stock/counts/{identity}/counted", openapi_extra=details(errors.BadRequest, etag=True))
def say_counted(
    tools: AtHand,
    response: Response,
    identity: CountId,
    body: CountedIn,
    who: House,
    if_match: wire.IfMatch = None,
) -> BinCountAnswer:
    """Say how many boxes of some products stand there, in place of scanning them one by one."""
    etag = wire.if_match_of(if_match)
    return _tagged(response, acts.say(tools, identity, etag, body.counted, who=who))


@router.post(
    "/v1/stock/counts/{identity}/take",
    openapi_extra=details(errors.BadRequest, errors.CountJumps, errors.StockTooLow, etag=True),
)
def take_count(
    tools: AtHand,
    response: Response,
    identity: CountId,
    body: TakeCountIn,
    who: House,
    if_match: wire.IfMatch = None,
) -> BinCountAnswer:
    """Set the bin's counts to what was counted, if neither has changed since they were seen. A large
    difference must be confirmed. A second time changes nothing."""
    etag = wire.if_match_of(if_match)
    return _tagged(response, acts.take(tools, identity, etag, body.sure, who=who))


@router.post("/v1/stock/counts/{identity}/drop", openapi_extra=details(etag=True))
def drop_count(
    tools: AtHand, response: Response, identity: CountId, who: House, if_match: wire.IfMatch = None
) -> BinCountAnswer:
    """Forget what was counted. A second time changes nothing."""
    return _tagged(response, acts.drop(tools, identity, wire.if_match_of(if_match), who=who))


def _tagged(response: Response, count: BinCountAnswer) -> BinCountAnswer:
    response.headers["ETag"] = count.etag
    return count
