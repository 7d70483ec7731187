"""A file that a camera sent, made into a picture to keep, and looked at. Runs in a geometry process.

Whatever the file holds beside the picture (where and when it was taken, a small copy of it, a person's name)
stays behind: only pixels go on.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from PIL import Image, ImageOps

from layout.pictures.burned import burned_shape
from layout.shop.loads import Mark
from layout.shop.measure import Floats
from layout.shop.stations import Process

#: What cameras of tablets and browsers write.
FORMATS = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}
#: More pixels than this are not unpacked: a file of a few kilobytes may claim any number.
MOST_PIXELS = 50_000_000
#: The longest side of what is looked at, and of what is kept.
_LOOKED_AT_PX, _KEPT_PX = 2400, 1600
#: Room around the face in what is kept, and how far beyond the mark the face is followed at the most, as a
#: multiple of the mark's longest side: where the photo ends a homography says little.
_ROOM_MM, _MOST_BEYOND = 3.0, 4.0
_QUALITY = 85

#: Why a file is not taken.
Trouble = Literal["no_picture", "too_many_pixels"]


@dataclass(frozen=True, slots=True)
class Approved:
    """What is to be seen: the mark, the process that burned it, the face's outline, and what else is on the
    face where nothing can be said (keep-outs, other marks), as polygons in mm."""

    mark: Mark
    process: Process | None
    face: Any
    others: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Developed:
    """A picture to keep, as JPEG, and what the look at it found (None: it was not looked at)."""

    data: bytes
    width: int
    height: int
    look: dict[str, Any] | None


def develop(data: bytes, approved: Approved | None) -> Developed | Trouble:
    """Make a picture of what was sent, cut to the face where that is found; without `approved` only that."""
    opened = _opened(data)
    if isinstance(opened, str):
        return opened
    if approved is None:
        return _kept(opened, None)
    # Here: who takes no photos needs no memory for what looks at them.
    import cv2

    from layout.look.look import look

    cv2.setNumThreads(1)  # a worker is one core's work

    parts = list(shapely.get_parts(burned_shape(approved.mark, approved.process)))
    grey = np.asarray(opened.convert("L"), dtype=np.float32) / np.float32(255)
    found = look(grey, parts, bare=_bare(approved))
    said: dict[str, Any] = {"likeness": round(found.likeness, 3), "suspects": []}
    if found.to_photo is None:
        return _kept(opened, {**said, "to_photo": None})
    said["suspects"] = [
        {"kind": suspect.kind, "box_mm": [round(value, 2) for value in suspect.box_mm]}
        for suspect in found.suspects
    ]
    left, top, right, bottom = _window(found.to_photo, approved, opened.size)
    moved = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]]) @ found.to_photo
    return _kept(opened.crop((left, top, right, bottom)), said, moved)


def _opened(data: bytes) -> Image.Image | Trouble:
    """The picture upright, in red, green and blue, not larger than is looked at."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of odd metadata, which is left behind
            with Image.open(io.BytesIO(data), formats=list(FORMATS)) as sent:
                if sent.width * sent.height > MOST_PIXELS:
                    return "too_many_pixels"
                sent.draft("RGB", (_LOOKED_AT_PX, _LOOKED_AT_PX))
                upright = ImageOps.exif_transpose(sent)
                upright.thumbnail((_LOOKED_AT_PX, _LOOKED_AT_PX), reducing_gap=2.0)
                if upright.mode in {"I;16", "I", "F"}:
                    return "no_picture"
                # An image of nothing but pixels: what came with them is not written again.
                return Image.fromarray(np.asarray(upright.convert("RGB")))
    except Image.DecompressionBombError:
        return "too_many_pixels"
    except (OSError, ValueError, SyntaxError, EOFError, IndexError, KeyError, TypeError):
        return "no_picture"  # what Pillow's readers raise of files that are torn or made to harm


def _bare(approved: Approved) -> Sequence[Any]:
    """Where nothing is on the face but this mark."""
    around = [shapely.buffer(other, 0.3) for other in approved.others]
    left = shapely.difference(shapely.buffer(approved.face, -0.3), shapely.union_all(around))
    return [part for part in shapely.get_parts(left) if part.geom_type == "Polygon" and not part.is_empty]


def _window(to_photo: Floats, approved: Approved, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """The part of the photo that shows the face, in whole pixels."""
    x0, y0, x1, y1 = approved.mark.outline.bounds_mm
    beyond = _MOST_BEYOND * max(x1 - x0, y1 - y0)
    fx0, fy0, fx1, fy1 = approved.face.bounds
    box = (
        max(fx0, x0 - beyond) - _ROOM_MM,
        max(fy0, y0 - beyond) - _ROOM_MM,
        min(fx1, x1 + beyond) + _ROOM_MM,
        min(fy1, y1 + beyond) + _ROOM_MM,
    )
    edge = shapely.segmentize(shapely.box(*box), max(box[2] - box[0], box[3] - box[1]) / 16)
    seen = np.column_stack([shapely.get_coordinates(edge), np.ones(shapely.count_coordinates(edge))])
    at = seen @ to_photo.T
    at = at[at[:, 2] > 0.05]  # what lies behind the camera is in no photo
    points = at[:, :2] / at[:, 2:]
    low, high = np.floor(points.min(axis=0)), np.ceil(points.max(axis=0))
    left, top = (int(min(max(0, value), end - 1)) for value, end in zip(low, size, strict=True))
    right, bottom = (int(min(max(value, 1), end)) for value, end in zip(high, size, strict=True))
    return left, top, max(right, left + 1), max(bottom, top + 1)


def _kept(picture: Image.Image, look: dict[str, Any] | None, to_photo: Floats | None = None) -> Developed:
    before = picture.size
    picture.thumbnail((_KEPT_PX, _KEPT_PX), Image.Resampling.LANCZOS)
    if look is not None and to_photo is not None:
        scaled = np.diag([picture.width / before[0], picture.height / before[1], 1.0]) @ to_photo
        look = {**look, "to_photo": [float(value) for value in (scaled / scaled[2, 2]).ravel()]}
    file = io.BytesIO()
    picture.save(file, "JPEG", quality=_QUALITY, optimize=True)
    return Developed(file.getvalue(), picture.width, picture.height, look)
