"""What the service refuses, as domain errors. The class name is the stable code; one table
(`service.requests.refusals`) gives each its HTTP status, so nothing here knows a number. What a class says of
itself is what callers read of its code, at `/problems/CODE` and in the description of the HTTP surface."""

from __future__ import annotations

import re
from typing import Any


class CanNot(Exception):
    """An administrator's command can't be done, and has changed nothing; the text says why. No answer of the
    HTTP service, so it has no code."""


class Refusal(Exception):
    """A request that can't be carried out. `about` names what is in the way, JSON-ready."""

    def __init__(self, message: str, **about: Any) -> None:
        super().__init__(message)
        self.message = message
        self.about = about

    @property
    def code(self) -> str:
        """The stable code: the class name in snake case."""
        return code_of(type(self))


def code_of(kind: type[Refusal]) -> str:
    """The stable code of a kind of refusal.

    >>> code_of(IfMatchMissing)
    'if_match_missing'
    """
    return re.sub(r"(?<!^)(?=[A-Z])", "_", kind.__name__).lower()


# --- who and what ---
class KeyMissing(Refusal):
    """No key came with the request: send `Authorization: Bearer KEY`."""


class KeyUnknown(Refusal):
    """The key is none of this service, or was taken away."""


class RoleNotAllowed(Refusal):
    """The key's role may not do that; the detail names the roles that may."""


class OriginNotListed(Refusal):
    """The page that asks is of an origin that this publishable key does not list."""


class FormTokenWrong(Refusal):
    """A signed-in browser sent something that did not come from a page of its session: reload the page."""


class NotFound(Refusal):
    """There is no such thing, or it belongs to another store."""


# --- requests ---
class IdempotencyKeyMissing(Refusal):
    """A POST that creates something needs an Idempotency-Key, so that it can be sent again safely."""


class IdempotencyKeyMalformed(Refusal):
    """An Idempotency-Key is 8 to 255 visible ASCII characters."""


class IdempotencyKeyReused(Refusal):
    """The same key came before with another body: a key is for one request and its repetitions."""


class RequestInFlight(Refusal):
    """The first request with this key has not been answered yet: ask again after Retry-After."""


class OrderRefTaken(Refusal):
    """The store has already posted this order under another key; `order` names it."""


class IfMatchMissing(Refusal):
    """What can change is changed by naming the ETag last seen, in If-Match."""


class StaleVersion(Refusal):
    """It has changed since the caller last saw it: read it again, then decide again."""


class ShopRefused(Refusal):
    """The shop's description can't be used as it is: `troubles` has everything that is wrong with it; what
    was in force stays in force."""


class BadCursor(Refusal):
    """The cursor was not given out by this service: follow the Link of the page before."""


class BadRequest(Refusal):
    """The request is understood but names something impossible; `field` says where."""


class Unengravable(Refusal):
    """Intake was asked to refuse what can't be engraved; `lines` has the findings."""


# --- moves ---
class MoveNotAllowed(Refusal):
    """The job, load or lot is not in a state that allows this move."""


class LeaseLost(Refusal):
    """The load was granted to somebody else, or has changed, since the caller last saw it."""


class WrongPlate(Refusal):
    """The plate named is not one that this load may be burned on; `wanted` is the one it needs."""


class StaleFile(Refusal):
    """The digest named is not that of the file which this turn would burn now."""


class StaleCalibration(StaleFile):
    """The file named was built before the plate was measured again; or a repeat would miss its first mark."""


class AlreadyBurned(Refusal):
    """A start for this job, face and attempt is on record."""


class CalibrationRefused(Refusal):
    """The measured marks don't agree, or can't be right; `findings` says how."""


class TestCardRefused(Refusal):
    """The card does not prove the recipe; `findings` says why."""

    __test__ = False


class WrongBox(Refusal):
    """What was scanned at packing, assembly or in the store room does not belong there; nothing was changed.
    `scanned` is what was read."""


class WrongShelf(Refusal):
    """The shelf is not one of the packing rack, or another order stands on it; nothing was changed."""


class BoxesMissing(Refusal):
    """An order can't be handed over while boxes of it are missing; `missing` names their jobs."""


class WordsErased(Refusal):
    """The words of that order were erased: nothing of it can be engraved once more, nor is anything to be
    compared with. Ask the buyer for the words, and order anew."""


class RemadeAlready(Refusal):
    """Another unit is made, or was made, for this one; `remake` and `order` name it. If that one is not good
    either, ask for another in its stead."""


class RoutineDue(Refusal):
    """A routine check that stops the station is due, or was found not ok; `station` and `routines` name it.
    Do it, say so (`POST /v1/stations/{station}/routines/{routine}`), then ask again."""


class LoadRefused(Refusal):
    """The judge found something wrong with the load; `findings` says what."""


class NoPlanYet(Refusal):
    """No plan is in force: the background has not made one since the start, or since the shop changed."""


class PlanRefused(Refusal):
    """The judge found fault with the plan of the backlog; `codes` says what."""


class PlanFailed(Refusal):
    """The plan could not be made: the planner broke. The log says where; benches go on without it."""


class TooMuchToSimulate(Refusal):
    """A what-if question about more units (`units`) than a request can simulate (`most`)."""


class StockTooLow(Refusal):
    """More units would be taken from a bin than it holds, or are reserved than are counted."""


class CountJumps(Refusal):
    """A count differs much from what is on record; nothing was changed. `jumps` names products with both
    figures: look again, then take it with those in `sure`."""


class CatalogueMissing(Refusal):
    """The shop's description of that version is not kept here."""


class DatabaseBusy(Refusal):
    """The database could not be written within its time; nothing was changed, trying again is safe."""


class CheckTooSlow(Refusal):
    """A geometry check took longer than a request may take."""


class ServiceBusy(Refusal):
    """More is asked at once than this process answers; nothing was changed, trying again is safe."""


class TooManyRequests(Refusal):
    """A key or an address asked more often than it may; `retry_after_s` says when it may again."""


class TooManyUnits(Refusal):
    """An order is larger than one may be, or more than is left of its store's day."""


class TooManyStreams(Refusal):
    """A key listens with as many event streams as it may; `most` is how many."""


class CheckersBusy(Refusal):
    """All workers were busy with other checks for as long as a request may wait; nothing was changed."""
