"""Routes are made ready when they are first asked for."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi import APIRouter
from fastapi.routing import APIRoute

from service.doorway import Route
from service.rooms import API, PAGES


def test_every_route_of_both_doors_can_be_made_ready() -> None:
    routes = [route for room in (*API, *PAGES) for route in room.router.routes]

    assert len(routes) > 300
    for route in routes:
        assert isinstance(route, Route)
        assert route.dependant.path == route.path_format
        assert callable(route.app)


def a_route(path: str, endpoint: object) -> Route:
    router = APIRouter(route_class=Route)
    router.get(path)(endpoint)  # type: ignore[type-var]
    (route,) = router.routes
    assert isinstance(route, Route)
    return route


def one(number: int) -> int:
    return number


def test_a_route_is_found_before_it_is_ready_and_is_then_what_fastapi_makes() -> None:
    route = a_route("/one/{number}", one)
    theirs = APIRoute("/one/{number}", one)

    assert "dependant" not in vars(route)
    assert route.matches({"type": "http", "method": "GET", "path": "/one/2"})[0].value == 2
    assert "dependant" not in vars(route)
    assert route.response_model is int
    ready = set(vars(route)) - {"_declared"}
    assert ready == set(vars(theirs))
    assert (route.path_regex, route.methods, route.name) == (theirs.path_regex, theirs.methods, theirs.name)


def test_who_asks_for_a_route_at_once_waits_until_it_is_ready() -> None:
    together = threading.Barrier(8)
    route = a_route("/one/{number}", one)

    def ask(_: int) -> object:
        together.wait()
        return route.app

    with ThreadPoolExecutor(8) as threads:
        assert len({id(app) for app in threads.map(ask, range(8))}) == 1


def test_a_route_that_can_not_be_made_says_why_every_time() -> None:
    def wrong(number: threading.Lock) -> None: ...

    wrong.__annotations__["number"] = type("NoField", (), {})
    route = a_route("/wrong", wrong)

    for _ in range(2):
        with pytest.raises(Exception, match="NoField"):
            _ = route.dependant
