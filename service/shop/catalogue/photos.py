"""Photos of products: pictures in the folder `photos`, kept with the description's text as base64."""

from __future__ import annotations

import base64
import io
from pathlib import Path

from PIL import Image, UnidentifiedImageError

from layout.shop.blades import Photo
from service.shop.catalogue.schema import PhotoFile

#: The folder that they lie in.
PHOTOS = "photos"
ENDINGS = (".jpg", ".jpeg", ".png")
#: More is more than a screen or a page of paper shows.
_MOST_PIXELS = 40_000_000


def encoded(path: Path) -> str:
    """A picture's bytes as the description keeps them."""
    return base64.b64encode(path.read_bytes()).decode("ascii")


def decoded(text: str) -> bytes:
    """The bytes of a picture as it is kept. Raises ValueError."""
    return base64.b64decode(text, validate=True)


def photo_of(entry: PhotoFile, text: str) -> Photo:
    """The photo that an entry places. Raises ValueError for one that is no picture, is too large or does not
    hold the entry's points."""
    data = decoded(text)
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as picture:
            size, kind = picture.size, picture.format
            if size[0] * size[1] > _MOST_PIXELS:
                raise ValueError(f"{size[0]} x {size[1]} pixels are too many; make it smaller")
            picture.verify()
    except (UnidentifiedImageError, OSError, SyntaxError) as error:
        raise ValueError("this is no JPEG or PNG picture") from error
    if any(not (0 <= x <= size[0] and 0 <= y <= size[1]) for x, y in entry.points_px):
        raise ValueError(f"a point lies beside the picture of {size[0]} x {size[1]} pixels")
    return Photo(data, "png" if kind == "PNG" else "jpeg", size, entry.points_px, entry.points_mm)
