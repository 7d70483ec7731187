"""Assembly: work orders, units inspected before they are boxed, and counted where they are made."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import AfterValidator, Field

from service.api import wire
from service.api.contract import PDF, details
from service.api.security import Bench, House, Owner
from service.assembly import acts, built_units, failures, work_orders
from service.assembly import work_order_rows as rows
from service.assembly.failures import FailuresAnswer
from service.assembly.scans import AssemblyScanAnswer
from service.assembly.work_order_answers import (
    BuiltUnitAnswer,
    BuiltUnitsAnswer,
    WorkOrderAnswer,
    WorkOrdersAnswer,
    built_unit_answer,
    in_work_answer,
    work_order_answer,
    work_orders_answer,
)
from service.doorway import AtHand, Route, voice_of
from service.papers import printed
from service.records import errors
from service.records.errors import NotFound
from service.records.ids import UNIT, WORK_ORDER, number
from service.records.states import WorkOrderState
from service.requests.inscriptions import InscriptionsIn, Moment, Name, Strict, Whole, storable

router = APIRouter(tags=["assembly"], route_class=Route)

WorkOrderId = Annotated[str, Path(description="The work order.", examples=["W5"])]
UnitId = Annotated[str, Path(description="The unit.", examples=["U17"])]
BinCode = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(storable)]
Reason = Annotated[str, Field(min_length=1, max_length=120), AfterValidator(storable)]


class HouseMarkIn(Strict):
    inscriptions: InscriptionsIn = Field(description="What each bare blade gets.")
    due: Moment = Field(
        description="When the blades are wanted, before the work order is due.",
        examples=["2026-12-02T16:00:00Z"],
    )


class WorkOrderIn(Strict):
    sku: Name = Field(description="The product.", examples=["AQ-PARER-OAK"])
    quantity: Whole = Field(ge=1, le=work_orders.MOST, description="How many.", examples=[12])
    due: Moment = Field(description="When they are to be built by.", examples=["2026-12-04T16:00:00Z"])
    house_mark: HouseMarkIn | None = Field(
        default=None, description="A lot of as many bare blades, to be marked first; left out: none."
    )
    seen: Whole | None = Field(
        default=None,
        ge=0,
        le=1_000_000,
        description="Units of the product that the caller saw being built: refused where there are others by"
        " now. Left out: it does not matter.",
        examples=[0],
    )


class CancelWorkOrderIn(Strict):
    reason: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)] = Field(
        description="Why; it goes to the history.", examples=["no walnut"]
    )


class AssemblyScanIn(Strict):
    code: Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)] = Field(
        description="What the scanner read: a unit's label, a bin's, a work order's, a product's barcode.",
        examples=["U17"],
    )
    unit: Annotated[str, Field(max_length=20), AfterValidator(storable)] | None = Field(
        default=None, description="The unit that a bin is scanned for. Left out: none.", examples=["U17"]
    )
    bin: BinCode | None = Field(
        default=None,
        description="The bin that units are scanned into, by name or label. Left out: none.",
        examples=["A-01"],
    )


class PassUnitIn(Strict):
    points: list[Annotated[str, Field(max_length=120), AfterValidator(storable)]] = Field(
        max_length=100,
        description="The points of the inspection that were looked at and are good: all of the product's.",
        examples=[["Edge bites paper all along", "Handle without gaps"]],
    )


class BadUnitIn(Strict):
    reason: Reason = Field(
        description="The point of the inspection that is not good, or `other`.",
        examples=["Handle without gaps"],
    )
    note: Annotated[str, Field(max_length=built_units.LONGEST_NOTE), AfterValidator(storable)] = Field(
        default="", description="What exactly; wanted with `other`.", examples=["at the bolster"]
    )


class PutInBinIn(Strict):
    bin: BinCode = Field(description="The bin, by name or label.", examples=["BIN.A-01"])


@router.post(
    "/v1/work-orders",
    status_code=201,
    response_model=WorkOrderAnswer,
    openapi_extra=details(
        errors.BadRequest,
        errors.StaleVersion,
        errors.Unengravable,
        errors.CheckTooSlow,
        errors.CheckersBusy,
        etag=True,
    ),
)
def make_work_order(
    tools: AtHand, body: WorkOrderIn, who: Owner, idempotency_key: wire.IdempotencyKey = None
) -> Response:
    """Have units of a product built, with a lot for the house mark of their blades where that is wanted."""
    mark = None
    if body.house_mark is not None:
        inscriptions = tuple(inscription.value() for inscription in body.house_mark.inscriptions)
        mark = work_orders.MarkWanted(inscriptions, body.house_mark.due)
    wanted = work_orders.WorkOrderWanted(body.sku, body.quantity, body.due, mark, body.seen)
    return wire.json_answer(work_orders.make(tools, wanted, idempotency_key, who=who))


@router.get("/v1/work-orders")
def list_work_orders(
    request: Request,
    tools: AtHand,
    response: Response,
    who: House,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    state: Annotated[
        WorkOrderState | None, Query(description="Keep those in that state.", examples=["open"])
    ] = None,
) -> WorkOrdersAnswer:
    """Work orders with their counts, newest first."""
    with tools.database.reading() as session:
        page = rows.listed(
            session,
            limit=limit + 1,
            before_id=wire.read_cursor(cursor),
            state=state.value if state else None,
        )
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return work_orders_answer(session, page[:limit])


@router.get("/v1/work-orders/{identity}", openapi_extra=details(etag=True))
def get_work_order(tools: AtHand, response: Response, identity: WorkOrderId, who: House) -> WorkOrderAnswer:
    """One work order with its units and its history."""
    with tools.database.reading() as session:
        order = rows.find(session, number(WORK_ORDER, identity))
        if order is None:
            raise NotFound("there is no such work order", id=identity)
        response.headers["ETag"] = work_orders.etag_of(order)
        return work_order_answer(session, order)


@router.get("/v1/work-orders/{identity}/labels.pdf", openapi_extra=details(files=[PDF], etag=True))
def get_work_order_labels(request: Request, tools: AtHand, identity: WorkOrderId, who: House) -> Response:
    """The labels of a work order and of each of its units that is not in a bin, 62 x 29 mm."""
    return wire.pdf_answer(
        request, printed.built_unit_labels(tools, identity, voice_of(request)), f"{identity}-labels.pdf"
    )


@router.post("/v1/work-orders/{identity}/cancel", openapi_extra=details(errors.MoveNotAllowed, etag=True))
def cancel_work_order(
    tools: AtHand,
    response: Response,
    identity: WorkOrderId,
    body: CancelWorkOrderIn,
    who: Owner,
    if_match: wire.IfMatch = None,
) -> WorkOrderAnswer:
    """Build no more of it. Units that were inspected before go on to their bins, or are given up."""
    answer, etag = acts.cancel(tools, identity, wire.if_match_of(if_match), body.reason, who=who)
    response.headers["ETag"] = etag
    return answer


@router.get("/v1/assembly")
def list_built_units(tools: AtHand, who: House) -> BuiltUnitsAnswer:
    """Units that were inspected and are in no bin: passed, in rework, or back from it."""
    with tools.database.reading() as session:
        return in_work_answer(session)


@router.post(
    "/v1/assembly/scan", openapi_extra=details(errors.NotFound, errors.WrongBox, errors.MoveNotAllowed)
)
def scan_at_assembly(tools: AtHand, body: AssemblyScanIn, who: Bench) -> AssemblyScanAnswer:
    """A unit, a bin, a work order or a product was scanned. Scanning the same unit again changes nothing."""
    return acts.scan(tools, body.code, unit=body.unit, bin_name=body.bin, who=who)


@router.get("/v1/built-units/{identity}")
def get_built_unit(tools: AtHand, identity: UnitId, who: House) -> BuiltUnitAnswer:
    """One unit that assembly builds."""
    with tools.database.reading() as session:
        unit = rows.unit(session, number(UNIT, identity))
        order = None if unit is None else rows.find(session, unit.work_order_id)
        if unit is None or order is None:
            raise NotFound("there is no such unit", id=identity)
        return built_unit_answer(unit, order.sku)


@router.post(
    "/v1/built-units/{identity}/pass", openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed)
)
def pass_built_unit(tools: AtHand, identity: UnitId, body: PassUnitIn, who: Bench) -> BuiltUnitAnswer:
    """Every point of the inspection is good. A second time changes nothing."""
    return acts.passes(tools, identity, body.points, who=who)


@router.post(
    "/v1/built-units/{identity}/rework", openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed)
)
def rework_built_unit(tools: AtHand, identity: UnitId, body: BadUnitIn, who: Bench) -> BuiltUnitAnswer:
    """A point is not good: the unit goes to rework, and is inspected anew when a scan says that it is back. A
    second time changes nothing."""
    return acts.fails(tools, identity, body.reason, body.note, who=who)


@router.post(
    "/v1/built-units/{identity}/give-up", openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed)
)
def give_up_built_unit(tools: AtHand, identity: UnitId, body: BadUnitIn, who: Bench) -> BuiltUnitAnswer:
    """The unit is not worth any more work. A second time changes nothing."""
    return acts.give_up(tools, identity, body.reason, body.note, who=who)


@router.post(
    "/v1/built-units/{identity}/put-in", openapi_extra=details(errors.MoveNotAllowed, errors.WrongBox)
)
def put_built_unit_in(tools: AtHand, identity: UnitId, body: PutInBinIn, who: Bench) -> BuiltUnitAnswer:
    """A unit that passed stands in a bin, and is counted there. A second time changes nothing."""
    return acts.put_in(tools, identity, body.bin, who=who)


Since = Annotated[date, Query(alias="from", description="First day that counts.", examples=["2026-11-01"])]
Until = Annotated[date, Query(alias="to", description="Last day that counts.", examples=["2026-11-30"])]


@router.get("/v1/assembly/failures", openapi_extra=details(errors.BadRequest))
def get_assembly_failures(tools: AtHand, who: House, since: Since, until: Until) -> FailuresAnswer:
    """Inspections before boxing that failed, counted by product and reason. Counts only: they rank nobody."""
    return failures.failures(tools, since, until)
