"""Units made once more, what becomes of the first ones, and what was spoiled why."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import AfterValidator, Field

from service.api import wire
from service.api.contract import CSV, details
from service.api.security import Anyone, Desk, House, Intake
from service.doorway import AtHand, Route
from service.records import errors
from service.records.ids import ORDER, REMAKE, number
from service.records.states import ReturnState
from service.remakes import returned, spoiled
from service.remakes.remake import remake
from service.remakes.remake_answers import RemakeAnswer, RemakesAnswer, remake_answer, remakes_answer
from service.remakes.remake_in import RemakeIn
from service.remakes.spoiled import SpoiledAnswer
from service.requests.inscriptions import Strict, storable

router = APIRouter(tags=["remakes"], route_class=Route)

RemakeId = Annotated[str, Path(description="The remake.", examples=["R3"])]


class ReturnedIn(Strict):
    returned: Literal["not_returned", "polishing", "stocked", "scrapped"] = Field(
        description="`not_returned`: it does not come back; `polishing`: its mark is polished away;"
        " `stocked`: inspected, boxed and in a bin; `scrapped`.",
        examples=["polishing"],
    )
    bin: Annotated[str, Field(min_length=1, max_length=30), AfterValidator(storable)] | None = Field(
        default=None,
        description="Into which bin it was put; left out: the one that it came from.",
        examples=["A-01"],
    )


@router.post(
    "/v1/orders/{identity}/remakes",
    status_code=201,
    response_model=RemakeAnswer,
    openapi_extra=details(
        errors.BadRequest,
        errors.MoveNotAllowed,
        errors.RemadeAlready,
        errors.WordsErased,
        errors.OrderRefTaken,
        errors.TooManyUnits,
        errors.CheckTooSlow,
        errors.CheckersBusy,
    ),
)
def remake_unit(
    tools: AtHand,
    identity: wire.OrderId,
    body: RemakeIn,
    who: Intake,
    idempotency_key: wire.IdempotencyKey = None,
) -> Response:
    """Make a released unit once more, before all other work: by a new order where the first has left, else in
    its own, where it is scrapped. What was approved is engraved again as it is, or held where the shop
    can't."""
    return wire.json_answer(remake(tools, identity, body, idempotency_key, who=who))


@router.get("/v1/remakes", openapi_extra=details(errors.BadRequest, errors.NotFound))
def list_remakes(
    request: Request,
    tools: AtHand,
    response: Response,
    who: Anyone,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    order: Annotated[
        str | None,
        Query(max_length=20, description="Keep those that this order is about.", examples=["O17"]),
    ] = None,
    returned: Annotated[
        ReturnState | None, Query(description="Keep those whose first unit is there.", examples=["awaited"])
    ] = None,
) -> RemakesAnswer:
    """Units made once more, newest first; a store sees its own."""
    with tools.database.reading() as session:
        answer = remakes_answer(
            session,
            client=who.sees_client,
            limit=limit + 1,
            before_id=wire.read_cursor(cursor),
            order_id=number(ORDER, order) if order is not None else None,
            state=returned.value if returned else None,
        )
    if len(answer.remakes) <= limit:
        return answer
    page = answer.remakes[:limit]
    response.headers["Link"] = wire.next_link(request, number(REMAKE, page[-1].id), limit)
    return RemakesAnswer(remakes=page)


@router.get("/v1/remakes/{identity}")
def get_remake(tools: AtHand, identity: RemakeId, who: Anyone) -> RemakeAnswer:
    """One unit made once more."""
    with tools.database.reading() as session:
        return remake_answer(session, number(REMAKE, identity), client=who.sees_client)


@router.post(
    "/v1/remakes/{identity}/returned", openapi_extra=details(errors.BadRequest, errors.MoveNotAllowed)
)
def say_returned(tools: AtHand, identity: RemakeId, body: ReturnedIn, who: House) -> RemakeAnswer:
    """Say what became of the first unit. Into a bin it goes without a mark only. A second time changes
    nothing."""
    return returned.say_once(tools, identity, ReturnState(body.returned), body.bin, who=who)


Since = Annotated[date, Query(alias="from", description="First day that counts.", examples=["2026-11-01"])]
Until = Annotated[date, Query(alias="to", description="Last day that counts.", examples=["2026-11-30"])]


@router.get("/v1/spoiled", openapi_extra=details(errors.BadRequest))
def get_spoiled(tools: AtHand, who: Desk, since: Since, until: Until) -> SpoiledAnswer:
    """Units scrapped at the bench and units made once more, counted by product, font, process, station and
    operator, each with why. Counts only: they rank nobody."""
    return spoiled.spoiled(tools, since, until)


@router.get(
    "/v1/spoiled.csv",
    response_class=Response,
    openapi_extra=details(errors.BadRequest, files=[CSV], etag=True),
)
def get_spoiled_csv(request: Request, tools: AtHand, who: Desk, since: Since, until: Until) -> Response:
    """The same as a CSV file."""
    return wire.csv_answer(request, spoiled.spoiled_csv(spoiled.spoiled(tools, since, until)), "spoiled.csv")
