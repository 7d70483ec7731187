"""What a drawing covers with ink: fills, and strokes turned into areas by their width, caps and joins, in the
order in which they are painted; white takes away what lies under it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Any

import shapely
from shapely.geometry import LinearRing, MultiPolygon, Polygon

from layout.drawing.strokes import DrawingRefused, Paint, Stroke, line_of
from layout.lettering.glyphs import TooComplex, limit_crossings, merged
from layout.marks.features import narrowest_counter, thinnest_stroke

#: Distance between the round of a cap or join and the chords that stand for it.
_ROUND_MM = 0.0005
_CAPS = {"butt": "flat", "round": "round", "square": "square"}
_JOINS = {"miter": "mitre", "round": "round", "bevel": "bevel"}


def inked(strokes: Sequence[Stroke]) -> MultiPolygon:
    """The region (mm) that the shapes cover; every line must say how it is inked. Raises DrawingRefused for
    shapes that leave nothing, or that are too tangled."""
    region: Any = MultiPolygon()
    for _, lines in groupby(strokes, key=lambda stroke: id(stroke.paint)):
        shape = list(lines)
        paint = shape[0].paint
        assert paint is not None, "what is inked says how"
        for ink, area in ((paint.fill, _filled), (paint.line, _stroked)):
            if ink is not None:
                try:
                    painted = area(shape, paint)
                except TooComplex as error:
                    raise DrawingRefused(f"{shape[0].entity} is too complex: {error}") from error
                region = region.union(painted) if ink == "dark" else region.difference(painted)
    parts = [
        part
        for part in shapely.get_parts(shapely.make_valid(region))
        if isinstance(part, Polygon) and part.area > 0
    ]
    if not parts:
        raise DrawingRefused(
            "nothing of the drawing is inked: it has neither a fill nor a stroke with a width"
        )
    return MultiPolygon(parts)


def finest_mm(region: MultiPolygon) -> tuple[float, float]:
    """The thinnest stroke, and the narrowest gap in or between the parts of a region (mm): by one measure,
    for a gap is a stroke of what is left free. A hole counts by the largest disc in it as well: a small round
    one is no stroke. Wider than the mark itself: it has no gap."""
    x0, y0, x1, y1 = region.bounds
    wide = max(x1 - x0, y1 - y0)
    free = shapely.box(x0 - wide, y0 - wide, x1 + wide, y1 + wide).difference(region)
    # A solid mark is as thick as it is wide: the search ends beyond that.
    least, most = wide / 2000, 1.05 * wide

    # Part by part: what a disc does not get into is told by how far the next place is where it does, and that
    # may be a part on the other side of a thin line.
    def thinnest(shape: Any) -> float:
        return min(thinnest_stroke(part, least=least, most=most) for part in shapely.get_parts(shape))

    return thinnest(region), min(thinnest(free), narrowest_counter(region) or most)


def _filled(shape: Iterable[Stroke], paint: Paint) -> Any:
    """The inside of all lines of a shape, which are closed for it where they are open."""
    rings = [stroke.points for stroke in shape if len(stroke.points) > 2]
    if paint.rule == "evenodd":
        area: Any = MultiPolygon()
        for ring in rings:
            area = area.symmetric_difference(shapely.make_valid(Polygon(ring)))
        return area
    limit_crossings(rings)
    return shapely.union_all(merged(rings))


def _stroked(shape: Iterable[Stroke], paint: Paint) -> Any:
    """Lines as wide as they are painted."""
    half = paint.width_mm / 2
    segments = max(
        4, min(64, math.ceil(math.pi / 4 / math.acos(max(0.0, 1 - _ROUND_MM / max(half, _ROUND_MM)))))
    )
    lines = [LinearRing(s.points) if s.closed and len(s.points) > 2 else line_of(s) for s in shape]
    return shapely.union_all(
        [
            line.buffer(
                half,
                quad_segs=segments,
                cap_style=_CAPS[paint.cap],
                join_style=_JOINS[paint.join],
                mitre_limit=paint.miter_limit,
            )
            for line in lines
        ]
    )
