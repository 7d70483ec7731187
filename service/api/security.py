"""Who is calling: a Bearer key with a role. Routes name the roles they are for; the rest is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated

from fastapi import Depends, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from service import keys
from service.errors import KeyMissing, RoleNotAllowed
from service.who import Role, Who

_bearer = HTTPBearer(auto_error=False, description="A key made with `ricasso keys new ROLE`")

EVERYBODY = (Role.STORE, Role.DESK, Role.BENCH, Role.OWNER)
HOUSE = (Role.DESK, Role.BENCH, Role.OWNER)


def caller(*roles: Role) -> Callable[..., Who]:
    """A dependency that gives the caller, if its key has one of the roles."""

    def find(
        request: Request, given: Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)]
    ) -> Who:
        if given is None:
            raise KeyMissing("send Authorization: Bearer KEY")
        with request.app.state.database.reading() as session:
            who = keys.who_has(session, given.credentials, now=request.app.state.clock())
        if who.role not in roles:
            raise RoleNotAllowed(f"this needs a key of {' or '.join(role.value for role in roles)}")
        # On a shared bench key the person's name, when the client says it, goes to the history.
        named = request.headers.get("X-Operator", "").strip()[:60]
        return replace(who, name=named) if named.isprintable() and named else who

    return find


Anyone = Annotated[Who, Depends(caller(*EVERYBODY))]
House = Annotated[Who, Depends(caller(*HOUSE))]
Desk = Annotated[Who, Depends(caller(Role.DESK, Role.OWNER))]
Bench = Annotated[Who, Depends(caller(Role.BENCH, Role.OWNER))]
Intake = Annotated[Who, Depends(caller(Role.STORE, Role.DESK, Role.OWNER))]
Owner = Annotated[Who, Depends(caller(Role.OWNER))]
