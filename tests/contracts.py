"""The described HTTP surface, held against what the service under test really answers."""

from __future__ import annotations

import functools
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from typing import Any

from fastapi import Request, Response

from service.app import description

#: Headers that a client may go by.
_HEADERS = ("etag", "location", "link", "retry-after", "www-authenticate", "idempotency-replayed")
_PROBLEM = "#/components/schemas/Problem"


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Method, path and description of every operation."""
    for path, methods in description()["paths"].items():
        for method, operation in methods.items():
            yield method.upper(), path, operation


@functools.cache
def _by_route() -> dict[tuple[str, str], dict[str, Any]]:
    return {(method, path): operation for method, path, operation in operations()}


async def as_described(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
    """Fails whatever test meets an answer that its operation does not describe: its status, the code of a
    problem, a header that clients go by."""
    response = await go_on(request)
    path = getattr(request.scope.get("route"), "path", "")
    operation = _by_route().get((request.method, path))
    if operation is not None:
        where = f"{request.method} {path} {response.status_code}"
        described = operation["responses"].get(str(response.status_code))
        assert described is not None, f"{where} is not described"
        headers = {name.lower() for name in described.get("headers", {})}
        told = {name for name in _HEADERS if name in response.headers}
        assert told <= headers | ({"etag"} if response.status_code == 304 else set()), f"{where}: {told}"
        if response.headers.get("content-type") == "application/problem+json":
            code = json.loads(await _body(response))["code"]
            assert code in described["x-codes"], f"{where}: {code} is not described"
    return response


async def _body(response: Any) -> bytes:
    """The whole body, which is then still to be sent."""
    chunks = [chunk async for chunk in response.body_iterator]

    async def again() -> AsyncIterator[bytes]:
        for chunk in chunks:
            yield chunk

    response.body_iterator = again()
    return b"".join(chunks)


# --- how complete it is ---


def untyped() -> list[str]:
    """Answers that are not described by a schema of their own: `GET /v1/orders 200`."""
    schemas = description()["components"]["schemas"]
    return [
        f"{method} {path} {status}"
        for method, path, operation in operations()
        for status, response in operation["responses"].items()
        if not _is_typed(status, response, schemas)
    ]


def _is_typed(status: str, response: dict[str, Any], schemas: dict[str, Any]) -> bool:
    if status in {"204", "304"}:
        return "content" not in response
    contents = response.get("content", {})
    if "x-codes" in response:
        return [one["schema"].get("$ref") for one in contents.values()] == [_PROBLEM]
    kinds = [_is_typed_content(media_type, one["schema"], schemas) for media_type, one in contents.items()]
    return bool(kinds) and all(kinds)


def _is_typed_content(media_type: str, schema: dict[str, Any], schemas: dict[str, Any]) -> bool:
    if media_type != "application/json":
        return schema.get("type") == "string"
    name = schema.get("$ref", "").rpartition("/")[2]
    return bool(schemas.get(name, {}).get("properties"))


def properties() -> Iterator[tuple[str, dict[str, Any]]]:
    """Every property of every schema: `OrderIn.order_ref` and its schema."""
    for name, schema in description()["components"]["schemas"].items():
        for field, described in schema.get("properties", {}).items():
            yield f"{name}.{field}", described


def undescribed() -> list[str]:
    """Properties of which nothing is said."""
    return [name for name, described in properties() if "description" not in described]


def without_example() -> list[str]:
    """Properties without an example; those that are schemas of their own have theirs inside."""
    return [name for name, described in properties() if not _has_example(described)]


def _has_example(described: dict[str, Any]) -> bool:
    parts = [described, *described.get("anyOf", []), described.get("items", {})]
    return any({"examples", "const", "$ref", "oneOf"} & set(part) for part in parts) or any(
        "$ref" in str(part) for part in parts
    )
