"""The description of the HTTP surface that is served at `/openapi.json` (OpenAPI 3.1).

Most of it is read off the routes: their answers are the schemas, their parameters the parameters. What a
signature can't show is said once here for all operations:

- who may call (from the route's own dependency), and 401 and 403 with it;
- what every request can be refused for: a body that is no JSON or too large, a name that is not taken, a
  thing that is not there, a missing or stale `If-Match`, a missing, reused or busy `Idempotency-Key`, a bad
  cursor, a database that is busy;
- one schema for all refusals (`Problem`), each status with its codes and what they mean;
- headers that are required although a missing one has a status of its own, and headers of answers.

What is left, a route says with `details`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute

from service.api.problems import MEDIA_TYPE
from service.api.security import roles_of
from service.records import errors
from service.records.errors import Refusal, code_of
from service.requests.problem_answers import TITLES, Problem
from service.requests.refusals import MEANINGS, STATUS_OF_CODE

TITLE, VERSION = "Ricasso", "1"
DESCRIPTION = """\
Laser-personalisation job queue: orders in, verified burn files and pulls out.

Send `Authorization: Bearer KEY`. Times are RFC 3339, lengths millimetres, angles degrees counter-clockwise.
What creates something wants an `Idempotency-Key`: the same key with the same body gets the same answer, so
that a request whose answer was lost can be sent again. What can change has an `ETag`, and is changed by
naming it in `If-Match`. Lists come in pages: follow the `Link` with `rel="next"`. Every refusal is a problem
(RFC 9457) with a `code` that a program goes by. Names that are not described are refused, in bodies and in
queries alike. Every answer has an `X-Request-ID`, which names it in the log; a caller may choose it.
"""
TAGS: Mapping[str, str] = {
    "checks": "Can these words be engraved there?",
    "previews": "For the pages of a shop, with a publishable key: words tried on a product.",
    "orders": "Orders of stores: taken, looked at, amended, approved, cancelled.",
    "jobs": "Physical units to be engraved, one each.",
    "catalogue": "What is sold, and where it can be engraved.",
    "callbacks": "Where a store wants to be told, and what happens as it happens.",
    "sandbox": "A shadow of the shop, for test keys: orders moved on by their store.",
    "loads": "The operator's work: take a load, pull, seat, burn, inspect, release.",
    "pulls": "Units to fetch, and units that go back.",
    "packing": "Boxes of orders gathered, and handed over.",
    "assembly": "What is built: work orders, units inspected, put into bins.",
    "photos": "Photos of marks, held against what was approved.",
    "routines": "Routine checks of the stations, and what is used up there.",
    "remakes": "Units made once more, and what becomes of the first.",
    "papers": "Sheets, labels and proofs as PDF.",
    "stock": "Boxed units by bin.",
    "lots": "Bare blades that get the house mark.",
    "plan": "What comes: loads, days, what to build, what if.",
    "calibrations": "Where plates really lie.",
    "test cards": "Which processes are proven.",
    "acts": "What was done with the shop itself, by whom and when.",
    "health": "Is it alive, can it work?",
}

SVG, PNG, PDF, CSV = "image/svg+xml", "image/png", "application/pdf", "text/csv"
JPEG = "image/jpeg"
BURN_FILES = (SVG, "image/vnd.dxf", PDF)

_KEY = "x-details"
_PROBLEM = {"$ref": "#/components/schemas/Problem"}
_CREATE = (
    errors.IdempotencyKeyMissing,
    errors.IdempotencyKeyMalformed,
    errors.IdempotencyKeyReused,
    errors.RequestInFlight,
)
_HEADERS: Mapping[str, tuple[str, str]] = {
    "ETag": ("Names this state of the thing: send it as `If-Match` to change it.", '"1.1"'),
    "Location": ("Where the new thing is.", "/v1/orders/O17"),
    "Link": (
        'The next page, with `rel="next"` (RFC 8288); left out on the last.',
        '</v1/orders?cursor=MTc.wBZ1&limit=50>; rel="next"',
    ),
    "Idempotency-Replayed": ("`true` where this is the kept answer of an earlier request.", "true"),
    "Retry-After": ("Seconds to wait before asking again.", "1"),
    "WWW-Authenticate": ("How to say who is asking.", "Bearer"),
    "Content-Disposition": ("A name for the file.", 'attachment; filename="L5-t1-r1-K7M2QX.svg"'),
}
#: Headers of requests whose absence has a status of its own, so that no signature shows them as required.
_REQUIRED: Mapping[str, tuple[str, str]] = {
    "If-Match": ("The ETag that the caller saw last.", '"1.1"'),
    "Idempotency-Key": (
        "8 to 255 visible ASCII characters of the caller's choice, another one for every new thing.",
        "order-AQ-2026-0417",
    ),
}
_OPERATOR = {
    "name": "X-Operator",
    "in": "header",
    "required": False,
    "schema": {"type": "string"},
    "description": "On a shared key the person's name; its first 60 characters go to the history.",
    "example": "Kit",
}
_IF_NONE_MATCH = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "schema": {"type": "string"},
    "description": "The ETag of a file that the caller has: 304 where it is still the same.",
    "example": '"9f86d081884c7d65"',
}


def details(*refuses: type[Refusal], etag: bool = False, files: Sequence[str] = ()) -> dict[str, Any]:
    """What a route's signature does not show (its `openapi_extra`): what it refuses besides what every
    request can be refused for, whether its answer has an ETag, and the media types of files it answers."""
    return {_KEY: {"refuses": [code_of(kind) for kind in refuses], "etag": etag, "files": list(files)}}


def document(routes: Sequence[BaseRoute], webhooks: Sequence[BaseRoute]) -> dict[str, Any]:
    """The whole description."""
    described = get_openapi(
        title=TITLE,
        version=VERSION,
        description=DESCRIPTION,
        routes=routes,
        webhooks=webhooks,
        license_info={"name": "Apache License 2.0", "identifier": "Apache-2.0"},
        servers=[{"url": "/", "description": "This service."}],
        tags=[{"name": name, "description": what} for name, what in TAGS.items()],
    )
    for route in _api_routes(routes):
        for method in route.methods or ():
            _complete(described["paths"][route.path_format][method.lower()], route, method)
    for name, webhook in described["webhooks"].items():
        for operation in webhook.values():
            _complete_webhook(operation, name)
    components = described["components"]
    for unused in ("HTTPValidationError", "ValidationError"):
        components["schemas"].pop(unused, None)
    # Each order of a batch is read by itself, which its type says by leaving it unread.
    components["schemas"]["BatchIn"]["properties"]["orders"]["items"] = {
        "$ref": "#/components/schemas/OrderIn"
    }
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}", mode="serialization")
    components["schemas"].update(problem.pop("$defs"))
    problem["properties"]["code"]["x-meanings"] = dict(MEANINGS)
    components["schemas"]["Problem"] = problem
    components["headers"] = {
        name: {"description": what, "schema": {"type": "string"}, "example": example}
        for name, (what, example) in _HEADERS.items()
    }
    return described


def _api_routes(routes: Iterable[BaseRoute]) -> Iterator[APIRoute]:
    return (route for route in routes if isinstance(route, APIRoute) and route.include_in_schema)


def _complete(operation: dict[str, Any], route: APIRoute, method: str) -> None:
    """Everything about one operation that its signature does not show."""
    operation["operationId"] = route.name
    own = operation.pop(_KEY, {"refuses": [], "etag": False, "files": []})
    roles = [role.value for role in roles_of(route)]
    parameters = {parameter["name"]: parameter for parameter in operation.get("parameters", [])}
    operation["security"] = [{"key": roles}] if roles else []
    refused = {*own["refuses"], *_refused_anyway(operation, parameters, roles, method)}
    if own["files"]:
        _answer_files(operation["responses"]["200"], own["files"])
        if own["etag"]:
            operation["parameters"] = [*operation.get("parameters", []), _IF_NONE_MATCH]
            operation["responses"]["304"] = {"description": "The caller has this file already."}
    if roles and method != "GET":
        operation["parameters"] = [*operation.get("parameters", []), _OPERATOR]
    for name, (what, example) in _REQUIRED.items():
        if name in parameters:
            schema = {"type": "string"}
            parameters[name].update(required=True, schema=schema, description=what, example=example)
    operation["responses"] = {
        **{
            status: _with_headers(response, _headers_of_success(status, own, parameters))
            for status, response in operation["responses"].items()
            if status != "422"
        },
        **_problems(refused),
    }


def _refused_anyway(
    operation: Mapping[str, Any],
    parameters: Mapping[str, Mapping[str, Any]],
    roles: Sequence[str],
    method: str,
) -> Iterator[str]:
    """Codes that follow from what every request goes through."""
    yield "internal_error"
    if roles:
        yield from map(code_of, (errors.KeyMissing, errors.KeyUnknown, errors.RoleNotAllowed))
        yield from ("database_busy", "service_busy", "too_many_requests", "invalid_request")
    if "requestBody" in operation:
        yield from ("malformed_json", "unreadable_body", "name_twice", "body_too_large", "body_too_slow")
    if roles and method != "GET":
        yield code_of(errors.FormTokenWrong)
    if any(parameter["in"] == "path" for parameter in parameters.values()):
        yield "not_found"
    if "If-Match" in parameters:
        yield from ("if_match_missing", "stale_version")
    if "Idempotency-Key" in parameters:
        yield from map(code_of, _CREATE)
    if "cursor" in parameters:
        yield "bad_cursor"


def _problems(codes: Iterable[str]) -> dict[str, Any]:
    """One response a status, with the codes that it can have."""
    by_status: dict[int, list[str]] = {}
    for code in sorted(codes):
        by_status.setdefault(STATUS_OF_CODE[code], []).append(code)
    return {
        str(status): _with_headers(
            {
                "description": f"{TITLES[status]}: {', '.join(f'`{code}`' for code in listed)}.",
                "content": {MEDIA_TYPE: {"schema": _PROBLEM}},
                "x-codes": listed,
            },
            _headers_of_problem(status, listed),
        )
        for status, listed in sorted(by_status.items())
    }


def _headers_of_problem(status: int, codes: Sequence[str]) -> list[str]:
    if status == 401:
        return ["WWW-Authenticate"]
    return ["Retry-After"] if status in {429, 503} or "request_in_flight" in codes else []


def _headers_of_success(
    status: str, own: Mapping[str, Any], parameters: Mapping[str, Mapping[str, Any]]
) -> list[str]:
    if not status.startswith("2") or status == "204":
        return []
    return [
        *(["ETag"] if own["etag"] else []),
        *(["Location", "Idempotency-Replayed"] if "Idempotency-Key" in parameters else []),
        *(["Link"] if "cursor" in parameters else []),
        *(["Content-Disposition"] if own["files"] else []),
    ]


def _with_headers(response: Mapping[str, Any], names: Sequence[str]) -> dict[str, Any]:
    references = {name: {"$ref": f"#/components/headers/{name}"} for name in names}
    return {**response, "headers": references} if references else dict(response)


def _answer_files(response: dict[str, Any], media_types: Sequence[str]) -> None:
    kept = response.get("content", {}) if "application/json" in media_types else {}
    response["content"] = {
        **kept,
        **{
            media_type: {
                "schema": {"type": "string"} | ({} if _is_text(media_type) else {"format": "binary"})
            }
            for media_type in media_types
            if media_type not in kept
        },
    }


def _is_text(media_type: str) -> bool:
    return media_type.startswith("text/") or media_type.endswith("+xml")


def _complete_webhook(operation: dict[str, Any], name: str) -> None:
    operation["operationId"] = name.replace(".", "_")
    operation["responses"] = {
        "2XX": {"description": "Taken. Anything else is tried again, for three days in all."},
        "410": {"description": "Send nothing here any more."},
    }
    operation["security"] = []
