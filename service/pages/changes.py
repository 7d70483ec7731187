"""The owner's changes of the shop's description: what was ever in force, and the draft before it is put in
force, with what it would do to units that wait."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from service.changes import looking, put
from service.changes.what_changes import picture
from service.doorway import AtHand
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, NotFound, Refusal
from service.records.who import By
from service.shop import drafts, version_rows
from service.shop.catalogue.difference import Difference, difference
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

VERSIONS, DRAFT = "/owner/versions", "/owner/draft"
_SHOWN = 50
#: Keys that a page shows; more is read in the files' lines.
_MOST_CHANGES = 200
#: How often the page of a draft that is being looked over is shown anew, in seconds.
_AGAIN = 3

Number = Annotated[int, Path(ge=1, le=2**31)]


@router.get(VERSIONS)
def get_versions(
    request: Request,
    tools: AtHand,
    visitor: OwnerVisitor,
    before: Annotated[int | None, Query(ge=1, le=2**31)] = None,
) -> Response:
    """What was ever in force, newest first."""
    with tools.database.reading() as session:
        listed = version_rows.listed(session, before=before, limit=_SHOWN + 1)
        newest = version_rows.newest_number(session)
        has_draft = version_rows.draft(session) is not None
    older = listed[_SHOWN - 1].number if len(listed) > _SHOWN else None
    return page(
        request,
        "versions.html",
        visitor,
        listed=listed[:_SHOWN],
        newest=newest,
        older=older,
        has_draft=has_draft,
    )


@router.get(f"{VERSIONS}/{{number}}")
def get_version(request: Request, tools: AtHand, number: Number, visitor: OwnerVisitor) -> Response:
    """One description: what it changed of the one before, and the way back to it."""
    return _version(request, tools, number, visitor)


@router.post(f"{VERSIONS}/{{number}}/back")
def post_back(request: Request, tools: AtHand, number: Number, visitor: OwnerVisitor, form: Form) -> Response:
    """A draft that brings an earlier description back: it is looked at as any other."""

    def work(session: Session) -> None:
        drafts.opened_back(session, number, by=tools.by(visitor.who))
        looking.ask(session)

    try:
        tools.database.write(work)
    except Refusal as refusal:
        return _version(request, tools, number, visitor, refused=refusal)
    return RedirectResponse(DRAFT, 303)


@router.get(DRAFT)
def get_draft(
    request: Request, tools: AtHand, visitor: OwnerVisitor, now: Annotated[str, Query(max_length=3)] = ""
) -> Response:
    """The draft before it is put in force; with `now` without waiting for all that it would do."""
    return _draft(request, tools, visitor, waits=not now)


@router.post(f"{DRAFT}/look")
def post_look(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Begin to look what the draft would do to units that wait."""
    return _done(request, tools, visitor, lambda session, _: looking.ask(session))


@router.post(f"{DRAFT}/drop")
def post_drop(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Throw the draft away."""
    version = _version_of(form)
    answer = _done(
        request, tools, visitor, lambda session, by: drafts.drop(session, if_version=version, by=by)
    )
    return RedirectResponse(VERSIONS, 303) if answer.status_code == 303 else answer


@router.post(f"{DRAFT}/up-to-date")
def post_up_to_date(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Take the draft's edits over to what is in force by now."""
    version = _version_of(form)

    def work(session: Session, by: By) -> None:
        drafts.brought_up_to_date(session, if_version=version, by=by)
        looking.ask(session)

    return _done(request, tools, visitor, work)


@router.post(f"{DRAFT}/put")
def post_put(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Put the draft in force as the page showed it; a second tap changes nothing."""
    why = " ".join(str(form.get("why", "")).split())[:200]
    if not why.isprintable():
        wrong = BadRequest("this can't be kept: it holds what can't be printed", field="why")
        return _draft(request, tools, visitor, refused=wrong)
    try:
        row = put.put_draft(tools, if_version=_version_of(form), why=why, who=visitor.who)
    except Refusal as refusal:
        return _draft(request, tools, visitor, refused=refusal)
    return RedirectResponse(f"{VERSIONS}/{row.number}", 303)


@router.get(f"{DRAFT}/lines/{{order}}/{{line_ref}}.svg")
def get_line_picture(tools: AtHand, order: str, line_ref: str, visitor: OwnerVisitor) -> Response:
    """What was approved of a line, on the blade as the draft has it."""
    with tools.database.reading() as session:
        draft = drafts.find(session)
    if draft is None:
        raise NotFound("there is nothing to show here")
    return Response(picture(tools, draft.content, order, line_ref), media_type="image/svg+xml")


# --- how it is shown ---


def _done(request: Request, tools: Tools, visitor: Visitor, act: Callable[[Session, By], object]) -> Response:
    def work(session: Session) -> None:
        act(session, tools.by(visitor.who))

    try:
        tools.database.write(work)
    except Refusal as refusal:
        return _draft(request, tools, visitor, refused=refusal)
    return RedirectResponse(DRAFT, 303)


def _version(
    request: Request, tools: Tools, number: int, visitor: Visitor, *, refused: Refusal | None = None
) -> Response:
    with tools.database.reading() as session:
        row = version_rows.numbered(session, number)
        if row is None:
            raise NotFound("no such description was ever in force", id=str(number))
        before = version_rows.numbered(session, number - 1)
        old = version_rows.content_of(session, before) if before is not None else {}
        found = difference(old, version_rows.content_of(session, row))
        newest = version_rows.newest_number(session)
    return page(
        request,
        "version.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        row=row,
        newest=newest,
        is_first=before is None,
        **_shown(found),
    )


def _draft(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    waits: bool = True,
    refused: Refusal | None = None,
) -> Response:
    with tools.database.reading() as session:
        draft = drafts.find(session)
        row = version_rows.draft(session)
        looked = looking.looked(session)
    if draft is None or row is None:
        return page(
            request,
            "draft.html",
            visitor,
            status=status_of(refused) if refused else 200,
            refused=refused,
            draft=None,
        )
    troubles = drafts.troubles(draft)
    found = looked.found
    is_waiting = waits and not troubles and not draft.is_behind and found is not None and not found.is_whole
    answer = page(
        request,
        "draft.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        draft=draft,
        row=row,
        troubles=troubles,
        found=found,
        is_waiting=is_waiting,
        quote=quote,
        **_shown(difference(draft.base, draft.content)),
    )
    if is_waiting and refused is None:
        answer.headers["Refresh"] = str(_AGAIN)
    return answer


def _shown(found: Difference) -> dict[str, Any]:
    return {
        "changes": found.changes[:_MOST_CHANGES],
        "more_changes": max(0, len(found.changes) - _MOST_CHANGES),
        "files": found.files,
    }


def _version_of(form: Form) -> int:
    """The draft's version that the page showed; 0, which none is at, where it can't be read."""
    given = str(form.get("version", ""))
    return int(given) if given.isascii() and given.isdigit() and len(given) < 10 else 0
