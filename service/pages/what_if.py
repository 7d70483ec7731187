"""What if ...? A form with ready-made questions, and the answer in words, figures and two pictures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from pydantic import ValidationError

from service.doorway import AtHand
from service.pages.gate import HouseVisitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, Refusal
from service.what_if import answer as what_if
from service.what_if.answer import WhatIfOut
from service.what_if.measures import Points
from service.what_if.questions import WhatIfIn

router = APIRouter(include_in_schema=False, route_class=PageRoute)

#: What the form begins with.
USUAL = {
    "factor": "1",
    "orders_days": "1",
    "station": "",
    "until": "",
    "plate": "",
    "count": "1",
    "hours": "0",
    "days": "2",
}


@dataclass(frozen=True, slots=True)
class Bar:
    """One measure of one shop, on a picture's scale of 0 to 1."""

    low: float
    median: float
    high: float
    said: Points


@router.get("/what-if")
def get_what_if(request: Request, tools: AtHand, visitor: HouseVisitor) -> Response:
    """The form; with its fields in the address, the answer too."""
    shop = tools.catalogue.current
    zone = ZoneInfo(shop.policy.time_zone)
    given = {**USUAL, **{name: request.query_params[name] for name in USUAL if name in request.query_params}}
    answer, refused = None, None
    if request.query_params:
        try:
            answer = what_if.answer(tools, question_of(given, zone))
        except Refusal as refusal:
            refused = refusal
    return page(
        request,
        "what_if.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        given=given,
        shop=shop,
        answer=answer,
        pictures=pictures(answer) if answer else {},
        done=done_at(answer) if answer else {},
        local=lambda moment: moment.astimezone(zone),
    )


def question_of(given: Mapping[str, str], zone: ZoneInfo) -> WhatIfIn:
    """The question a form asks; its time is on the shop's wall clock.

    Raises BadRequest for one that can't be read.
    """
    question: dict[str, Any] = {
        "orders_factor": given["factor"],
        "orders_days": given["orders_days"],
        "days": given["days"],
    }
    if given["station"]:
        question["station_down"] = {"station": given["station"], "until": _moment(given["until"], zone)}
    if given["plate"]:
        question["more_plates"] = {"plate": given["plate"], "count": given["count"]}
    if given["hours"] not in {"", "0"}:
        question["more_hours"] = {"hours": given["hours"].replace(",", ".")}
    try:
        return WhatIfIn.model_validate(question, strict=False)  # a form knows no numbers
    except ValidationError as error:
        field = ".".join(str(part) for part in error.errors()[0]["loc"])
        raise BadRequest("this question can't be read: fill in every field of it", field=field) from None


def _moment(given: str, zone: ZoneInfo) -> str:
    """A browser's date and time, which has no zone, in the shop's."""
    try:
        return datetime.fromisoformat(given).replace(tzinfo=zone).isoformat()
    except ValueError:
        raise BadRequest("say until when the station is down", field="station_down.until") from None


def pictures(answer: WhatIfOut) -> dict[str, tuple[Bar, Bar]]:
    """The measures worth a picture, the shop as it is above the shop as asked, on one scale."""
    before, after = answer.baseline, answer.what_if
    drawn = {
        "units_late": _bars(before.units_late, after.units_late),
        "backlog_hours": _bars(before.backlog_hours, after.backlog_hours),
    }
    return {measure: bars for measure, bars in drawn.items() if bars is not None}


def _bars(before: Points, after: Points) -> tuple[Bar, Bar] | None:
    """None where there is no end to draw."""
    if before.p90 is None or after.p90 is None:
        return None
    most = max(1.0, before.p90, after.p90)
    first, second = (
        Bar((points.p10 or 0.0) / most, (points.median or 0.0) / most, (points.p90 or 0.0) / most, points)
        for points in (before, after)
    )
    return first, second


def done_at(answer: WhatIfOut) -> dict[str, datetime | None]:
    """When what waits now will be done, at the median; None if it never is."""
    hours = {"baseline": answer.baseline.backlog_hours.median, "what_if": answer.what_if.backlog_hours.median}
    return {
        shop: None if value is None else answer.made_at + timedelta(hours=value)
        for shop, value in hours.items()
    }
