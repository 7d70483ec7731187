"""What was traced on a photo, as its page sends it, and the drawing that becomes of it: an SVG in
millimetres, which goes the way of every drawing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from layout.drawing.photo import (
    BY_HAND_DEG,
    PHONE_LENS,
    Flat,
    Honest,
    KnownDistance,
    TracedShape,
    flat_by_ruler,
    flat_from,
    honest,
    honest_by_ruler,
    off_when_aslant,
    rectangle,
    shrink,
    strokes_of,
)
from layout.drawing.strokes import DrawingRefused, Stroke
from layout.shop.measure import format_mm

Part = Literal["outline", "handle", "hole", "bevel", "edge", "stamp", "hollow", "zone", "baseline"]
Dots = Annotated[float, Field(ge=-20_000, le=40_000)]
Place = tuple[Dots, Dots]
Side = Annotated[float, Field(ge=1, le=40_000)]
#: Lengths of what lies on a table.
Length = Annotated[float, Field(gt=0, le=5000)]
MOST_SHAPES, MOST_POINTS, MOST_KNOWN = 60, 600, 20
#: Lines of the paper that are shown on the photo, to see whether the rectangle was met.
_GRID_LINES = 10
#: What is said of a camera that looked aslant.
_TILTS_DEG = (1.0, 2.0, 5.0, 10.0)


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class SentShape(_Sent):
    part: Part
    smooth: bool = False
    points: Annotated[tuple[Place, ...], Field(max_length=MOST_POINTS)]


class SentDistance(_Sent):
    begin: Place
    end: Place
    mm: Length


class Trace(_Sent):
    """Corners of a rectangle of known size, or two points of a ruler; known distances, shapes; all places in
    the picture's dots, y down. `picture` is its width and height. `above_mm` is how high the blade's surface
    lies above the paper, `camera_mm` how far the camera was."""

    corners: tuple[Place, Place, Place, Place] | None = None
    width_mm: Length = 210.0
    height_mm: Length = 297.0
    ruler: SentDistance | None = None
    picture: tuple[Side, Side] | None = None
    above_mm: Annotated[float, Field(ge=0, le=500)] = 0.0
    camera_mm: Annotated[float, Field(gt=0, le=10_000)] | None = None
    dot_px: Annotated[float, Field(gt=0, le=100)] = 1.0
    known: Annotated[tuple[SentDistance, ...], Field(max_length=MOST_KNOWN)] = ()
    shapes: Annotated[tuple[SentShape, ...], Field(max_length=MOST_SHAPES)] = ()

    @model_validator(mode="after")
    def _scaled(self) -> Trace:
        if (self.corners is None) == (self.ruler is None):
            raise ValueError("the scale comes from four corners or from a ruler")
        if self.ruler is not None and self.picture is None:
            raise ValueError("with a ruler the picture's size is wanted")
        return self


class Aslant(_Sent):
    """By how much (mm) a length is off at worst where the camera looked aslant by so many degrees."""

    tilt_deg: float
    off_mm: float


class Scale(_Sent):
    """What the page shows of the scale: lines of the paper as the photo has them (each a row of places; of a
    ruler its marks), the known distances as they were measured (mm), and how far off the traced points may be
    (mm). `aslant`, with a ruler alone: what is not put right. `about_mm` counts a camera held by hand in."""

    grid: tuple[tuple[Place, ...], ...]
    step_mm: float
    off_mm: tuple[float, ...]
    click_mm: float
    about_mm: float
    dot_mm: float
    aslant: tuple[Aslant, ...] = ()


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
    step, lines = _grid(flat, trace) if trace.corners else _marks(flat, trace)
    return Scale(
        grid=lines,
        step_mm=step,
        off_mm=tuple(round(off, 2) for off in said.off_mm),
        click_mm=round(said.click_mm, 2),
        about_mm=round(_about_mm(trace, said), 2),
        dot_mm=round(said.dot_mm, 3),
        aslant=tuple(
            Aslant(tilt_deg=tilt, off_mm=round(_off_when_aslant(trace, tilt), 2)) for tilt in _TILTS_DEG
        )
        if trace.ruler
        else (),
    )


def drawing_of(trace: Trace) -> tuple[bytes, float]:
    """The drawing as SVG, its parts named as `from-drawing` knows them, and how far off it may be (mm).
    Raises DrawingRefused."""
    if not any(shape.part == "outline" for shape in trace.shapes):
        raise DrawingRefused("trace the outline first")
    strokes = strokes_of(_flat(trace), _shapes(trace), shrunk=_shrunk(trace))
    return _svg(strokes).encode(), _about_mm(trace, _honest(trace))


def _flat(trace: Trace) -> Flat:
    if trace.ruler is not None:
        return flat_by_ruler(_known(trace.ruler))
    return flat_from(trace.corners or (), _corners_mm(trace))


def _corners_mm(trace: Trace) -> list[tuple[float, float]]:
    return rectangle(trace.corners or (), trace.width_mm, trace.height_mm)


def _known(sent: SentDistance) -> KnownDistance:
    return KnownDistance(sent.begin, sent.end, sent.mm)


def _honest(trace: Trace) -> Honest:
    known = [_known(sent) for sent in trace.known]
    if trace.ruler is not None:
        return honest_by_ruler(_known(trace.ruler), _traced(trace), known, click_px=trace.dot_px)
    return honest(trace.corners or (), _corners_mm(trace), _traced(trace), known, click_px=trace.dot_px)


def _traced(trace: Trace) -> Sequence[Place]:
    """What was traced, or what the scale comes from while nothing was."""
    ends = (trace.ruler.begin, trace.ruler.end) if trace.ruler else trace.corners or ()
    return [point for shape in trace.shapes for point in shape.points] or ends


def _about_mm(trace: Trace, said: Honest) -> float:
    if trace.ruler is None:
        return said.about_mm
    return max(said.click_mm + _off_when_aslant(trace, BY_HAND_DEG), *map(abs, said.off_mm), 0.0)


def _off_when_aslant(trace: Trace, tilt_deg: float) -> float:
    """With a ruler alone: the camera's distance says how steep its view is; otherwise a phone's lens is taken
    for granted."""
    ruler, picture = trace.ruler, trace.picture
    assert ruler is not None and picture is not None
    focal = PHONE_LENS * max(picture)
    if trace.camera_mm is not None:
        focal = trace.camera_mm * max(math.dist(ruler.begin, ruler.end), 1.0) / ruler.mm
    return off_when_aslant(
        _known(ruler),
        _traced(trace),
        tilt_deg=tilt_deg,
        middle_px=(picture[0] / 2, picture[1] / 2),
        focal_px=focal,
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
    step = _round_step(max(width, height))
    up = _corners_mm(trace)[2][1]
    across = [[(x, 0.0), (x, up)] for x in np.arange(0, width + 1e-6, step)]
    along = [[(0.0, y), (width, y)] for y in np.sign(up) * np.arange(0, height + 1e-6, step)]
    lines = [flat.to_px(line).round(2).tolist() for line in (*across, *along)]
    return float(step), tuple(tuple((x, y) for x, y in line) for line in lines)


def _marks(flat: Flat, trace: Trace) -> tuple[float, tuple[tuple[Place, ...], ...]]:
    """The ruler with a mark across it at every round distance: where they leave its own marks, the camera
    looked aslant."""
    ruler = trace.ruler
    assert ruler is not None
    step = _round_step(ruler.mm)
    begin, end = flat.to_mm([ruler.begin, ruler.end])
    along = (end - begin) / ruler.mm
    across = np.array([-along[1], along[0]]) * step / 4
    places = [begin + along * at for at in np.arange(0, ruler.mm + 1e-6, step)]
    lines = [[begin, end], *([place - across, place + across] for place in places)]
    shown = [flat.to_px(np.array(line)).round(2).tolist() for line in lines]
    return float(step), tuple(tuple((x, y) for x, y in line) for line in shown)


def _round_step(longest: float) -> float:
    return next((s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500) if longest / s <= _GRID_LINES), 1000)


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
