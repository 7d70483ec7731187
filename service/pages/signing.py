"""Signing in and out, and the way to everybody's own page."""

from __future__ import annotations

from contextlib import suppress
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse

from service.doorway import AtHand
from service.pages.gate import Form, HouseVisitor, OwnForm
from service.pages.render import PageRoute, page
from service.papers import texts
from service.records.errors import KeyUnknown, RoleNotAllowed
from service.records.who import OUTSIDE, Role
from service.requests import sessions

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_HOME = {Role.BENCH: "/bench", Role.DESK: "/desk", Role.OWNER: "/owner"}
_YEAR = 365 * 24 * 3600


@router.get("/")
def get_home(visitor: HouseVisitor) -> Response:
    """Everybody's own first page."""
    return RedirectResponse(_HOME[visitor.who.role], 303)


@router.get("/sign-in")
def get_sign_in(request: Request, then: Annotated[str, Query(max_length=200)] = "/") -> Response:
    return page(request, "sign_in.html", then=_inside(then))


@router.post("/sign-in")
def post_sign_in(request: Request, tools: AtHand, form: OwnForm) -> Response:
    """Turn a key into a session. Only our own page may ask for it, or another site could sign a browser
    in."""
    typed = {name: str(form.get(name, "")) for name in ("key", "name", "then")}
    try:
        with tools.database.reading() as session:
            cookie = sessions.sign_in(
                session,
                typed["key"],
                name=" ".join(typed["name"].split()),
                secret=sessions.secret_of(tools.settings.data),
                now=tools.clock(),
            )
            who = sessions.signed_in(
                session, cookie, secret=sessions.secret_of(tools.settings.data), now=tools.clock()
            ).who
        if who.role in OUTSIDE:
            raise RoleNotAllowed(
                "a store's key is for its own programs; pages are for the people of the shop"
            )
    except (KeyUnknown, RoleNotAllowed) as refusal:
        return page(request, "sign_in.html", status=401, refused=refusal, then=_inside(typed["then"]))
    answer = RedirectResponse(_inside(typed["then"]), 303)
    answer.set_cookie(
        sessions.COOKIE,
        cookie,
        max_age=int(sessions.LASTS.total_seconds()),
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return answer


@router.post("/sign-out")
def post_sign_out(request: Request, tools: AtHand, form: Form) -> Response:
    """End the session on the server too: a copy of its cookie opens nothing any more."""
    with suppress(KeyUnknown):  # it is over already: gone either way
        tools.database.write(
            lambda session: sessions.sign_out(
                session,
                request.cookies[sessions.COOKIE],
                secret=sessions.secret_of(tools.settings.data),
                now=tools.clock(),
            )
        )
    answer = RedirectResponse("/sign-in", 303)
    answer.delete_cookie(sessions.COOKIE, httponly=True, samesite="strict")
    return answer


@router.get("/language/{code}")
def get_language(request: Request, code: str, then: Annotated[str, Query(max_length=200)] = "/") -> Response:
    """Show pages in another language from now on."""
    answer = RedirectResponse(_inside(then), 303)
    if code in texts.LANGUAGES:
        answer.set_cookie(
            "ricasso_language",
            code,
            max_age=_YEAR,
            httponly=True,
            samesite="lax",
            secure=request.url.scheme == "https",
        )
    return answer


def _inside(then: str) -> str:
    """An address of this service only: nobody is led elsewhere by a link to our sign-in.

    >>> _inside("//elsewhere.example/"), _inside("/bench")
    ('/', '/bench')
    """
    plain = then.startswith("/") and not then.startswith(("//", "/\\")) and then.isprintable()
    return then if plain and "\\" not in then else "/"
