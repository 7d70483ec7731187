"""Who may see a page (signed in, with the right role), and which forms are trusted."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

from fastapi import Depends, HTTPException, Request
from starlette.datastructures import FormData

from service.doorway import AtHand
from service.papers import texts
from service.plan import board_rows
from service.records.errors import FormTokenWrong, KeyUnknown, RoleNotAllowed
from service.records.who import Role, Who
from service.requests import asked, sessions
from service.shop.tools import Tools

TOKEN_FIELD = "token"  # noqa: S105  the name of a form's field


@dataclass(frozen=True, slots=True)
class Visitor:
    """A signed-in person at a page."""

    who: Who
    token: str
    language: str

    def may(self, *roles: str) -> bool:
        """Whether the person's role is one of these; the owner may see everything."""
        return self.who.role is Role.OWNER or self.who.role.value in roles


def visitor(*roles: Role) -> Callable[[Request, AtHand], Visitor]:
    """A dependency: the visitor, if they have one of the roles; a browser that isn't signed in is sent to
    sign in."""

    def find(request: Request, tools: AtHand) -> Visitor:
        signed_in = _signed_in(request, tools)
        if signed_in is None:
            back = quote(request.url.path, safe="/") if request.method == "GET" else "/"
            raise HTTPException(303, headers={"Location": f"/sign-in?then={back}"})
        asked.is_by(signed_in.who)
        if signed_in.who.role not in roles:
            raise RoleNotAllowed(f"this page is for {' and '.join(role.value for role in roles)}")
        return signed_in

    return find


async def own_form(request: Request) -> AsyncIterator[FormData]:
    """The form as sent, if no other site sent it: browsers say where a request comes from.
    Raises FormTokenWrong."""
    if request.headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        raise FormTokenWrong("this form came from another site")
    async with request.form(max_files=1, max_fields=2_000) as form:
        yield form


OwnForm = Annotated[FormData, Depends(own_form)]


def form_of(request: Request, tools: AtHand, form: OwnForm) -> FormData:
    """The form as sent, if it came from a page of this very session. Raises FormTokenWrong."""
    cookie = request.cookies.get(sessions.COOKIE)
    token = form.get(TOKEN_FIELD)
    secret = sessions.secret_of(tools.settings.data)
    if (
        cookie is None
        or not isinstance(token, str)
        or not sessions.is_token(token, sessions.token_of(secret, cookie))
    ):
        raise FormTokenWrong("this form is from another sign-in")
    return form


def _signed_in(request: Request, tools: Tools) -> Visitor | None:
    cookie = request.cookies.get(sessions.COOKIE)
    if cookie is None:
        return None
    try:
        with tools.database.reading() as session:
            signed_in = sessions.signed_in(
                session, cookie, secret=sessions.secret_of(tools.settings.data), now=tools.clock()
            )
            if request.method == "GET":
                request.state.newest_move = board_rows.newest_move(session)
    except KeyUnknown:
        return None
    language = texts.language_of(
        request.cookies.get("ricasso_language"), request.headers.get("accept-language", "")
    )
    return Visitor(signed_in.who, signed_in.token, language)


BenchVisitor = Annotated[Visitor, Depends(visitor(Role.BENCH, Role.OWNER))]
DeskVisitor = Annotated[Visitor, Depends(visitor(Role.DESK, Role.OWNER))]
HouseVisitor = Annotated[Visitor, Depends(visitor(Role.BENCH, Role.DESK, Role.OWNER))]
OwnerVisitor = Annotated[Visitor, Depends(visitor(Role.OWNER))]
Form = Annotated[FormData, Depends(form_of)]
