"""The one table that knows which refusal is which HTTP status."""

from collections.abc import Mapping

from service.records import errors
from service.records.errors import Refusal

STATUS: Mapping[type[Refusal], int] = {
    errors.KeyMissing: 401,
    errors.KeyUnknown: 401,
    errors.RoleNotAllowed: 403,
    errors.FormTokenWrong: 403,
    errors.NotFound: 404,
    errors.IdempotencyKeyMissing: 400,
    errors.IdempotencyKeyMalformed: 400,
    errors.IdempotencyKeyReused: 422,
    errors.RequestInFlight: 409,
    errors.OrderRefTaken: 409,
    errors.IfMatchMissing: 428,
    errors.StaleVersion: 412,
    errors.BadCursor: 400,
    errors.BadRequest: 422,
    errors.Unengravable: 422,
    errors.MoveNotAllowed: 409,
    errors.LeaseLost: 412,
    errors.WrongPlate: 409,
    errors.StaleFile: 409,
    errors.AlreadyBurned: 409,
    errors.CalibrationRefused: 422,
    errors.TestCardRefused: 422,
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
}
