"""Where a mark lies in a photo: a homography found from the mark itself, from coarse to fine.

Coarse: the drawn mark in all likely sizes and turns is slid over a small copy of the photo (normalised
cross-correlation). Fine: the best few are drawn towards the photo by the enhanced correlation coefficient
(Evangelidis and Psarakis, IEEE PAMI 30(10), 2008, as OpenCV has it), each time on a copy twice as fine.

Neither brightness nor whether marks are dark or bright is known: both sides are compared by local contrast.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from layout.look.raster import Box, Canvas, box_of, turned_by
from layout.shop.measure import Floats

#: Longest side of the small copy (px).
_COARSE_PX = 224
#: A likeness from which on nothing better is looked for, and one below which only thin strokes are.
_CONVINCING, _SOMEWHAT, _THIN_MM = 0.75, 0.35, 0.2
#: Finer than this nothing is gained by another step.
_ENOUGH_PX_PER_MM = 14.0
#: Longest side of the mark over that of the photo: looked for from one to the other, by this step.
_LEAST_SHARE, _MOST_SHARE, _SHARE_STEP = 0.3, 1.05, 1.07
#: Turns in the picture's plane, either way up (degrees).
_TURNS = tuple(float(turn) for turn in range(-16, 17, 4))
#: So many of the coarse guesses are followed.
_FOLLOWED = 5
#: Local contrast is brightness less its mean over this many pixels (standard deviation), coarse and fine.
_WIDE_PX = 7.0
_ROOM_PX = 8


@dataclass(frozen=True, slots=True)
class Registration:
    """`to_photo`: (3, 3) from mm of the face to pixels of the photo; `likeness`: how well mark and photo
    agree there, 1 at best; `is_dark`: whether the mark is darker than the metal."""

    to_photo: Floats
    likeness: float
    is_dark: bool


@dataclass(frozen=True, slots=True)
class _Guess:
    to_photo: Floats
    score: float
    is_dark: bool


def register(grey: Any, parts: Sequence[Any]) -> Registration | None:
    """Find the mark (`parts`, polygons in mm) in a photo, float32 (height, width) of 0 to 1: the best place
    there is, however unlike; None where the photo shows nothing at all.

    Thin lines vanish in a very small copy, so that what is not found in one is looked for in a larger one.
    """
    found = _found_from(grey, parts, _COARSE_PX)
    if found is None or found.likeness > _CONVINCING:
        return found
    if found.likeness < _SOMEWHAT and _width_mm(parts) > _THIN_MM:
        return found
    finer = _found_from(grey, parts, 2 * _COARSE_PX)
    return found if finer is None or finer.likeness < found.likeness else finer


def _width_mm(parts: Sequence[Any]) -> float:
    """How wide the strokes are on the whole: twice the area over the length of the edges."""
    return float(2 * sum(part.area for part in parts) / sum(part.length for part in parts))


def _found_from(grey: Any, parts: Sequence[Any], side: int) -> Registration | None:
    """The same, from a copy whose longest side is so many pixels."""
    box = box_of(parts)
    small, shrunk = _shrunk(grey, side)
    found = sorted(_guesses(contrast(small), parts, box), key=lambda one: -one.score)
    followed = [_nearer(guess, small, parts, box, affine_first=True) for guess in _apart(found)]
    best = max((one for one in followed if one is not None), key=lambda one: one.score, default=None)
    if best is None:
        return None
    for finer in (2, 4, 8):
        if side * finer / 2 >= max(grey.shape) or _px_per_mm(best.to_photo, box) > _ENOUGH_PX_PER_MM:
            break
        image, scale = _shrunk(grey, side * finer)
        start = _Guess(_scaled(scale / shrunk) @ best.to_photo, best.score, best.is_dark)
        nearer = _nearer(start, image, parts, box)
        if nearer is None:
            break
        best, shrunk = nearer, scale
    whole = _scaled(1 / shrunk) @ best.to_photo
    return Registration(whole / whole[2, 2], best.score, best.is_dark)


def _scaled(factor: float) -> Floats:
    """Pixels of one copy to those of another, both with their centres at whole numbers."""
    shift = (factor - 1) / 2
    return np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1.0]])


def contrast(image: Any, fine: float = 0.8, wide: float = _WIDE_PX) -> Any:
    """Brightness less its local mean, over its local spread: what is left of light and shade are edges of
    about one strength."""
    image = cv2.GaussianBlur(image, (0, 0), fine)
    raised = image - cv2.GaussianBlur(image, (0, 0), wide)
    spread = cv2.GaussianBlur(raised * raised, (0, 0), 2 * wide)
    floor = 0.5 * float(spread.mean()) + 1e-6
    return np.asarray(raised / np.sqrt(spread + floor), dtype=np.float32)


def _shrunk(grey: Any, side: int) -> tuple[Any, float]:
    """The photo at most so large, and how many of its pixels are one of the photo's."""
    scale = min(1.0, side / max(grey.shape))
    if scale == 1.0:
        return grey, scale
    size = max(1, round(grey.shape[1] * scale)), max(1, round(grey.shape[0] * scale))
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA), scale


def _moved(by: Floats) -> Floats:
    return np.array([[1, 0, by[0]], [0, 1, by[1]], [0, 0, 1.0]])


def _around(image: Any, to_photo: Floats, box: Box) -> tuple[Any, Floats]:
    """The part of a photo around the mark, and its left upper corner."""
    x0, y0, x1, y1 = box
    corners = np.array([[[x0, y0], [x1, y0], [x1, y1], [x0, y1]]])
    at = cv2.perspectiveTransform(corners, to_photo)[0]
    room = 4 * _WIDE_PX
    size = np.array(image.shape[::-1])
    low = np.clip(np.floor(at.min(axis=0) - room), 0, size - 1).astype(int)
    high = np.clip(np.ceil(at.max(axis=0) + room), low + 1, size).astype(int)
    return np.ascontiguousarray(image[low[1] : high[1], low[0] : high[0]]), low.astype(np.float64)


def _px_per_mm(to_photo: Floats, box: Box) -> float:
    """How large the mark is drawn, by its diagonal."""
    x0, y0, x1, y1 = box
    ends = cv2.perspectiveTransform(np.array([[[x0, y0], [x1, y1]]]), to_photo)[0]
    return float(np.hypot(*(ends[1] - ends[0])) / np.hypot(x1 - x0, y1 - y0))


# --- coarse ---


def _guesses(looked_at: Any, parts: Sequence[Any], box: Box) -> Iterator[_Guess]:
    """Sizes and turns at which the mark's drawing is most like some place of the photo."""
    x0, y0, x1, y1 = box
    longest = max(x1 - x0, y1 - y0)
    height, width = looked_at.shape
    share = _LEAST_SHARE
    while share < _MOST_SHARE:
        scale = share * max(height, width) / longest
        canvas = Canvas.around(box, scale, room_mm=_ROOM_PX / scale)
        drawn = contrast(canvas.covered(parts))
        for turn in (*_TURNS, *(turn + 180 for turn in _TURNS)):
            turned, to_drawing = turned_by(drawn, turn)
            if turned.shape[0] > height or turned.shape[1] > width:
                turned, to_drawing = _cropped(turned, to_drawing, (height, width))
            score = cv2.matchTemplate(looked_at, turned, cv2.TM_CCOEFF_NORMED)
            low, high, at_low, at_high = cv2.minMaxLoc(score)
            is_dark = -low > high
            x, y = at_low if is_dark else at_high
            moved = np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]) @ to_drawing @ canvas.from_mm
            yield _Guess(moved, max(high, -low), is_dark)
        share *= _SHARE_STEP


def _cropped(turned: Any, moved: Floats, size: tuple[int, int]) -> tuple[Any, Floats]:
    """The middle of a drawing that is larger than the photo."""
    top, left = (max(0, (has - most) // 2) for has, most in zip(turned.shape, size, strict=True))
    piece = turned[top : top + size[0], left : left + size[1]]
    return piece, np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1.0]]) @ moved


def _apart(found: Sequence[_Guess]) -> list[_Guess]:
    """The best guesses, no two of which are nearly the same."""
    kept: list[_Guess] = []
    for guess in found:
        if all(_differ(guess, other) for other in kept):
            kept.append(guess)
        if len(kept) == _FOLLOWED:
            break
    return kept


def _differ(one: _Guess, other: _Guess) -> bool:
    a, b = one.to_photo / one.to_photo[2, 2], other.to_photo / other.to_photo[2, 2]
    size = np.hypot(a[0, 0], a[1, 0])
    return bool(np.abs(a[:2, :2] - b[:2, :2]).max() > 0.12 * size) or one.is_dark != other.is_dark


# --- fine ---


def _nearer(
    guess: _Guess,
    image: Any,
    parts: Sequence[Any],
    box: Box,
    *,
    affine_first: bool = False,
) -> _Guess | None:
    """The guess improved on one copy of the photo; None where it leads nowhere."""
    scale = _px_per_mm(guess.to_photo, box)
    canvas = Canvas.around(box, scale, room_mm=_ROOM_PX / scale)
    wanted = contrast(canvas.covered(parts))
    image, corner = _around(image, guess.to_photo, box)
    looked_at = contrast(image) * np.float32(-1 if guess.is_dark else 1)
    warp: Any = _moved(-corner) @ guess.to_photo @ np.linalg.inv(canvas.from_mm)
    warp = (warp / warp[2, 2]).astype(np.float32)
    everywhere = np.full(looked_at.shape, 255, np.uint8)
    try:
        if affine_first:
            _, straight = cv2.findTransformECC(
                wanted, looked_at, warp[:2], cv2.MOTION_AFFINE, (3, 30, 1e-4), everywhere, 5
            )
            warp = np.vstack([straight, [0, 0, 1]]).astype(np.float32)
        likeness, warp = cv2.findTransformECC(
            wanted, looked_at, warp, cv2.MOTION_HOMOGRAPHY, (3, 25, 1e-5), everywhere, 3
        )
    except cv2.error:  # it did not come nearer
        return None
    whole = _moved(corner) @ warp.astype(np.float64) @ canvas.from_mm
    return _Guess(whole / whole[2, 2], float(likeness), guess.is_dark)
