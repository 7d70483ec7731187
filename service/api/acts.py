"""What was done with the shop itself, by whom and when."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from service.api import wire
from service.api.security import Owner
from service.doorway import AtHand, Route
from service.requests import act_rows as rows
from service.requests.act_answers import ActsAnswer, acts_answer

router = APIRouter(tags=["acts"], route_class=Route)


@router.get("/v1/acts")
def list_acts(
    request: Request,
    tools: AtHand,
    response: Response,
    who: Owner,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
) -> ActsAnswer:
    """What was done with keys, callbacks, test cards, measured plates, the shop's description and lots: who,
    when, what, newest first. No secret is in it."""
    with tools.database.reading() as session:
        page = rows.listed(session, before_id=wire.read_cursor(cursor), limit=limit + 1)
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].id, limit)
        return acts_answer(page[:limit])
