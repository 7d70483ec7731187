"""A maker's drawing as a mark of the library: what of it is inked, at its size, as the SVG of filled paths
that the library takes, with its finest features measured.

Nothing is written to disk here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import shapely
from shapely import affinity
from shapely.geometry import MultiPolygon

from layout.drawing.strokes import Drawing, DrawingRefused, Paint, Stroke
from layout.marks.artwork import ArtworkRefused, read_artwork
from layout.marks.frames import initials_box
from layout.marks.inked import finest_mm, inked
from layout.shop.measure import format_mm
from layout.shop.outline import Outline
from layout.shop.svg_text import Box, area_data
from service.drawings.read import read_drawing
from service.drawings.units import CSS_DPI, Unit, UnitNeeded

#: A mark's outline is written to this accuracy.
_WRITTEN_MM = 0.0005


@dataclass(frozen=True, slots=True)
class Wanted:
    """How a drawing shall be read. `width_mm` scales it to that width. Of a drawing that says nothing of ink
    (DXF) closed lines are filled by the even-odd rule, or drawn too where `as_lines`; lines are `line_mm`
    wide."""

    width_mm: float | None = None
    unit: Unit | None = None
    dpi: float = CSS_DPI
    line_mm: float | None = None
    as_lines: bool = False


@dataclass(frozen=True, slots=True)
class TakenMark:
    """A mark at its natural size: its file's text, its thinnest stroke and its narrowest gap (mm)."""

    svg: str
    outline: Outline
    stroke_mm: float
    gap_mm: float
    notes: tuple[str, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        x0, y0, x1, y1 = self.outline.bounds_mm
        return x1 - x0, y1 - y0


def take(data: bytes, wanted: Wanted) -> TakenMark:
    """Read a drawing, DXF or SVG. Raises DrawingRefused for what can be no mark, with what would help."""
    drawing = _read(data, wanted)
    strokes, notes = _painted(drawing, wanted)
    region = inked(strokes)
    x0, y0, x1, _ = region.bounds
    scale = 1.0 if wanted.width_mm is None else wanted.width_mm / (x1 - x0)
    region = affinity.scale(affinity.translate(region, -x0, -y0), scale, scale, origin=(0, 0))
    region = shapely.simplify(region, _WRITTEN_MM)
    svg = _svg(region)
    try:
        outline = read_artwork(svg.encode())
    except ArtworkRefused as error:
        raise DrawingRefused(f"the drawing can be no mark: {error}") from error
    stroke, gap = finest_mm(MultiPolygon(outline.areas))
    return TakenMark(
        svg=svg,
        outline=outline,
        stroke_mm=stroke,
        gap_mm=gap,
        notes=(*drawing.notes, *notes),
    )


def box_of(taken: TakenMark, asked: Box | None = None) -> Box:
    """Where a frame's initials go (x and y of two corners, mm, y up): as asked for, or the largest box that
    the frame leaves free. Raises DrawingRefused where there is no such place."""
    width, height = taken.size_mm
    if asked is None:
        asked = initials_box(MultiPolygon(taken.outline.areas))
        if asked is None:
            raise DrawingRefused(
                "this frame leaves no room for initials: say where they go, x and y of two corners"
            )
    x0, y0, x1, y1 = asked
    if not (0 <= x0 < x1 <= width + _WRITTEN_MM and 0 <= y0 < y1 <= height + _WRITTEN_MM):
        raise DrawingRefused(
            f"the box for initials lies inside the frame: x from 0 to {width:.2f}, y from 0 (below) to "
            f"{height:.2f} mm, the lower left corner first"
        )
    return asked


def _read(data: bytes, wanted: Wanted) -> Drawing:
    try:
        return read_drawing(data, unit=wanted.unit, dpi=wanted.dpi)
    except UnitNeeded:
        if wanted.width_mm is None:
            raise
        # The width says the scale: it does not matter in which unit the drawing is.
        return read_drawing(data, unit="mm", dpi=wanted.dpi)


def _painted(drawing: Drawing, wanted: Wanted) -> tuple[list[Stroke], list[str]]:
    """Every line with its ink, and what a person should know of it."""
    painted = [stroke for stroke in drawing.strokes if stroke.paint is not None]
    plain = [stroke for stroke in drawing.strokes if stroke.paint is None]
    notes = []
    if any(stroke.paint and "light" in (stroke.paint.fill, stroke.paint.line) for stroke in painted):
        notes.append("what is white takes away what lies under it")
    if not plain:
        return painted, notes
    filled = [] if wanted.as_lines else [stroke for stroke in plain if stroke.closed]
    lines = [stroke for stroke in plain if stroke not in filled]
    if lines and wanted.line_mm is None:
        raise DrawingRefused(
            f"{len(lines)} lines are open, such as {lines[0].entity}: say how wide they are, or close them "
            "to have them filled"
        )
    fill = Paint(fill="dark", rule="evenodd")
    line = Paint(fill=None, line="dark", width_mm=wanted.line_mm or 0.0, cap="round", join="round")
    if filled:
        notes.append(f"{len(filled)} closed lines are filled, and what lies inside of two of them is not")
    if lines:
        notes.append(f"{len(lines)} lines are {wanted.line_mm:g} mm wide, with round ends")
    return [
        *painted,
        *(replace(stroke, paint=fill) for stroke in filled),
        *(replace(stroke, paint=line) for stroke in lines),
    ], notes


def _svg(region: MultiPolygon) -> str:
    """The region as the library's own kind of SVG: filled paths in mm, and nothing else."""
    parts = [part for part in shapely.get_parts(shapely.orient_polygons(region)) if not part.is_empty]
    _, _, width, height = region.bounds
    box = (0.0, 0.0, width, height)
    paths = "".join(f'\n  <path d="{area_data(part, box)}"/>' for part in parts)
    size = f"{format_mm(width)}mm", f"{format_mm(height)}mm"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size[0]}" height="{size[1]}" '
        f'viewBox="0 0 {format_mm(width)} {format_mm(height)}">{paths}\n</svg>\n'
    )
