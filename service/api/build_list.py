"""The build list, for programs and for spreadsheets."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response

from service.api import wire
from service.api.contract import CSV, details
from service.api.security import House
from service.doorway import AtHand, Route
from service.plan import build_list
from service.plan.build_list_answers import BuildListAnswer

router = APIRouter(tags=["plan"], route_class=Route)

Format = Annotated[
    Literal["json", "csv"] | None,
    Query(alias="format", description="Left out: what the Accept header prefers of the two."),
]


@router.get(
    "/v1/build-list",
    response_model=BuildListAnswer,
    openapi_extra=details(files=["application/json", CSV], etag=True),
)
def get_build_list(
    request: Request, tools: AtHand, who: House, kind: Format = None
) -> BuildListAnswer | Response:
    """What the assembly bench should build so that short jobs are filled: by product, how many, by when."""
    answer = build_list.build_list(tools)
    wants_csv = kind == "csv" or (kind is None and _prefers_csv(request.headers.get("accept", "")))
    return _csv(request, answer) if wants_csv else answer


@router.get("/v1/build-list.csv", response_class=Response, openapi_extra=details(files=[CSV], etag=True))
def get_build_list_csv(request: Request, tools: AtHand, who: House) -> Response:
    """The same as a CSV file."""
    return _csv(request, build_list.build_list(tools))


def _prefers_csv(accept: str) -> bool:
    """Whether CSV is named before JSON and before anything at all."""
    named = [part.split(";")[0].strip().lower() for part in accept.split(",")]
    return "text/csv" in named and not {"application/json", "*/*"} & set(named[: named.index("text/csv")])


def _csv(request: Request, answer: BuildListAnswer) -> Response:
    return wire.csv_answer(request, build_list.build_list_csv(answer), "build-list.csv", vary="Accept")
