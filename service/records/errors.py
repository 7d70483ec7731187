"""What the service refuses, as domain errors. The class name is the stable code; one table
(`service.requests.refusals`) gives each its HTTP status, so nothing here knows a number."""

from __future__ import annotations

import re
from typing import Any


class Refusal(Exception):
    """A request that can't be carried out. `about` names what is in the way, JSON-ready."""

    def __init__(self, message: str, **about: Any) -> None:
        super().__init__(message)
        self.message = message
        self.about = about

    @property
    def code(self) -> str:
        """The stable code: the class name in snake case."""
        return re.sub(r"(?<!^)(?=[A-Z])", "_", type(self).__name__).lower()


# --- who and what ---
class KeyMissing(Refusal): ...


class KeyUnknown(Refusal): ...


class RoleNotAllowed(Refusal): ...


class FormTokenWrong(Refusal):
    """A signed-in browser sent something that did not come from a page of its session."""


class NotFound(Refusal): ...


# --- requests ---
class IdempotencyKeyMissing(Refusal): ...


class IdempotencyKeyMalformed(Refusal): ...


class IdempotencyKeyReused(Refusal):
    """The same key came with another body."""


class RequestInFlight(Refusal):
    """The first request with this key has not been answered yet."""


class OrderRefTaken(Refusal):
    """The store has already posted this order under another key; `about["order"]` names it."""


class IfMatchMissing(Refusal): ...


class StaleVersion(Refusal): ...


class BadCursor(Refusal): ...


class BadRequest(Refusal):
    """The request is understood but names something impossible; `about["field"]` says where."""


class Unengravable(Refusal):
    """Intake was asked to refuse what can't be engraved; `about["lines"]` has the findings."""


# --- moves ---
class MoveNotAllowed(Refusal):
    """The job, load or lot is not in a state that allows this move."""


class LeaseLost(Refusal):
    """The load was granted to somebody else, or has changed, since the caller last saw it."""


class WrongPlate(Refusal):
    """The plate named is not one that this load may be burned on; `about["wanted"]` is the one it needs."""


class StaleFile(Refusal):
    """The digest named is not that of the file which this turn would burn now."""


class StaleCalibration(StaleFile):
    """The file named was built before the plate was measured again; or a repeat would miss its first mark."""


class AlreadyBurned(Refusal):
    """A start for this job, face and attempt is on record."""


class CalibrationRefused(Refusal):
    """The measured marks don't agree, or can't be right; `about["findings"]` says how."""


class TestCardRefused(Refusal):
    """The card does not prove the recipe; `about["findings"]` says why."""

    __test__ = False


class LoadRefused(Refusal):
    """The judge found something wrong with the load; `about["findings"]` says what."""


class NoPlanYet(Refusal):
    """No plan is in force: the background has not made one since the start, or since the shop changed."""


class PlanRefused(Refusal):
    """The judge found fault with the plan of the backlog; `about["codes"]` says what."""


class PlanFailed(Refusal):
    """The plan could not be made: the planner broke. The log says where; benches go on without it."""


class TooMuchToSimulate(Refusal):
    """A what-if question about more units than a request can simulate; `about` has the number and the
    limit."""


class StockTooLow(Refusal): ...


class CatalogueMissing(Refusal): ...


class DatabaseBusy(Refusal):
    """The database could not be written within its time; nothing was changed, trying again is safe."""


class CheckTooSlow(Refusal):
    """A geometry check took longer than a request may take."""


class ServiceBusy(Refusal):
    """More is asked at once than this process answers; nothing was changed, trying again is safe."""


class TooManyStreams(Refusal):
    """A key listens with as many event streams as it may; `about["most"]` is how many."""


class CheckersBusy(Refusal):
    """All workers were busy with other checks for as long as a request may wait; nothing was changed."""
