"""Feasibility: can these words be engraved there?"""

from __future__ import annotations

from fastapi import APIRouter

from service.api.contract import details
from service.api.security import Intake
from service.api.wire import CheckIn
from service.doorway import AtHand, Route
from service.intake import check as checks
from service.intake.check import CheckAnswer
from service.records import errors

router = APIRouter(tags=["checks"], route_class=Route)


@router.post("/v1/checks", openapi_extra=details(errors.CheckTooSlow, errors.CheckersBusy))
def check(tools: AtHand, body: CheckIn, who: Intake) -> CheckAnswer:
    """Check inscriptions on a product, with everything that stands in the way, and a picture."""
    inscriptions = tuple(inscription.value() for inscription in body.inscriptions)
    return checks.check(tools, body.sku, inscriptions, client=who.client, store=who.sees_client)
