"""The shop's description: what was ever in force, a change of it tried, and put in force."""

from __future__ import annotations

from typing import Annotated, Self

from fastapi import APIRouter, Path, Request, Response
from pydantic import AfterValidator, Field, model_validator

from service.api import wire
from service.api.contract import details
from service.api.security import Owner
from service.changes import put
from service.changes.change_answers import (
    TrialAnswer,
    VersionAnswer,
    VersionsAnswer,
    WholeVersionAnswer,
    difference_answer,
    version_answer,
    whole_version_answer,
)
from service.changes.looking import what_changes
from service.doorway import AtHand, Route
from service.records import errors
from service.records.errors import BadRequest, NotFound, StaleVersion
from service.records.states import Origin
from service.requests.inscriptions import Strict, Whole, storable
from service.shop import catalogue, versions
from service.shop import version_rows as rows
from service.shop.catalogue.difference import difference
from service.shop.tools import Tools

router = APIRouter(tags=["catalogue"], route_class=Route)

VERSIONS, TRIALS = "/v1/catalogue/versions", "/v1/catalogue/trials"
#: A description with photos.
LARGEST = 8 * 2**20
#: So long may a request look at what waits; pages look on behind it.
_SECONDS = 6.0

Text = Annotated[str, AfterValidator(storable)]
Number = Annotated[int, Path(ge=1, le=2**31, description="The description's number.", examples=[12])]


class ChangeIn(Strict):
    content: dict[Text, Text] | None = Field(
        default=None,
        description="All files' text by name; photos in base64. Files that are left out go.",
        examples=[{"policy/policy.toml": "review_height_mm = 2.0"}],
    )
    files: dict[Text, Text | None] | None = Field(
        default=None,
        description="Files that change, with their whole new text; null takes one out. Instead of `content`.",
        examples=[{"policy/policy.toml": "review_height_mm = 2.0"}],
    )
    back_to: Whole | None = Field(
        default=None,
        ge=1,
        le=2**31,
        description="An earlier number that is to be in force again. Instead of `content`.",
        examples=[11],
    )
    why: Annotated[str, Field(max_length=200), AfterValidator(storable)] = Field(
        default="", description="Why; it stands in the list.", examples=["longer flat on the parer"]
    )

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if sum(given is not None for given in (self.content, self.files, self.back_to)) != 1:
            raise ValueError("give one of content, files and back_to")
        return self


@router.get(VERSIONS)
def list_catalogue_versions(
    request: Request,
    tools: AtHand,
    response: Response,
    who: Owner,
    limit: wire.Limit = 50,
    cursor: wire.Cursor = None,
) -> VersionsAnswer:
    """Descriptions that were in force, newest first: who put them in force, when, why, and from where."""
    with tools.database.reading() as session:
        page = rows.listed(session, before=wire.read_cursor(cursor), limit=limit + 1)
        if len(page) > limit:
            response.headers["Link"] = wire.next_link(request, page[limit - 1].number, limit)
        return VersionsAnswer(versions=tuple(map(version_answer, page[:limit])))


@router.get(f"{VERSIONS}/{{number}}", openapi_extra=details(etag=True))
def get_catalogue_version(
    tools: AtHand, response: Response, number: Number, who: Owner
) -> WholeVersionAnswer:
    """One description with its files, and what it changed of the one before. Its ETag guards what is made
    from it."""
    with tools.database.reading() as session:
        row = rows.numbered(session, number)
        if row is None:
            raise NotFound("no such description was ever in force", id=str(number))
        before = rows.numbered(session, number - 1)
        response.headers["ETag"] = etag_of(number)
        return whole_version_answer(
            row,
            rows.content_of(session, row),
            rows.content_of(session, before) if before is not None else {},
        )


@router.post(
    VERSIONS,
    status_code=201,
    max_body_size=LARGEST,
    openapi_extra=details(errors.BadRequest, errors.ShopRefused, etag=True),
)
def put_catalogue_in_force(
    tools: AtHand, response: Response, body: ChangeIn, who: Owner, if_match: wire.IfMatch = None
) -> VersionAnswer:
    """Put a description in force, made from the one whose ETag is named. It is judged first, and refused
    whole where anything is wrong with it. The same once more changes nothing."""
    came_from = number_of(if_match)
    row = put.put_in_force(
        tools,
        _content(tools, body, came_from),
        came_from=came_from,
        why=body.why,
        origin=Origin.POSTED if body.back_to is None else Origin.BACK,
        back_to=body.back_to,
        who=who,
    )
    response.headers["ETag"] = etag_of(row.number)
    return version_answer(row)


@router.post(
    TRIALS,
    max_body_size=LARGEST,
    openapi_extra=details(errors.BadRequest, errors.CheckTooSlow, errors.CheckersBusy),
)
def try_catalogue(tools: AtHand, body: ChangeIn, who: Owner, if_match: wire.IfMatch = None) -> TrialAnswer:
    """What a description would change, and what it would do to units that wait: as far as can be looked at
    within some seconds. Nothing is changed."""
    came_from = number_of(if_match)
    content = _content(tools, body, came_from)
    with tools.database.reading() as session:
        now_in_force = versions.content_at(session, came_from)
    troubles = catalogue.troubles_of_files(content)
    return TrialAnswer(
        troubles=tuple(map(str, troubles)),
        difference=difference_answer(difference(now_in_force, content)),
        what_changes=None if troubles else what_changes(tools, content, seconds=_SECONDS),
    )


def etag_of(number: int) -> str:
    return f'"{number}"'


def number_of(if_match: str | None) -> int:
    """The number that a change was made from. Raises IfMatchMissing, StaleVersion."""
    named = wire.if_match_of(if_match).strip('"')
    if not named.isascii() or not named.isdigit() or len(named) > 9:
        raise StaleVersion("no description of the shop has this ETag", in_force=None)
    return int(named)


def _content(tools: Tools, body: ChangeIn, came_from: int) -> dict[str, str]:
    """All files' text of what was asked for. Raises BadRequest, StaleVersion."""
    if body.content is not None:
        return dict(body.content)
    with tools.database.reading() as session:
        if body.back_to is not None:
            try:
                return versions.content_at(session, body.back_to)
            except NotFound as missing:
                raise BadRequest(missing.message, field="back_to") from missing
        if rows.numbered(session, came_from) is None:
            raise StaleVersion("no description of the shop has this ETag", in_force=None)
        base = versions.content_at(session, came_from)
    together = {**base, **(body.files or {})}
    return {name: text for name, text in together.items() if text is not None}
