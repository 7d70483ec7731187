"""Who is calling: a Bearer key with a role, or a browser that was signed in with one. Routes name the roles
they are for; the rest is refused. So is a query name that the address does not take: a misspelt one must not
be lost in silence."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Annotated

from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.routing import APIRoute
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from service.api import wire
from service.doorway import AtHand, address_of, key_id_of, tools_for, tools_in
from service.records.errors import FormTokenWrong, KeyMissing, KeyUnknown, OriginNotListed, RoleNotAllowed
from service.records.who import Role, Who
from service.requests import asked, key_rows, keys, sessions
from service.shop.tools import Tools

_bearer = HTTPBearer(
    scheme_name="key", auto_error=False, description="A key made with `ricasso keys new ROLE`."
)

#: Where a request keeps the key that it came with and whose it is.
_FOUND = "ricasso.found"

#: The roles that each dependency made by `caller` lets in.
_ROLES: dict[Callable[..., Awaitable[Who]], tuple[Role, ...]] = {}

EVERYBODY = (Role.STORE, Role.DESK, Role.BENCH, Role.OWNER)
HOUSE = (Role.DESK, Role.BENCH, Role.OWNER)


def caller(*roles: Role) -> Callable[..., Awaitable[Who]]:
    """A dependency that gives the caller, if its key has one of the roles."""

    async def find(
        request: Request,
        tools: AtHand,
        given: Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)],
    ) -> Who:
        # Whose body was read is known already, and no thread need be sent to ask once more.
        known = _known_by(request, given)
        who = known if known is not None else await run_in_threadpool(_asks, request, tools, given)
        tools.rates.asked_by_key(key_id_of(request))
        asked.is_by(who)
        if who.role not in roles:
            raise RoleNotAllowed(f"this needs a key of {' or '.join(role.value for role in roles)}")
        wire.refuse_unknown_names(request)
        # On a shared bench key the person's name, when the client says it, goes to the history.
        named = request.headers.get("X-Operator", "").strip()[:60] if given else ""
        return replace(who, name=named) if named.isprintable() and named else who

    _ROLES[find] = roles
    return find


def roles_of(route: APIRoute) -> tuple[Role, ...]:
    """The roles that a route is for; none for one that is open to all."""
    calls = (dependant.call for dependant in wire.dependants(route))
    return next((_ROLES[call] for call in calls if call in _ROLES), ())


def _known_by(request: Request, given: HTTPAuthorizationCredentials | None) -> Who | None:
    """Whom `is_known` found for the key that this request came with."""
    found: tuple[str, Who] | None = request.scope.get(_FOUND)
    if found is None or given is None or given.credentials != found[0]:
        return None
    return found[1]


def _asks(request: Request, tools: Tools, given: HTTPAuthorizationCredentials | None) -> Who:
    """Who asks, by key or by cookie. Raises KeyUnknown, KeyMissing, FormTokenWrong."""
    return _who_has(request, tools, given.credentials) if given else browser(request, tools).who


def _who_has(request: Request, tools: Tools, key: str) -> Who:
    """Raises KeyUnknown, and remembers where it came from."""
    try:
        with tools.database.reading() as session:
            return keys.who_has(session, key, now=tools.clock())
    except KeyUnknown:
        tools_in(request.app).rates.wrong_key_from(address_of(request))  # also for a test key
        raise


def is_known(request: Request) -> bool:
    """Whether the request comes with a key or a session that is in use; what it may do is not looked at.
    Whose key it is stays with the request."""
    tools = tools_for(request)
    scheme, _, key = request.headers.get("authorization", "").partition(" ")
    cookie = request.cookies.get(sessions.COOKIE)
    try:
        with tools.database.reading() as session:
            if scheme.lower() == "bearer":
                key = key.strip()
                request.scope[_FOUND] = key, keys.who_has(session, key, now=tools.clock())
            elif cookie is not None:
                secret = sessions.secret_of(tools.settings.data)
                sessions.signed_in(session, cookie, secret=secret, now=tools.clock())
            else:
                return False
    except KeyUnknown:
        return False
    return True


def browser(request: Request, tools: Tools) -> sessions.SignedIn:
    """The signed-in browser that asks. What changes something must carry its session's token as well, which
    no other site knows: a cookie alone only reads. Raises KeyMissing, KeyUnknown, FormTokenWrong."""
    cookie = request.cookies.get(sessions.COOKIE)
    if cookie is None:
        raise KeyMissing("send Authorization: Bearer KEY")
    with tools.database.reading() as session:
        signed_in = sessions.signed_in(
            session, cookie, secret=sessions.secret_of(tools.settings.data), now=tools.clock()
        )
    if request.method not in {"GET", "HEAD"} and not sessions.is_token(
        request.headers.get(sessions.TOKEN_HEADER, ""), signed_in.token
    ):
        raise FormTokenWrong(f"a signed-in browser must send {sessions.TOKEN_HEADER}")
    return signed_in


def _previewer(
    request: Request,
    tools: AtHand,
    who: Annotated[Who, Depends(caller(Role.STOREFRONT, Role.STORE, Role.DESK, Role.OWNER))],
) -> Who:
    """Who tries words. A publishable key is for the pages that it lists; a program that names no page may ask
    as well: whoever lies about where they come from is stopped by the key's budget, not by this."""
    origin = request.headers.get("origin")
    if origin is not None and who.role is Role.STOREFRONT:
        with tools.database.reading() as session:
            key = key_rows.by_key_id(session, key_id_of(request))
        if key is None or origin not in key.origins:
            raise OriginNotListed("this page's origin is not one that the key lists")
    return who


Previewer = Annotated[Who, Depends(_previewer)]
Anyone = Annotated[Who, Depends(caller(*EVERYBODY))]
House = Annotated[Who, Depends(caller(*HOUSE))]
Desk = Annotated[Who, Depends(caller(Role.DESK, Role.OWNER))]
Bench = Annotated[Who, Depends(caller(Role.BENCH, Role.OWNER))]
Intake = Annotated[Who, Depends(caller(Role.STORE, Role.DESK, Role.OWNER))]
Store = Annotated[Who, Depends(caller(Role.STORE))]
Owner = Annotated[Who, Depends(caller(Role.OWNER))]
