"""`python -m tests.bench.bare - ARGUMENTS...`: `ricasso` with `POST /bare` beside its own doors, which writes
one row in one transaction and nothing else, and with checks remembered: words that were checked before cost
no processor time, as if the check were free."""

from __future__ import annotations

import sys
from typing import Any

from fastapi import FastAPI, Response

import service.app
from service.records.tables import Event
from service.shop.geometry_workers import Geometry
from service.shop.tools import Tools

_create_app, _check = service.app.create_app, Geometry.check
_known: dict[Any, Any] = {}


def _with_bare(tools: Tools) -> FastAPI:
    app = _create_app(tools)

    def bare() -> Response:
        event = Event(type="bare", client="store-1", data={}, at=tools.clock())
        tools.database.write(lambda session: session.add(event))
        return Response(status_code=201)

    app.add_api_route("/bare", bare, methods=["POST"])
    return app


def _remembered(self: Geometry, sku: str, inscriptions: Any, **how: Any) -> Any:
    key = (sku, inscriptions)
    if key not in _known:
        _known[key] = _check(self, sku, inscriptions, **how)
    return _known[key]


def main() -> None:
    service.app.create_app = _with_bare
    Geometry.check = _remembered  # type: ignore[method-assign,assignment]
    from service.cli import main as command

    sys.argv = ["ricasso", *sys.argv[2:]]
    command()


if __name__ == "__main__":
    main()
