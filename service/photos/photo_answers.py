"""Photos as the service answers them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from pydantic import Field

from service.records.ids import JOB, PHOTO, public
from service.records.tables import MarkPhoto
from service.requests.answers import AnswerBody, Moment, OrLeftOut

SuspectKind = Literal["missing", "broken", "faint", "doubled", "beside", "hidden"]
#: What the comparison has to say of a photo as a whole.
Impression = Literal["looks_right", "look_here", "not_this_mark", "not_compared"]


class SuspectAnswer(AnswerBody):
    """A place of the mark to look at."""

    kind: SuspectKind = Field(
        description="What it looks like: `missing`, `broken`, `faint`, `doubled`, `beside` (something is"
        " burned there that is not in the mark) or `hidden` (a reflection, or beyond the photo's edge).",
        examples=["missing"],
    )
    box_mm: tuple[float, float, float, float] = Field(
        description="x0, y0, x1, y1 in the face's frame, mm.", examples=[[12.1, -1.0, 14.8, 3.2]]
    )


class PhotoAnswer(AnswerBody):
    """A photo of one mark. What the comparison says is advice: it passes and scraps nothing."""

    id: str = Field(description="The photo.", examples=["PH3"])
    job: str = Field(description="The unit's job.", examples=["J42"])
    face: str = Field(description="Which face.", examples=["mark_side"])
    zone: str = Field(description="Which of its zones.", examples=["heel"])
    attempt: int = Field(description="Which burn of this face it shows, from 1.", examples=[1])
    taken_at: Moment = Field(description="When it was sent.")
    taken_by: str = Field(description="Who sent it.", examples=["Kit"])
    sha256: str = Field(description="SHA-256 of the picture as it is kept.", examples=["9f2c" + "0" * 60])
    width: int = Field(description="Its width in pixels.", examples=[1200])
    height: int = Field(description="Its height in pixels.", examples=[640])
    picture: str = Field(description="Where the picture is.", examples=["/v1/photos/PH3.jpg"])
    impression: Impression = Field(
        description="`looks_right`; `look_here`: see `suspects`; `not_this_mark`: the photo does not look"
        " like"
        " the approved mark; `not_compared`: it was not, or its order was erased.",
        examples=["look_here"],
    )
    suspects: tuple[SuspectAnswer, ...] = Field(description="Places to look at, largest first.")
    to_photo: OrLeftOut[tuple[float, ...]] = Field(
        default=None,
        description="Row by row, the 3 × 3 matrix from mm of the face (y up) to pixels of the picture (y"
        " down);"
        " left out where the mark was not found.",
        examples=[[24.1, 0.3, 310.2, 0.2, -24.0, 188.4, 0.0001, 0.0002, 1.0]],
    )
    shared_at: OrLeftOut[Moment] = Field(
        default=None, description="Since when the buyer may see it; left out: not shared."
    )
    shared_by: OrLeftOut[str] = Field(default=None, description="Who shared it.", examples=["Ada"])


class PhotosAnswer(AnswerBody):
    """The photos of a unit."""

    photos: tuple[PhotoAnswer, ...] = Field(description="Oldest first.")


def photo_answer(row: MarkPhoto) -> PhotoAnswer:
    said = row.look or {}
    suspects = tuple(
        SuspectAnswer(kind=one["kind"], box_mm=one["box_mm"]) for one in said.get("suspects", ())
    )
    return PhotoAnswer(
        id=public(PHOTO, row.id),
        job=public(JOB, row.job_id),
        face=row.face,
        zone=row.zone,
        attempt=row.attempt,
        taken_at=row.taken_at,
        taken_by=row.taken_by,
        sha256=row.sha256,
        width=row.width,
        height=row.height,
        picture=address_of(row.id),
        impression=_impression(row),
        suspects=suspects,
        to_photo=said.get("to_photo"),
        shared_at=row.shared_at,
        shared_by=row.shared_by,
    )


def address_of(photo_id: int) -> str:
    """Where a photo's picture is."""
    return f"/v1/photos/{public(PHOTO, photo_id)}.jpg"


def photos_answer(rows: Iterable[MarkPhoto]) -> PhotosAnswer:
    return PhotosAnswer(photos=tuple(photo_answer(row) for row in rows))


def _impression(row: MarkPhoto) -> Impression:
    if row.look is None:
        return "not_compared"
    if row.look["to_photo"] is None:
        return "not_this_mark"
    return "look_here" if row.look["suspects"] else "looks_right"
