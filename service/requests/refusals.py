"""The one table that knows which refusal is which HTTP status, and what every code of a problem means."""

from collections.abc import Mapping
from inspect import cleandoc
from types import MappingProxyType

from service.records import errors
from service.records.errors import Refusal, code_of

STATUS: Mapping[type[Refusal], int] = {
    errors.KeyMissing: 401,
    errors.KeyUnknown: 401,
    errors.RoleNotAllowed: 403,
    errors.OriginNotListed: 403,
    errors.FormTokenWrong: 403,
    errors.NotFound: 404,
    errors.IdempotencyKeyMissing: 400,
    errors.IdempotencyKeyMalformed: 400,
    errors.IdempotencyKeyReused: 422,
    errors.RequestInFlight: 409,
    errors.OrderRefTaken: 409,
    errors.IfMatchMissing: 428,
    errors.StaleVersion: 412,
    errors.ShopRefused: 422,
    errors.BadCursor: 400,
    errors.BadRequest: 422,
    errors.Unengravable: 422,
    errors.MoveNotAllowed: 409,
    errors.LeaseLost: 412,
    errors.WrongPlate: 409,
    errors.StaleFile: 409,
    errors.StaleCalibration: 409,
    errors.AlreadyBurned: 409,
    errors.CalibrationRefused: 422,
    errors.TestCardRefused: 422,
    errors.WrongBox: 409,
    errors.WrongShelf: 409,
    errors.CountJumps: 409,
    errors.BoxesMissing: 409,
    errors.WordsErased: 409,
    errors.RemadeAlready: 409,
    errors.RoutineDue: 409,
    errors.LoadRefused: 409,
    errors.TooMuchToSimulate: 422,
    errors.NoPlanYet: 503,
    errors.PlanRefused: 409,
    errors.PlanFailed: 503,
    errors.StockTooLow: 409,
    errors.CatalogueMissing: 409,
    errors.DatabaseBusy: 503,
    errors.CheckTooSlow: 503,
    errors.CheckersBusy: 503,
    errors.ServiceBusy: 503,
    errors.TooManyStreams: 429,
    errors.TooManyRequests: 429,
    errors.TooManyUnits: 429,
}

#: What the door itself refuses, before any use case is asked: its status and what it means.
_AT_THE_DOOR: Mapping[str, tuple[int, str]] = {
    "malformed_json": (400, "The body is not JSON."),
    "unreadable_body": (400, "The body can't be read."),
    "name_twice": (400, "A name stands twice in the same object of the body."),
    "body_too_slow": (408, "The body took too long to arrive."),
    "invalid_request": (
        422,
        "A field, a query name or a header is missing, unknown or out of range; `errors` names each.",
    ),
    "method_not_allowed": (405, "This address does not take that method."),
    "body_too_large": (413, "The body is larger than is taken here."),
    "refused": (400, "The web server's own part turned the request away; the status says why."),
    "internal_error": (
        500,
        "Something went wrong in the service; its log says what. With an Idempotency-Key or an If-Match the"
        " same can be sent again.",
    ),
}
#: The status of every code that a problem can have.
STATUS_OF_CODE: Mapping[str, int] = MappingProxyType(
    {code: status for code, (status, _) in _AT_THE_DOOR.items()}
    | {code_of(kind): status for kind, status in STATUS.items()}
)
#: What each of them means, in alphabetical order.
MEANINGS: Mapping[str, str] = MappingProxyType(
    dict(
        sorted(
            [(code, meaning) for code, (_, meaning) in _AT_THE_DOOR.items()]
            + [(code_of(kind), " ".join(cleandoc(kind.__doc__ or "").split())) for kind in STATUS]
        )
    )
)


def status_of(kind: type[Refusal]) -> int:
    """The HTTP status of a kind of refusal; 409 for one that the table does not name."""
    return next((STATUS[base] for base in kind.__mro__ if base in STATUS), 409)
