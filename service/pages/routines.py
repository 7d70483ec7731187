"""Routine checks: what is due at each station, done with a tap; the log; what is used up at the bench."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse

from service.doorway import AtHand
from service.pages.fields import count_of
from service.pages.gate import BenchVisitor, Form, HouseVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, Refusal
from service.requests.inscriptions import storable
from service.routines import due, note
from service.routines import routine_rows as rows
from service.routines.routine_answers import Result, entry_answer
from service.shop.tools import Tools
from service.supplies import supplies

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: Entries of the log on a page.
_A_PAGE = 40
_LONGEST_NOTE = 300
_RESULTS: tuple[Result, ...] = ("ok", "not_ok")
#: Where a form may lead to afterwards: the page itself, the bench, a load.
_THEN = re.compile(r"/routines|/bench|/bench/loads/L\d{1,18}")


@router.get("/routines")
def get_routines(
    request: Request,
    tools: AtHand,
    visitor: HouseVisitor,
    before: Annotated[int | None, Query(ge=1, le=2**62)] = None,
) -> Response:
    """What is due, what is low, and what was done. `before` is the last entry of the page before."""
    return _routines(request, tools, visitor, before=before)


@router.post("/routines/{station}/{routine}")
def post_routine(
    request: Request, tools: AtHand, station: str, routine: str, visitor: BenchVisitor, form: Form
) -> Response:
    """A check was done, ok or not ok. A second tap does nothing."""
    try:
        found = next((one for one in _RESULTS if one == form.get("result")), None)
        if found is None:
            raise BadRequest("say whether it is ok", field="result")
        said = " ".join(str(form.get("note", "")).split())[:_LONGEST_NOTE]
        done = note.Done(
            found, _clean(said), str(form.get("process", "")), seen=count_of(form.get("seen", "0"))
        )
        note.note_once(tools, station, routine, done, who=visitor.who)
    except Refusal as refusal:
        return _routines(request, tools, visitor, refused=refusal)
    then = str(form.get("then", ""))
    return RedirectResponse(then if _THEN.fullmatch(then) else "/routines", 303)


@router.post("/supplies/{supply}")
def post_supply(request: Request, tools: AtHand, supply: str, visitor: BenchVisitor, form: Form) -> Response:
    """A pack was opened, or the pieces were counted (`left`). A second tap does nothing."""
    try:
        seen = count_of(form.get("seen", "0"))
        if form.get("left"):
            supplies.count(tools, supply, left=count_of(form.get("left")), seen=seen, who=visitor.who)
        else:
            supplies.refill(tools, supply, pieces=None, seen=seen, who=visitor.who)
    except Refusal as refusal:
        return _routines(request, tools, visitor, refused=refusal)
    return RedirectResponse("/routines#supplies", 303)


def _routines(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    before: int | None = None,
    refused: Refusal | None = None,
) -> Response:
    shop, now = tools.catalogue.current, tools.clock()
    with tools.database.reading() as session:
        stations = [
            (station, due.routines_of(session, shop, station.station, now=now))
            for station in shop.stations.values()
        ]
        used_up = supplies.supplies(session, shop).supplies
        found = rows.page(session, station=None, before_id=before, limit=_A_PAGE + 1)
        entries = [entry_answer(entry) for entry in found[:_A_PAGE]]
        older = found[_A_PAGE - 1].id if len(found) > _A_PAGE else None
    names = {
        (name.station, one.routine): one.name for name in shop.stations.values() for one in name.routines
    }
    return page(
        request,
        "routines.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        stations=[(station, routines) for station, routines in stations if routines],
        supplies=used_up,
        entries=entries,
        older=older,
        names=names,
        station_names={name: station.name for name, station in shop.stations.items()},
        longest_note=_LONGEST_NOTE,
    )


def _clean(text: str) -> str:
    try:
        return storable(text)
    except ValueError as error:
        raise BadRequest("this can't be written down", field="note") from error
