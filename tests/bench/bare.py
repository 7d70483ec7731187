"""`python -m tests.bench.bare - ARGUMENTS...`: `ricasso` with two doors more beside its own, and with checks
remembered: words that were checked before cost no processor time, as if the check were free.

`POST /bare` writes one row in one transaction and nothing else: nobody is asked for a key, there is no body.
`POST /v1/bare` does the same as any door of the service does it: for who has a key, with a body that is held
against its model."""

from __future__ import annotations

import sys
from typing import Any

from fastapi import FastAPI, Response

import service.app
from service.api.security import Intake
from service.doorway import AtHand, Route
from service.records.tables import Event
from service.requests.inscriptions import Ref, Strict
from service.shop.geometry_workers import Geometry
from service.shop.tools import Tools

_create_app, _check = service.app.create_app, Geometry.check
_known: dict[Any, Any] = {}


class NoteIn(Strict):
    note: Ref


def _with_bare(tools: Tools) -> FastAPI:
    app = _create_app(tools)

    def bare() -> Response:
        return _inserted(tools, "store-1", {})

    def noted(tools: AtHand, body: NoteIn, who: Intake) -> Response:
        return _inserted(tools, who.client, {"note": body.note})

    app.add_api_route("/bare", bare, methods=["POST"])
    app.router.routes.append(Route("/v1/bare", noted, methods=["POST"], name="noted"))
    return app


def _inserted(tools: Tools, client: str, data: dict[str, str]) -> Response:
    event = Event(type="bare", client=client, data=data, at=tools.clock())
    tools.database.write(lambda session: session.add(event))
    return Response(status_code=201)


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
