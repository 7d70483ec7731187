"""Photos of marks: sent by the tablet at inspection, looked at, shared with the buyer, taken away."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import Field

from service.api import wire
from service.api.contract import JPEG, SVG, details
from service.api.security import Desk, House
from service.doorway import AtHand, Route
from service.photos import photos
from service.photos.develop import FORMATS, MOST_PIXELS
from service.photos.overlay import overlay_svg
from service.photos.photo_answers import PhotoAnswer, PhotosAnswer, photo_answer, photos_answer
from service.records import errors
from service.requests.inscriptions import Strict, Truth
from service.requests.served import Served

router = APIRouter(tags=["photos"], route_class=Route)

ADDRESS = "/v1/jobs/{identity}/photos"
LARGEST_PHOTO = photos.LARGEST_PHOTO

PhotoId = Annotated[str, Path(description="The photo.", examples=["PH3"])]
_LIMITS = (
    f"The picture, upright or with its EXIF orientation: at most {LARGEST_PHOTO // 2**20} MB and"
    f" {MOST_PIXELS // 1_000_000} million pixels. Of what else the file holds nothing is kept."
)
_PICTURE: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "description": _LIMITS,
        "content": {kind: {"schema": {"type": "string", "format": "binary"}} for kind in FORMATS.values()},
    }
}


class ShareIn(Strict):
    shared: Truth = Field(description="Whether the buyer may see it.", examples=[True])


async def _sent(request: Request) -> bytes:
    return await request.body()


@router.post(
    ADDRESS,
    status_code=201,
    max_body_size=LARGEST_PHOTO,
    openapi_extra={
        **details(errors.BadRequest, errors.MoveNotAllowed, errors.CheckTooSlow, errors.CheckersBusy),
        **_PICTURE,
    },
)
def send_photo(
    tools: AtHand,
    identity: wire.JobId,
    who: House,
    sent: Annotated[bytes, Depends(_sent)],
    face: Annotated[
        str,
        Query(max_length=20, description="Which face; needed where it has several.", examples=["mark_side"]),
    ] = "",
    zone: Annotated[
        str,
        Query(max_length=60, description="Which zone; needed where several are engraved.", examples=["heel"]),
    ] = "",
) -> PhotoAnswer:
    """Keep a photo of a mark, as its last burn left it, and hold it against the approved outline. What that
    says is advice: it passes and scraps nothing. The same file sent again is the same photo."""
    return photos.take(tools, identity, sent, face=face, zone=zone, who=who)


@router.get(ADDRESS)
def list_photos(tools: AtHand, identity: wire.JobId, who: House) -> PhotosAnswer:
    """All photos of a unit."""
    with tools.database.reading() as session:
        return photos_answer(photos.of_job(session, identity))


@router.get(
    "/v1/photos/{identity}.jpg",
    response_class=Response,
    openapi_extra=details(etag=True, files=[JPEG]),
)
def get_photo_picture(request: Request, tools: AtHand, identity: PhotoId, who: House) -> Response:
    """The picture: upright, cut to the face where the mark was found, with nothing but pixels in it."""
    with tools.database.reading() as session:
        row = photos.find(session, identity)
        served = Served(photos.picture(tools, row), row.sha256, f"{identity}.jpg", JPEG)
    return wire.file_answer(request, served, "inline")


@router.get(
    "/v1/photos/{identity}.svg",
    response_class=Response,
    openapi_extra=details(etag=True, files=[SVG]),
)
def get_photo_overlay(request: Request, tools: AtHand, identity: PhotoId, who: House) -> Response:
    """The picture with the approved outline over it, and rings around what looks wrong."""
    with tools.database.reading() as session:
        row = photos.find(session, identity)
        svg = overlay_svg(photo_answer(row), photos.outline_of(session, row), photos.picture(tools, row))
    return wire.file_answer(request, Served.of(svg, f"{identity}.svg", SVG), "inline")


@router.get("/v1/photos/{identity}")
def get_photo(tools: AtHand, identity: PhotoId, who: House) -> PhotoAnswer:
    """One photo, and what the look at it found."""
    with tools.database.reading() as session:
        return photo_answer(photos.find(session, identity))


@router.post("/v1/photos/{identity}/share")
def share_photo(tools: AtHand, identity: PhotoId, body: ShareIn, who: Desk) -> PhotoAnswer:
    """Let the buyer see a photo on the page of the proof link, or no longer. A second time changes
    nothing."""
    return photos.share(tools, identity, shared=body.shared, who=who)


@router.delete("/v1/photos/{identity}", status_code=204, response_class=Response)
def delete_photo(tools: AtHand, identity: PhotoId, who: House) -> Response:
    """Delete a photo: of something else, or with more on it than the mark."""
    photos.take_away(tools, identity, who=who)
    return Response(status_code=204)
