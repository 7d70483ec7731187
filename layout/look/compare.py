"""What of a mark looks wrong in a photo in which it was found.

The photo is laid over the face, brought to one brightness by the bare metal around the mark, freed of the
metal's grain, and held against the mark as it must look through this photo's blur. How strongly the mark
stands out is measured part by part and spot by spot: where it hardly does, something is missing, broken or
faint; where something stands out as strongly beside it, something is burned that is not in the mark.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np

from layout.look.raster import Box, Canvas, box_of, turned_by
from layout.look.register import Registration, contrast

#: What a place of the mark looks like. `beside`: something is burned there that is not in the mark; `hidden`:
#: it can't be seen, for a reflection or the photo's edge.
SuspectKind = Literal["missing", "broken", "faint", "doubled", "beside", "hidden"]

#: The face is looked at so finely, and so far around the mark.
PX_PER_MM = 16.0
ROOM_MM = 1.6
#: The metal is brushed where its gradients have a direction to this degree (0 to 1); a streak's brightness is
#: averaged over so much of its length and width (standard deviations), and taken for unknown where less than
#: this share of that is bare metal.
_GRAINY, _STREAK_MM, _FINE_MM, _LEAST_KNOWN = 0.25, 1.5, 0.05, 0.04
#: The bare metal's brightness is smooth over this length; a spot in which something stands out is so large
#: (standard deviations).
_LIGHT_MM, _SPOT_MM = 1.1, 0.09
#: A part that stands out less than this share of what is usual in the mark is missing, or faint.
_MISSING, _FAINT = 0.3, 0.5
#: The same for spots within a part; several standard deviations of the metal's own spots below.
_SPOT_GONE, _SPOT_SURE = 0.4, 5.0
#: So much of a mark's area must be gone in one place, or so much be burned in one place beside it (mm²).
_LEAST_GONE_MM2, _LEAST_BESIDE_MM2 = 0.03, 0.01
#: A second mark lies beside the first in many places, and makes the photo less like it; one or two beside a
#: good mark are scratches, or what a reflection or a strong streak leaves.
_PLACES, _ONE_MARK = 3, 0.985
#: Nearer to the mark than this nothing is said to be burned beside it: lines come out a little bolder.
_GUARD_MM = 0.09
_BESIDE, _BESIDE_SURE = 0.25, 4.5
#: Where so much of the mark's area is burned beside it, all of it is burned twice.
_DOUBLED = 0.06
#: A pixel this bright has lost what it showed; a part is hidden where so much of it is.
_BURNED_OUT, _HIDDEN = 0.985, 0.3
#: Blurs of a photo that are tried (px).
_BLURS = (0.5, 0.8, 1.1, 1.5, 2.0)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A place to look at: its box in mm of the face."""

    kind: SuspectKind
    box_mm: Box


@dataclass(frozen=True, slots=True)
class Seen:
    """The photo laid over the face. `stands_out`: share of the bare metal's brightness (`light`) by which a
    pixel differs, positive where it looks burned; `is_seen`: whether it can be looked at; `burned_out`; the
    mark, sharp and as blurred as the photo."""

    canvas: Canvas
    stands_out: Any
    light: Any
    is_seen: Any
    burned_out: Any
    mark: Any
    blurred: Any


def nearer(seen: Seen, found: Registration) -> Registration | None:
    """The same place, found once more without the metal's grain, by which the first search may have been
    drawn aside; None where it does not come nearer."""
    wanted, looked_at = contrast(seen.mark), contrast(seen.stands_out)
    mask = seen.is_seen.astype(np.uint8) * 255
    try:
        likeness, warp = cv2.findTransformECC(
            wanted,
            looked_at,
            np.eye(3, dtype=np.float32),
            cv2.MOTION_HOMOGRAPHY,
            (3, 25, 1e-5),
            mask,
            3,
        )
    except cv2.error:  # it goes nowhere
        return None
    if likeness <= found.likeness:
        return None
    from_mm = seen.canvas.from_mm
    whole = found.to_photo @ np.linalg.inv(from_mm) @ warp.astype(np.float64) @ from_mm
    return Registration(whole / whole[2, 2], float(likeness), found.is_dark)


def suspects(seen: Seen, parts: Sequence[Any], likeness: float) -> list[Suspect]:
    """Places that look wrong, the largest first. `likeness`: of the photo to the mark."""
    ink = (seen.mark > 0.4) & seen.is_seen
    if not ink.any():
        return [Suspect("hidden", box_of(parts))]
    weight = _spot(seen.blurred * seen.blurred)
    level = _spot(seen.stands_out * seen.blurred) / np.maximum(weight, 1e-4)
    # A reflection adds the same light to mark and metal, so that the mark stands out less of what is there.
    shine = np.minimum(1.0, np.percentile(seen.light[ink], 30) / np.maximum(seen.light, 1e-3))
    wanted = _usual(seen, level, ink) * shine
    noise = _noise(seen)
    beside = [place for place in _beside(seen, wanted, noise) if place[0] > _LEAST_BESIDE_MM2]
    if len(beside) < _PLACES or likeness > _ONE_MARK:
        beside = []
    gone = list(_parts_gone(seen, wanted, parts))
    if sum(area for area, _ in beside) > _DOUBLED * float(seen.mark.sum()) / PX_PER_MM**2 and not gone:
        return [Suspect("doubled", box_of(parts))]
    said = [*gone, *_spots_gone(seen, level, weight, wanted, noise, but=[part for _, part in gone])]
    said += [(area, Suspect("beside", box)) for area, box in beside]
    return [suspect for _, suspect in sorted(said, key=lambda one: -one[0])]


def _usual(seen: Seen, level: Any, ink: Any) -> float:
    """How strongly the mark stands out where it is whole: by spots, or by its strongest pixels if that is
    less; what is burned beside the mark makes its spots look stronger."""
    by_pixels = np.percentile(seen.stands_out[ink], 90) / np.percentile(seen.blurred[ink], 90)
    return max(float(min(np.percentile(level[ink], 80), by_pixels)), 1e-3)


def laid_over(grey: Any, parts: Sequence[Any], found: Registration, *, bare: Sequence[Any] = ()) -> Seen:
    """The photo where it was found to show the mark. For the arguments see `layout.look.look`."""
    canvas = Canvas.around(box_of(parts), PX_PER_MM, room_mm=ROOM_MM)
    to_photo = found.to_photo @ np.linalg.inv(canvas.from_mm)
    size, flags = (canvas.width, canvas.height), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    finer = float(np.sqrt(abs(np.linalg.det(to_photo[:2, :2] / to_photo[2, 2]))))
    if finer > 1.2:  # brought down by area, not by leaving pixels out
        grey = cv2.GaussianBlur(grey, (0, 0), 0.45 * finer)
    shown = cv2.warpPerspective(grey, to_photo, size, flags=flags)
    is_seen = cv2.warpPerspective(np.ones_like(grey), to_photo, size, flags=flags) > 0.99
    if bare:
        is_seen &= canvas.covered(bare) > 0.99
    mark = canvas.covered(parts)
    metal = ((cv2.dilate(mark, _disc(round(0.2 * PX_PER_MM))) == 0) & is_seen).astype(np.float32)
    sign = np.float32(-1 if found.is_dark else 1)
    all_metal = metal.copy()
    light, stands_out = shown, np.zeros_like(shown)
    for _ in range(2):  # once more without what stands out: a second mark is no bare metal
        light = _mean_of(shown, metal, _LIGHT_MM * PX_PER_MM)
        stands_out = np.where(is_seen, sign * (shown / np.maximum(light, 1e-3) - 1), np.float32(0))
        spread = _spread(stands_out[metal > 0])
        metal *= (np.abs(stands_out) < 3 * spread + 1e-3).astype(np.float32)
    stands_out = stands_out - _grain(stands_out, all_metal)
    blurred = _as_blurred(stands_out, mark, is_seen)
    return Seen(canvas, stands_out, light, is_seen, shown > _BURNED_OUT, mark, blurred)


def _grain(stands_out: Any, metal: Any) -> Any:
    """What of the brightness is the metal's grain: streaks of one direction, much longer than a stroke is
    wide, which go on under the mark. Nothing where the metal has no such direction. `metal`: 1 where it is
    bare."""
    degrees = _direction(stands_out, metal)
    if degrees is None:
        return np.zeros_like(stands_out)
    level, moved = turned_by(stands_out * metal, degrees)
    weight, _ = turned_by(metal, degrees)
    along, across = _STREAK_MM * PX_PER_MM, _FINE_MM * PX_PER_MM
    level, weight = (cv2.GaussianBlur(one, (0, 0), along, sigmaY=across) for one in (level, weight))
    streaks = level / (weight + _LEAST_KNOWN)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(streaks, moved[:2], stands_out.shape[::-1], flags=flags)


def _direction(stands_out: Any, metal: Any) -> float | None:
    """By how much the streaks must be turned to lie level (degrees), by the mean of the gradient's square
    (the structure tensor; Bigun and Granlund, ICCV 1987); None where they have no direction."""
    inner = cv2.erode(metal, _disc(2)) > 0
    if inner.sum() < 400:
        return None
    smooth = cv2.GaussianBlur(stands_out, (0, 0), 1.5)
    dx, dy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    xx, yy, xy = (float((one * other)[inner].mean()) for one, other in ((dx, dx), (dy, dy), (dx, dy)))
    if np.hypot(xx - yy, 2 * xy) < _GRAINY * (xx + yy):
        return None
    return float(np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) + 90)


def _as_blurred(stands_out: Any, mark: Any, is_seen: Any) -> Any:
    """The mark through the blur by which it is most like the photo."""
    tried = [cv2.GaussianBlur(mark, (0, 0), sigma) for sigma in _BLURS]
    return max(tried, key=lambda blurred: _correlation(blurred[is_seen], stands_out[is_seen]))


def _noise(seen: Seen) -> float:
    """How much spots of the bare metal differ (standard deviation, of its brightness)."""
    metal = (cv2.dilate((seen.blurred > 0.02).astype(np.uint8), _disc(1)) == 0) & seen.is_seen
    values = _spot(seen.stands_out)[metal]
    return max(_spread(values), 1e-3) if values.size > 200 else 0.02


def _parts_gone(seen: Seen, wanted: Any, parts: Sequence[Any]) -> Iterator[tuple[float, Suspect]]:
    """Whole parts that hardly stand out, with their area."""
    for part in parts:
        window, own = seen.canvas.window_of(part)
        inked = own > 0.2
        mine = inked & seen.is_seen[window]
        if inked.sum() < 3:
            continue
        drawn, there, due = (array[window][mine] for array in (seen.blurred, seen.stands_out, wanted))
        share = float((drawn * there).sum() / max(float((drawn * drawn * due).sum()), 1e-6))
        is_cut_off = mine.sum() < (1 - _HIDDEN) * inked.sum()
        if is_cut_off or (share < _FAINT and seen.burned_out[window].mean() > _HIDDEN):
            yield float(part.area), Suspect("hidden", part.bounds)
        elif share < _FAINT:
            yield float(part.area), Suspect("missing" if share < _MISSING else "faint", part.bounds)


def _spots_gone(
    seen: Seen, level: Any, weight: Any, wanted: Any, noise: float, *, but: Sequence[Suspect]
) -> Iterator[tuple[float, Suspect]]:
    """Places where the mark is broken off, with the area that is gone; `but` not of parts already said to be
    gone as a whole."""
    # What the metal's noise does to the level of a spot, by how much of the mark is in it.
    narrower = cv2.GaussianBlur(seen.blurred * seen.blurred, (0, 0), _SPOT_MM * PX_PER_MM / np.sqrt(2))
    sigma = noise * np.sqrt(np.maximum(narrower, 1e-6)) / np.maximum(weight, 1e-4)
    inked = (seen.mark > 0.3) & seen.is_seen
    for part in but:
        inked[seen.canvas.rows_and_columns(part.box_mm)] = False
    low = inked & (level < _SPOT_GONE * wanted) & (wanted - level > _SPOT_SURE * sigma)
    lost = np.clip(1 - level / np.maximum(wanted, 1e-4), 0, 1) * seen.mark
    for area, box in _regions(seen.canvas, low, lost):
        if area > _LEAST_GONE_MM2:
            yield area, Suspect("broken", box)


def _beside(seen: Seen, wanted: Any, noise: float) -> Iterator[tuple[float, Box]]:
    """Places beside the mark that stand out as the mark does, with their area."""
    away = cv2.distanceTransform((seen.mark < 0.25).astype(np.uint8), cv2.DIST_L2, 5)
    excess = _spot(seen.stands_out - wanted * seen.blurred)
    high = (excess > _BESIDE * wanted) & (excess > _BESIDE_SURE * noise)
    high &= seen.is_seen & (away > _GUARD_MM * PX_PER_MM)
    yield from _regions(seen.canvas, high, np.clip(excess / np.maximum(wanted, 1e-4), 0, 1))


def _regions(canvas: Canvas, flags: Any, weight: Any) -> list[tuple[float, Box]]:
    """Connected regions: the sum of their weights in mm², and their box in mm."""
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(flags.astype(np.uint8), connectivity=8)
    sums = np.bincount(labels.ravel(), weights=weight.ravel(), minlength=count) / canvas.px_per_mm**2
    return [(float(sums[i]), canvas.box_mm(*(int(v) for v in boxes[i][:4]))) for i in range(1, count)]


def _spot(image: Any) -> Any:
    return cv2.GaussianBlur(image, (0, 0), _SPOT_MM * PX_PER_MM)


def _mean_of(image: Any, weights: Any, sigma: float) -> Any:
    """The local mean of those pixels that count."""
    below = cv2.GaussianBlur(weights, (0, 0), sigma)
    return cv2.GaussianBlur(image * weights, (0, 0), sigma) / np.maximum(below, 1e-6)


def _spread(values: Any) -> float:
    """The standard deviation by the median, so that what stands far out counts little."""
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if values.size else 0.0


def _correlation(one: Any, other: Any) -> float:
    one, other = one - one.mean(), other - other.mean()
    return float((one * other).sum() / (np.sqrt((one * one).sum() * (other * other).sum()) + 1e-9))


def _disc(radius: int) -> Any:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
