"""The HTTP application: settings in, routes out, threads beside."""

from __future__ import annotations

import gc
import logging
import re
import secrets
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from functools import cache
from types import ModuleType
from typing import Any

import structlog
from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import URLPath
from starlette.routing import BaseRoute, Match
from starlette.types import Receive, Scope, Send

from service import doorway
from service.api import batches, checks, contract, health, orders, papers, problems
from service.api.security import EVERYBODY, caller
from service.arrivals.admission import Admission
from service.arrivals.origins import Origins
from service.pages import faults, signing
from service.records.counters import LOG_LINES_LOST, REQUEST_SECONDS
from service.requests import asked
from service.running.relay import Publish
from service.running.runner import FIRST_ANSWERS_SECONDS, Runner
from service.shop.settings import Settings
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: Rooms that are open at once, in the order of `service.rooms`: what stores ask first, where people sign in.
FIRST = (health, papers, checks, batches, orders, signing)
_SECURITY_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
    # Nothing that the API answers, pictures included, may run or fetch anything.
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
    ),
}
#: When what a process has made by then is left alone: after its first requests, and once a day's work began.
SETTLES_AFTER_SECONDS = (30.0, 120.0, 600.0)
#: Methods that are counted by name: a caller may make up any number of others.
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_one_at_a_time = threading.Lock()
_REQUEST_ID = re.compile(r"^[A-Za-z0-9_-]{1,64}$", re.ASCII)


def create_app(tools: Tools) -> FastAPI:
    """The application around a process's tools. Its threads run from start-up to shut-down."""
    app = FastAPI(
        title=contract.TITLE,
        version=contract.VERSION,
        lifespan=_beside_requests,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        # No logs: a validation message could quote a customer's words. Requests are counted in `_watch`.
        telemetry={"logs": False, "metrics": False, "operation_spans": False},
    )
    doorway.equip(app, tools)
    problems.install(app)
    faults.install(app)
    if tools.settings.docs:
        whoever_has_a_key = [Depends(caller(*EVERYBODY))]
        app.get("/openapi.json", include_in_schema=False, dependencies=whoever_has_a_key)(description)
    rest = _Rest(app.router)
    # As they are: `include_router` makes each route once more, and finds it twice at every request.
    app.router.routes += [*(route for room in FIRST for route in room.router.routes), rest]
    app.add_middleware(Admission)
    app.add_middleware(Origins)
    app.middleware("http")(_watch)  # outermost: what is not let in is watched too
    return app


@asynccontextmanager
async def _beside_requests(app: FastAPI) -> AsyncIterator[None]:
    tools = doorway.tools_in(app)
    runner = Runner(tools, publish=_publisher(tools.settings))
    # Behind the first answers: workers take a second to start, and a new machine seconds to compile for. Who
    # checks before that begins them.
    timers = [threading.Timer(FIRST_ANSWERS_SECONDS, _get_ready, args=(app,))]
    timers += [threading.Timer(seconds, _settle) for seconds in SETTLES_AFTER_SECONDS]
    for timer in timers:
        timer.name, timer.daemon = "ricasso-warm", True
        timer.start()
    runner.start()
    try:
        yield
    finally:
        for timer in timers:
            timer.cancel()
        runner.stop()
        tools.geometry.close()
        tools.sandbox.close()
        tools.database.engine.dispose()


class _Rest(BaseRoute):
    """Stands for all rooms but the first, until they are open: to load them takes longer than all else of a
    start. They are opened behind the first answers, or by whoever asks for one of them before that."""

    def __init__(self, router: APIRouter) -> None:
        self._router, self._own, self._is_open = router, list(router.routes), False

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        return Match.FULL, {}

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        await run_in_threadpool(self.open)
        await self._router(scope, receive, send)

    def url_path_for(self, name: str, /, **path_params: Any) -> URLPath:
        self.open()
        return self._router.url_path_for(name, **path_params)

    def open(self) -> None:
        """Put the routes of all rooms in the place of those that were there; what was added behind stays.
        Whoever asks meanwhile waits."""
        with _one_at_a_time:
            if not self._is_open:
                routes = [route for room in _loaded() for route in room.router.routes]
                added = self._router.routes[self._router.routes.index(self) + 1 :]
                self._router.routes = [*self._own, *routes, *added]
                self._is_open = True


def _loaded() -> tuple[ModuleType, ...]:
    # What is imported stays: to look it through for garbage again and again takes a quarter of it.
    collects = gc.isenabled() and "service.rooms" not in sys.modules
    if collects:
        gc.disable()
    try:
        from service.rooms import API, PAGES
    finally:
        if collects:
            gc.freeze()
            gc.enable()
    return (*API, *PAGES)


def _settle() -> None:
    """What the first requests made (routes, statements, plans) stays, too: looked through for garbage with
    whatever requests leave, it stopped all requests for a twentieth of a second, every few seconds."""
    gc.collect()
    gc.freeze()


def _get_ready(app: FastAPI) -> None:
    # Workers first: who checks right after a start waits for them, and beside rooms half as long again.
    _warm(doorway.tools_in(app))
    _open(app)


def _open(app: FastAPI) -> None:
    try:
        for route in app.router.routes:
            if isinstance(route, _Rest):
                route.open()
    except Exception as error:  # whoever asks next for one of the rooms tries again, and is told
        log.exception("rooms_not_opened", kind=type(error).__name__)


def _warm(tools: Tools) -> None:
    try:
        tools.geometry.warm(plans=not tools.settings.broker_url)  # with a broker workers make them
    except Exception as error:  # the first check tries again, and its caller is told
        log.error("workers_not_started", kind=type(error).__name__)


def _publisher(settings: Settings) -> Publish | None:
    """With a broker, tasks are handed to it; without, they run in this process."""
    if not settings.broker_url:
        return None
    from service.running.worker import publisher

    return publisher(settings)


@cache
def description() -> dict[str, Any]:
    """The HTTP surface as it is served at `/openapi.json`; no running service is needed for it."""
    from service.api import event_bodies
    from service.rooms import API

    routes = [route for module in API for route in module.router.routes]
    return contract.document(routes, event_bodies.webhooks().routes)


async def _watch(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
    """Name every request, add the security headers, write one line of log (routes, never words)."""
    given = request.headers.get("X-Request-ID", "")
    request_id = given if _REQUEST_ID.match(given) else secrets.token_hex(8)
    asked.begin(request_id)
    begun = time.perf_counter()
    response: Response
    try:
        response = await go_on(request)
    except Exception as error:  # answered here, or the server would write its message to the log
        response = problems.broken(request, error)
        if faults.is_for_people(request):
            response = faults.fault_page(request, response.status_code)
    route = getattr(request.scope.get("route"), "path", "unknown")
    seconds = time.perf_counter() - begun
    method = request.method if request.method in _METHODS else "other"
    log.info(
        "request",
        method=method,
        route=route,
        status=response.status_code,
        seconds=round(seconds, 4),
    )
    REQUEST_SECONDS.labels(method, route, response.status_code).observe(seconds)
    response.headers["X-Request-ID"] = request_id
    for name, value in _SECURITY_HEADERS.items():
        response.headers.setdefault(name, value)
    return response


class _Lines(structlog.PrintLogger):
    """Writes lines to a stream. One that can't be written (the disk is full, nobody reads any more) is
    counted: what it tells of has happened, and its answer must not become a fault."""

    def msg(self, message: str) -> None:
        try:
            super().msg(message)
        except OSError:
            LOG_LINES_LOST.inc()

    debug = info = warning = error = critical = msg


def set_up_logging(level: str) -> None:
    """JSON lines on standard error."""
    structlog.configure(
        processors=[
            asked.add_to_line,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            asked.name_error,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        # Looked up at each line: standard error may be another file by then (a test's, a daemon's).
        logger_factory=lambda *_: _Lines(sys.stderr),
    )
