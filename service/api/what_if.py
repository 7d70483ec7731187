"""What if ...?"""

from __future__ import annotations

from fastapi import APIRouter

from service.api.contract import details
from service.api.security import House
from service.doorway import AtHand, Route
from service.records import errors
from service.what_if import answer as what_if
from service.what_if.answer import WhatIfOut
from service.what_if.questions import WhatIfIn

router = APIRouter(tags=["plan"], route_class=Route)


@router.post(
    "/v1/what-if", openapi_extra=details(errors.BadRequest, errors.TooMuchToSimulate, errors.CheckersBusy)
)
def ask_what_if(tools: AtHand, body: WhatIfIn, who: House) -> WhatIfOut:
    """What would be late, and when all is done: the shop as it is beside the shop as asked, simulated.

    Each measure is given as its 10 %, 50 % and 90 % points over the runs. Nothing is stored or changed.
    """
    return what_if.answer(tools, body)
