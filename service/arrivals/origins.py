"""Which answers a shop's own page may read: those of previews, on pages that a storefront's key lists (CORS,
https://fetch.spec.whatwg.org/#http-cors-protocol).

A browser first asks whether it may (a preflight, which bears no key), so what is said there, and of refusals,
holds for the pages of any key in use; whether the key itself lists the page is looked at with the request
(`service.api.security`). All this is a convenience for browsers, no lock: a program says of itself what it
likes.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service import doorway
from service.records.db import UNREACHABLE
from service.requests import key_rows
from service.shop.tools import Tools

_PREVIEWS = "/v1/previews"
_MAY_READ: Mapping[str, str] = MappingProxyType(
    {
        "Access-Control-Expose-Headers": "Retry-After, X-Request-ID",
        "Cross-Origin-Resource-Policy": "cross-origin",
    }
)
_MAY_ASK: Mapping[str, str] = MappingProxyType(
    {
        "Access-Control-Allow-Methods": "GET, POST",
        "Access-Control-Allow-Headers": "Authorization, Content-Type, Accept-Language",
        "Access-Control-Max-Age": "600",
    }
)


class Origins:
    """ASGI middleware around everything that answers or refuses."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or not _is_of_previews(scope["path"]):
            await self._app(scope, receive, send)
            return
        request = Request(scope)

        async def send_named(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.add_vary_header("Origin")
                headers.update(await run_in_threadpool(_allowed, request))
            await send(message)

        await self._app(scope, receive, send_named)


def _is_of_previews(path: str) -> bool:
    return path == _PREVIEWS or path.startswith(f"{_PREVIEWS}/")


def _allowed(request: Request) -> Mapping[str, str]:
    """What a browser is to be told; nothing for a page that no key lists."""
    origin = request.headers.get("origin")
    tools: Tools = doorway.tools_in(request.app)
    if origin is None or origin not in _listed(tools):
        return {}
    asks = request.method == "OPTIONS"
    return {"Access-Control-Allow-Origin": origin, **_MAY_READ, **(_MAY_ASK if asks else {})}


def _listed(tools: Tools) -> set[str]:
    try:
        with tools.database.reading() as session:
            return key_rows.origins(session, now=tools.clock())
    except UNREACHABLE:  # the answer says so itself, to whoever can read it
        return set()
