"""Does an outline fit the parts that are described with it? If not: would it upside down, or in another unit?

A zone, a hole and a stamp lie on the blade, and a ground bevel follows the edge: its border keeps about one
distance from the outline. An outline that was pasted upside down or in inches breaks that, and the one change
that mends all of it is the likely cause. Nothing is mended here; the cause is said.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon

from layout.shop.blades import Face, KeepOut
from layout.shop.measure import format_mm

#: A cause is said where it takes away so much of what does not fit (a part that is wholly off counts 1) ...
_MENDS = 0.5
#: ... and leaves at most this share of it.
_LEAVES = 0.35
#: Blades are longer than a thimble and shorter than a broom; beyond that, a unit was most likely mistaken.
LEAST_MM, MOST_MM = 15.0, 1200.0

#: Millimetres in what a drawing may have been made in, by the words for it.
UNITS: Sequence[tuple[str, float]] = (
    ("inches", 25.4),
    ("centimetres", 10.0),
    ("px (96 to the inch)", 25.4 / 96),
    ("points (72 to the inch)", 25.4 / 72),
)


@dataclass(frozen=True, slots=True)
class _Cause:
    said: str
    change: Callable[[Polygon], Polygon]


def likely_cause(face: Face) -> str | None:
    """Why the parts of a face don't fit its outline, in a sentence; None where they do, or where no single
    mistake explains it."""
    before = _misfits(face, face.silhouette)
    total = sum(before.values())
    if total < _MENDS:
        return None
    after = [
        (sum(_misfits(face, cause.change(face.silhouette)).values()), at, cause)
        for at, cause in enumerate(_causes(face))
    ]
    left, _, best = min(after, key=lambda one: one[:2])
    if total - left < _MENDS or left > _LEAVES * total:
        return None
    worst = sorted((name for name, share in before.items() if share >= 0.2), key=lambda name: -before[name])[
        :3
    ]
    miss = "misses" if len(worst) == 1 else "miss"
    return f"{_listed(worst)} {miss} the outline ({size_words(face.silhouette)}); {best.said}"


def wrong_way_round(face: Face) -> str | None:
    """That the rest of the unit lies on another side of the outline than the handle is said to point to."""
    if face.body is None or face.face == "handle":
        return None
    rest = face.body.difference(face.silhouette)
    if rest.is_empty:
        return None
    away = np.array(
        [rest.centroid.x - face.silhouette.centroid.x, rest.centroid.y - face.silhouette.centroid.y]
    )
    along = np.array([np.cos(np.radians(face.handle_deg)), np.sin(np.radians(face.handle_deg))])
    if away @ along > 0:
        return None
    there = round(float(np.degrees(np.arctan2(away[1], away[0]))) / 90) * 90 % 360
    return (
        f"handle_deg is {face.handle_deg:g}, and the rest of the unit lies on the other side: write "
        f"{there}, or turn the shapes round"
    )


def oddities(face: Face) -> list[str]:
    """What may be right and is worth a look: an edge above, a size that no blade has."""
    odd = []
    x0, y0, x1, y1 = face.silhouette.bounds
    if not LEAST_MM <= max(x1 - x0, y1 - y0) <= MOST_MM:
        odd.append(f"{size_words(face.silhouette)} is an unusual size for a blade: is its unit right?")
    for zone in face.zones:
        if far_larger(zone.polygon, face.silhouette):
            unit = unit_that_fits(zone.polygon, face.silhouette)
            odd.append(
                f"zone {zone.zone} is {size_words(zone.polygon)}, far larger than the blade "
                f"({size_words(face.silhouette)})" + (f"; {unit}: is it drawn in that?" if unit else "")
            )
    bevels = [k.polygon for k in face.keep_outs if k.reason == "ground_bevel"]
    if face.face in ("mark_side", "pile_side") and bevels:
        on_blade = shapely.union_all(bevels).intersection(face.silhouette)
        if not on_blade.is_empty and on_blade.centroid.y - (y0 + y1) / 2 > 0.2 * (y1 - y0):
            odd.append(
                "its ground bevel lies in the upper half, and y runs from edge to spine: is it upside down?"
            )
    return odd


def unit_that_fits(shape: Any, room: Any) -> str | None:
    """The unit in which a shape that is far larger than its room would fit it; None where none does."""
    size, most = _sides(shape), _sides(room)
    fitting = [
        (float((size * factor)[0]), words)
        for words, factor in UNITS
        if factor < 1 and (size * factor <= 1.15 * most).all() and (size * factor)[0] >= 0.3 * most[0]
    ]
    if not fitting:
        return None
    long, words = max(fitting)
    return f"in {words} it would be {_by(size * long / size[0])}"


def far_larger(shape: Any, room: Any) -> bool:
    """Whether a shape is so much longer or wider than its room that its size must be a mistake."""
    return bool((_sides(shape) > 1.6 * _sides(room)).any())


def size_words(shape: Any) -> str:
    """Length by height, as people write it.

    >>> size_words(shapely.box(0, 0, 201.04, 46))
    '201 x 46 mm'
    """
    x0, y0, x1, y1 = shape.bounds
    return _by([x1 - x0, y1 - y0])


def _by(sides: Any) -> str:
    return " x ".join(format_mm(round(float(s)) if s >= 100 else round(float(s), 1)) for s in sides) + " mm"


def _sides(shape: Any) -> Any:
    """The longer and the shorter side of the box around a shape."""
    x0, y0, x1, y1 = shape.bounds
    return np.array(sorted((x1 - x0, y1 - y0), reverse=True))


def _causes(face: Face) -> list[_Cause]:
    x0, y0, x1, y1 = face.silhouette.bounds
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    upside_down = (
        "it fits upside down: does its y run down, as in SVG files? Turn every y round, or bring the "
        "drawing in by `ricasso catalogue from-drawing`"
    )
    mirrored = "it fits the other way round: is it drawn from the other side?"
    causes = [
        _Cause(upside_down, lambda s: affinity.scale(s, 1, -1, origin=(0, 0))),
        _Cause(upside_down, lambda s: affinity.scale(s, 1, -1, origin=middle)),
        _Cause(mirrored, lambda s: affinity.scale(s, -1, 1, origin=(0, 0))),
        _Cause(mirrored, lambda s: affinity.scale(s, -1, 1, origin=middle)),
    ]
    for words, factor in UNITS:
        size = _by([(x1 - x0) * factor, (y1 - y0) * factor])
        said = f"in {words} it would be {size}, and they fit: is the outline drawn in {words}?"
        causes.append(_Cause(said, partial(affinity.scale, xfact=factor, yfact=factor, origin=(0, 0))))
    return causes


def _misfits(face: Face, outline: Polygon) -> dict[str, float]:
    """How little each part fits an outline: 0 as it should be, 1 wholly off it."""
    misfits = {f"zone {zone.zone}": _off(zone.polygon, outline) for zone in face.zones}
    for keep_out in face.keep_outs:
        if keep_out.reason in ("ground_bevel", "edge"):
            misfits[keep_out.keep_out] = _unevenness(keep_out, outline)
        elif keep_out.reason != "other":
            misfits[keep_out.keep_out] = _off(keep_out.polygon, outline)
    return misfits


def _off(part: Polygon, outline: Polygon) -> float:
    """The share of a part that lies off the outline, less what makers let hang over on purpose."""
    share = 1 - part.intersection(outline).area / part.area
    return float(max(0.0, (share - 0.4) / 0.6))


def _unevenness(keep_out: KeepOut, outline: Polygon) -> float:
    """How far a bevel is from a strip of one width along the outline."""
    border = shapely.intersection(keep_out.polygon.boundary, outline)
    strip = max(_sides(keep_out.polygon.intersection(outline))) if not border.is_empty else 0.0
    if border.is_empty or border.length < 0.3 * max(_sides(keep_out.polygon)):
        return 1.0
    parts = [line for line in shapely.get_parts(border) if line.length > 0]
    steps = [np.linspace(0, line.length, 2 + int(200 * line.length / border.length)) for line in parts]
    points = np.concatenate([shapely.line_interpolate_point(p, s) for p, s in zip(parts, steps, strict=True)])
    low, middle, high = np.quantile(shapely.distance(points, outline.boundary), (0.2, 0.5, 0.8))
    if middle > 0.3 * strip:
        return 1.0
    return float(np.clip(((high - low) / max(middle, 0.1) - 0.4) / 0.8, 0.0, 1.0))


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
