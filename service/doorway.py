"""What both doors, the API and the pages, find at hand when a request comes in; how their routes are made.

The application is made with one set of tools (`service.shop.tools.Tools`). A route that needs them names the
dependency:

    @router.get("/v1/loads/{identity}")
    def get_load(tools: AtHand, identity: str, who: House) -> LoadOut: ...

Nothing else reads `app.state`, which knows no types.

Their routers have `route_class=Route` (or a kind of it) and are put into the application as they are.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from importlib.metadata import version
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.routing import APIRoute
from starlette.routing import compile_path, get_name

from service.papers import texts
from service.papers.voice import Voice
from service.records.gauges import Metrics
from service.requests import keys, sessions
from service.requests.crowd import Crowd
from service.shop.tools import Tools

#: How the token of a link begins that leads to an order of the sandbox.
TEST_LINK = "test."

_one_at_a_time = threading.RLock()


class Route(APIRoute):
    """A route that is found by its path and methods, and made ready when something else of it is asked for.

    To look through the signatures and models of three hundred routes takes a good part of a start, and a shop
    uses some dozens of them on a day. A test makes all of them ready, so that none is found wrong later.
    """

    _declared: dict[str, Any] | None = None

    def __init__(self, path: str, endpoint: Callable[..., Any], **declared: Any) -> None:
        self.path, self.endpoint = path, endpoint
        self.path_regex, self.path_format, self.param_convertors = compile_path(path)
        self.methods = {method.upper() for method in declared["methods"] or ["GET"]}
        self.name = declared["name"] or get_name(endpoint)
        self._declared = declared

    def __getattr__(self, name: str) -> Any:
        """Whatever is not there yet: then the rest is made first, by whoever asks first."""
        if name.startswith("__"):
            raise AttributeError(name)
        with _one_at_a_time:
            if (declared := self._declared) is not None:
                self._declared = None  # what is missing while it is made is missing for good
                try:
                    super().__init__(self.path, self.endpoint, **declared)
                except BaseException:
                    self._declared = declared
                    raise
        return object.__getattribute__(self, name)


def equip(app: FastAPI, tools: Tools) -> None:
    """Put the tools where requests find them."""
    app.state.tools = tools
    app.state.crowd = Crowd()
    app.state.metrics = Metrics(tools.database, clock=tools.clock, version=version("ricasso"))


def tools_in(app: FastAPI) -> Tools:
    """The tools that the application was made with."""
    tools: Tools = app.state.tools
    return tools


def tools_for(request: Request) -> Tools:
    """The tools for a request: the sandbox's where a test key came with it, or a link that one has made."""
    tools = tools_in(request.app)
    return (tools.sandbox.tools_if_made() or tools) if _is_for_sandbox(request) else tools


def _is_for_sandbox(request: Request) -> bool:
    scheme, _, key = request.headers.get("authorization", "").partition(" ")
    is_key = scheme.lower() == "bearer" and keys.is_test_key(key.strip())
    return is_key or request.path_params.get("token", "").startswith(TEST_LINK)


def crowd_in(app: FastAPI) -> Crowd:
    """What the application answers at this moment."""
    crowd: Crowd = app.state.crowd
    return crowd


def key_id_of(request: Request) -> str:
    """The public part of the key that the caller, known by now, came with or signed in with."""
    scheme, _, key = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return key.strip().split("_")[2]
    return request.cookies[sessions.COOKIE].partition(".")[0]


def address_of(request: Request) -> str:
    """Where the request came from; behind a proxy on this machine what the proxy says."""
    return request.client.host if request.client is not None else ""


def link_to(request: Request, page: str, **parts: str) -> str:
    """The whole address of a page, for somebody elsewhere: below the shop's public address where one is set,
    because a Host header is whatever its sender wrote."""
    public = tools_in(request.app).settings.public_url
    path = request.app.url_path_for(page, **parts)
    return f"{public}{path}" if public else str(request.url_for(page, **parts))


def language_of(request: Request, otherwise: str = "") -> str:
    """The language of pages where one was chosen, else what the caller accepts, else `otherwise` (a store's;
    empty: English)."""
    return texts.language_of(
        request.cookies.get("ricasso_language"), request.headers.get("accept-language", ""), otherwise
    )


def voice_of(request: Request, otherwise: str = "") -> Voice:
    """The language of whoever prints or looks, chosen as `language_of` does."""
    return voice_in(language_of(request, otherwise))


def voice_in(language: str) -> Voice:
    """A language by its code. Raises KeyError for one that is not offered."""
    return Voice(language, texts.texts_of(language).gettext)


# Coroutines, so that the framework does not send a thread for what is only handed on.


async def _tools(request: Request) -> Tools:
    """With the shop's description as it is now, whatever is put in force while the request is answered."""
    if _is_for_sandbox(request):  # which may have to be opened first
        return (await run_in_threadpool(tools_for, request)).pinned()
    return tools_in(request.app).pinned()


async def _crowd(request: Request) -> Crowd:
    return crowd_in(request.app)


async def _metrics(request: Request) -> Metrics:
    metrics: Metrics = request.app.state.metrics
    return metrics


AtHand = Annotated[Tools, Depends(_tools)]
AnswersNow = Annotated[Crowd, Depends(_crowd)]
Gauges = Annotated[Metrics, Depends(_metrics)]
