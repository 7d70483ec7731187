"""The sandbox: an order of a test key moved on by its store itself."""

from __future__ import annotations

from fastapi import APIRouter, Response
from pydantic import Field
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import details
from service.api.security import Store
from service.doorway import AtHand, Route
from service.intake.order_answers import OrderAnswer, etag_of, order_answer
from service.records import errors
from service.requests.inscriptions import Strict
from service.sandbox.advance import To, advance

router = APIRouter(tags=["sandbox"], route_class=Route)


class AdvanceIn(Strict):
    to: To | None = Field(
        default=None,
        description="Where it goes, through all that lies between; left out: to its next state. `short`,"
        " `doubtful` and `scrapped` befall its first unit that they can befall; `promised` gives it a"
        " promise, and again one a day later.",
        examples=["engraved"],
    )


@router.post("/v1/sandbox/orders/{identity}/advance", openapi_extra=details(errors.MoveNotAllowed, etag=True))
def advance_order(
    tools: AtHand, response: Response, identity: wire.OrderId, body: AdvanceIn, who: Store
) -> OrderAnswer:
    """Move an order on that was posted with a test key, as the shop's people would; its events are told.
    Asked for the state that it is in, it stays."""

    def work(session: Session) -> tuple[OrderAnswer, str]:
        order = advance(session, tools, identity, body.to, who=who)
        return order_answer(session, order), etag_of(order)

    answer, response.headers["ETag"] = tools.database.write(work)
    return answer
