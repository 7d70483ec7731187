"""Routine checks of the stations, and what is used up at the bench."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import AfterValidator, Field

from service.api import wire
from service.api.contract import details
from service.api.security import Bench, House
from service.doorway import AtHand, Route
from service.records import errors
from service.requests.inscriptions import Name, Strict, Whole, storable
from service.routines import due, note
from service.routines import routine_rows as rows
from service.routines.routine_answers import (
    Result,
    RoutineEntryAnswer,
    RoutineLogAnswer,
    RoutinesAnswer,
    entry_answer,
)
from service.supplies import supplies as stores
from service.supplies.supply_answers import SuppliesAnswer, SupplyAnswer

router = APIRouter(tags=["routines"], route_class=Route)

Station = Annotated[str, Path(max_length=60, description="The station.", examples=["north"])]
OfStation = Annotated[
    str | None, Query(max_length=60, description="Keep those of one station.", examples=["north"])
]
SupplyName = Annotated[str, Path(max_length=60, description="The supply.", examples=["bags"])]
_MOST = 1_000_000_000


class RoutineDoneIn(Strict):
    result: Result = Field(description="What was found.", examples=["ok"])
    note: Annotated[str, Field(max_length=300), AfterValidator(storable)] = Field(
        default="", description="What to remember.", examples=["a little soot"]
    )
    process: Name | None = Field(
        default=None, description="The process that was tried on scrap.", examples=["satin-north"]
    )
    seen: Whole | None = Field(
        default=None,
        ge=0,
        le=2**31,
        description="The number of its newest entry that the caller saw, 0 for none: where there is a newer"
        " one nothing is written, and that is answered. Left out: written whatever there is.",
        examples=[11],
    )


class RefillIn(Strict):
    pieces: Whole | None = Field(
        default=None, ge=1, le=1_000_000, description="How many; left out: a pack.", examples=[500]
    )
    seen: Whole | None = Field(
        default=None,
        ge=0,
        le=2**31,
        description="Its `said` as the caller saw it: where people have said something since, nothing is"
        " changed. Left out: changed whatever it is.",
        examples=[3],
    )


class PiecesIn(Strict):
    left: Whole = Field(ge=0, le=_MOST, description="Pieces counted.", examples=[420])
    seen: Whole | None = Field(default=None, ge=0, le=2**31, description="As of a refill.", examples=[3])


@router.get("/v1/routines", openapi_extra=details(errors.NotFound))
def list_routines(tools: AtHand, who: House, station: OfStation = None) -> RoutinesAnswer:
    """The routine checks of the stations, which of them are due, and when each was done last."""
    shop, now = tools.catalogue.current, tools.clock()
    if station is not None and station not in shop.stations:
        raise errors.NotFound("there is no such station", id=station)
    names = [station] if station is not None else list(shop.stations)
    with tools.database.reading() as session:
        return RoutinesAnswer(
            routines=tuple(one for name in names for one in due.routines_of(session, shop, name, now=now))
        )


@router.get("/v1/routines/log", openapi_extra=details(errors.BadCursor))
def list_routine_log(
    request: Request,
    tools: AtHand,
    response: Response,
    who: House,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
    station: OfStation = None,
) -> RoutineLogAnswer:
    """The log: every routine check that was done, newest first."""
    with tools.database.reading() as session:
        before_id = wire.read_cursor(cursor)
        page = rows.page(session, station=station, before_id=before_id, limit=limit + 1)
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return RoutineLogAnswer(entries=tuple(entry_answer(entry) for entry in page[:limit]))


@router.post(
    "/v1/stations/{station}/routines/{routine}",
    openapi_extra=details(errors.NotFound, errors.BadRequest),
)
def note_routine(
    tools: AtHand,
    station: Station,
    routine: Annotated[str, Path(max_length=60, description="The check.", examples=["lens"])],
    body: RoutineDoneIn,
    who: Bench,
) -> RoutineEntryAnswer:
    """A routine check was done. The station goes on where it stopped for it, unless it was found not ok."""
    done = note.Done(body.result, body.note, body.process or "", body.seen)
    return note.note_once(tools, station, routine, done, who=who)


@router.get("/v1/supplies")
def list_supplies(tools: AtHand, who: House) -> SuppliesAnswer:
    """What is used up at the bench and at packing, how much of it is left, and what is low."""
    with tools.database.reading() as session:
        return stores.supplies(session, tools.catalogue.current)


@router.post("/v1/supplies/{supply}/refill", openapi_extra=details(errors.NotFound))
def refill_supply(tools: AtHand, supply: SupplyName, body: RefillIn, who: Bench) -> SupplyAnswer:
    """Pieces came: a pack, or as many as are named."""
    return stores.refill(tools, supply, pieces=body.pieces, seen=body.seen, who=who)


@router.post("/v1/supplies/{supply}/count", openapi_extra=details(errors.NotFound))
def count_supply(tools: AtHand, supply: SupplyName, body: PiecesIn, who: Bench) -> SupplyAnswer:
    """Pieces were counted: so many are there."""
    return stores.count(tools, supply, left=body.left, seen=body.seen, who=who)
