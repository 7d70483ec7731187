"""What was traced on a photo, as its page sends it, and the drawing that becomes of it: an SVG in
millimetres, which goes the way of every drawing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from layout.drawing.photo import (
    Flat,
    Honest,
    KnownDistance,
    TracedShape,
    flat_from,
    honest,
    rectangle,
    shrink,
    strokes_of,
)
from layout.drawing.strokes import DrawingRefused, Stroke
from layout.shop.measure import format_mm

Part = Literal["outline", "handle", "hole", "bevel", "edge", "stamp", "hollow", "zone", "baseline"]
Dots = Annotated[float, Field(ge=-20_000, le=40_000)]
Place = tuple[Dots, Dots]
#: Lengths of what lies on a table.
Length = Annotated[float, Field(gt=0, le=5000)]
MOST_SHAPES, MOST_POINTS, MOST_KNOWN = 60, 600, 20
#: Lines of the paper that are shown on the photo, to see whether the rectangle was met.
_GRID_LINES = 10


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SentShape(_Sent):
    part: Part
    smooth: bool = False
    points: Annotated[tuple[Place, ...], Field(max_length=MOST_POINTS)]


class SentDistance(_Sent):
    begin: Place
    end: Place
    mm: Length


class Trace(_Sent):
    """Corners of a rectangle of known size, known distances, shapes; all places in the picture's dots, y
    down. `above_mm` is how high the blade's surface lies above the paper, `camera_mm` how far the camera
    was."""

    corners: tuple[Place, Place, Place, Place]
    width_mm: Length
    height_mm: Length
    above_mm: Annotated[float, Field(ge=0, le=500)] = 0.0
    camera_mm: Annotated[float, Field(gt=0, le=10_000)] | None = None
    dot_px: Annotated[float, Field(gt=0, le=100)] = 1.0
    known: Annotated[tuple[SentDistance, ...], Field(max_length=MOST_KNOWN)] = ()
    shapes: Annotated[tuple[SentShape, ...], Field(max_length=MOST_SHAPES)] = ()


class Scale(_Sent):
    """What the page shows of the scale: lines of the paper as the photo has them (each a row of places), the
    known distances as they were measured (mm), and how far off the traced points may be (mm)."""

    grid: tuple[tuple[Place, ...], ...]
    step_mm: float
    off_mm: tuple[float, ...]
    click_mm: float
    about_mm: float
    dot_mm: float


def trace_in(text: str) -> Trace:
    """Raises DrawingRefused."""
    try:
        return Trace.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise DrawingRefused(f"what was traced can't be used: {where}: {first['msg']}") from error


def scale_of(trace: Trace) -> Scale:
    """Raises DrawingRefused."""
    flat = _flat(trace)
    said = _honest(trace)
    step, lines = _grid(flat, trace)
    return Scale(
        grid=lines,
        step_mm=step,
        off_mm=tuple(round(off, 2) for off in said.off_mm),
        click_mm=round(said.click_mm, 2),
        about_mm=round(said.about_mm, 2),
        dot_mm=round(said.dot_mm, 3),
    )


def drawing_of(trace: Trace) -> tuple[bytes, Honest]:
    """The drawing as SVG, its parts named as `from-drawing` knows them, and how far off it may be. Raises
    DrawingRefused."""
    if not any(shape.part == "outline" for shape in trace.shapes):
        raise DrawingRefused("trace the outline first")
    strokes = strokes_of(_flat(trace), _shapes(trace), shrunk=_shrunk(trace))
    return _svg(strokes).encode(), _honest(trace)


def _flat(trace: Trace) -> Flat:
    return flat_from(trace.corners, rectangle(trace.corners, trace.width_mm, trace.height_mm))


def _honest(trace: Trace) -> Honest:
    return honest(
        trace.corners,
        rectangle(trace.corners, trace.width_mm, trace.height_mm),
        [point for shape in trace.shapes for point in shape.points] or trace.corners,
        [KnownDistance(k.begin, k.end, k.mm) for k in trace.known],
        click_px=trace.dot_px,
    )


def _shrunk(trace: Trace) -> float:
    return 1.0 if trace.camera_mm is None else shrink(trace.above_mm, trace.camera_mm)


def _shapes(trace: Trace) -> list[TracedShape]:
    return [
        TracedShape(shape.part, shape.points, shape.part != "baseline", shape.smooth)
        for shape in trace.shapes
    ]


def _grid(flat: Flat, trace: Trace) -> tuple[float, tuple[tuple[Place, ...], ...]]:
    """Lines over the rectangle at round distances, as the photo shows them."""
    width, height = trace.width_mm, trace.height_mm
    longest = max(width, height)
    step = next((s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500) if longest / s <= _GRID_LINES), 1000)
    up = rectangle(trace.corners, width, height)[2][1]
    across = [[(x, 0.0), (x, up)] for x in np.arange(0, width + 1e-6, step)]
    along = [[(0.0, y), (width, y)] for y in np.sign(up) * np.arange(0, height + 1e-6, step)]
    lines = [flat.to_px(line).round(2).tolist() for line in (*across, *along)]
    return float(step), tuple(tuple((x, y) for x, y in line) for line in lines)


def _svg(strokes: Sequence[Stroke]) -> str:
    points = np.concatenate([stroke.points for stroke in strokes])
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    width, height = (format_mm(math.ceil(float(side)) + 2.0) for side in (x1 - x0, y1 - y0))
    count: dict[str, int] = {}
    rows = []
    for stroke in strokes:
        part = stroke.names[0]
        count[part] = count.get(part, 0) + 1
        name = part if count[part] == 1 else f"{part}-{count[part]}"
        places = " L ".join(
            f"{format_mm(float(x - x0 + 1))} {format_mm(float(y1 - y + 1))}" for x, y in stroke.points
        )
        rows.append(f'<path id="{name}" d="M {places}{" Z" if stroke.closed else ""}"/>')
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="0 0 {width} {height}" fill="none" stroke="black" stroke-width="0.2">\n'
        + "\n".join(rows)
        + "\n</svg>\n"
    )
