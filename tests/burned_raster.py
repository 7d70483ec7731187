"""What a file burns, drawn dot by dot at 8 pixels to the line's width, and what of a drawing is wrong in it.

Independent of `layout.check` and of the shapes of `layout.burn.as_burned`: it sees the paths that the file
holds (rows, edge lines, centre lines) and the drawing, measures with SciPy's distance transform, and knows
nothing of how either was made. Every pixel's distance is that to the nearest point of a path, not to a pixel
of it; parts that come together must still do so when the line is two pixels narrower, for that is how far
pixels round.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from PIL import Image, ImageDraw
from scipy import ndimage

from layout.burn.turn import centre_pieces_of, pieces_of
from layout.shop.outline import Outline
from layout.shop.stations import Process

PIXELS = 8  # to the line's width
#: A part is lost when a pixel of it lies farther than so many lines from everything burned; an opening is one
#: when a disc of so many lines goes in, or of `flaw_mm` where that is wider.
LOST_LINES, OPENING_LINES = 1.0, 0.5
#: Bridged is an opening that was as wide outside and encloses so many lines now.
_ENCLOSED_LINES = 1.5

Flaw = Literal["lost", "closed", "joined", "bridged"]


def flaw_burned(outline: Outline, process: Process, *, flaw_mm: float = 0.0) -> Flaw | None:
    """What is wrong with an outline as a process burns it; None where nothing is."""
    if outline.is_empty:
        return None
    raster = _raster_of(outline, process.line_width_mm)
    paths: list[Any] = []
    for piece in [*pieces_of(outline, process, as_rows=True), *centre_pieces_of(outline, process)]:
        paths += [raster.at(row) for row in piece.rows] + [raster.at(line) for line in piece.lines]
    away = _distance_to(paths, raster.size)
    opening = max(flaw_mm * raster.scale, OPENING_LINES * PIXELS)
    return _vanished(raster.drawn, away <= PIXELS / 2, opening) or _came_together(
        outline, raster, away <= PIXELS / 2 - 1, opening
    )


@dataclass(frozen=True, slots=True)
class _Raster:
    """The drawing: `owner` holds 1, 2, ... for the outline's areas in turn, 0 where none is."""

    owner: Any
    scale: float  # pixels to the millimetre
    corner: tuple[float, float]

    @property
    def drawn(self) -> Any:
        return self.owner > 0

    @property
    def size(self) -> tuple[int, int]:
        height, width = self.owner.shape
        return width, height

    def at(self, points: Any) -> Any:
        return (np.asarray(points)[:, :2] - np.asarray(self.corner)) * self.scale


def _raster_of(outline: Outline, line_width_mm: float) -> _Raster:
    scale, pad = PIXELS / line_width_mm, 3 * line_width_mm
    x0, y0, x1, y1 = outline.bounds_mm
    size = math.ceil((x1 - x0 + 2 * pad) * scale), math.ceil((y1 - y0 + 2 * pad) * scale)
    raster = _Raster(np.zeros(size[::-1]), scale, (x0 - pad, y0 - pad))
    image = Image.new("I", size)
    pen = ImageDraw.Draw(image)
    # What lies in another area's hole is drawn after that.
    for number in sorted(
        range(len(outline.areas)), key=lambda n: -shapely.Polygon(outline.areas[n].exterior).area
    ):
        area = outline.areas[number]
        for ring, ink in [(area.exterior, number + 1), *((hole, 0) for hole in area.interiors)]:
            pen.polygon([tuple(p) for p in raster.at(ring.coords).tolist()], fill=ink, outline=number + 1)
    return _Raster(np.array(image), scale, raster.corner)


def _distance_to(paths: Sequence[Any], size: tuple[int, int]) -> Any:
    """How far (pixels) each pixel's middle lies from the nearest path, never less than it is."""
    steps = [
        shapely.get_coordinates(shapely.segmentize(shapely.linestrings(p), 0.5)) for p in paths if len(p) > 1
    ]
    if not steps:
        return np.full(size[::-1], np.inf)
    points = np.concatenate(steps)
    column, row = np.floor(points).astype(int).T
    empty = np.ones(size[::-1], dtype=bool)
    empty[row, column] = False
    exact = np.zeros((*size[::-1], 2))
    exact[row, column] = points
    nearest = ndimage.distance_transform_edt(empty, return_distances=False, return_indices=True)
    rows, columns = np.indices(size[::-1])
    there = exact[nearest[0], nearest[1]]
    return np.hypot(there[..., 0] - columns - 0.5, there[..., 1] - rows - 0.5)


def _vanished(drawn: Any, burned: Any, opening: float) -> Flaw | None:
    """A part of the drawing far from everything burned, or a counter of which nothing stays open."""
    if (drawn & (ndimage.distance_transform_edt(~burned) > LOST_LINES * PIXELS)).any():
        return "lost"
    background, count = ndimage.label(~drawn)
    deep = ndimage.distance_transform_edt(~drawn)
    for label in range(1, count + 1):
        part = background == label
        if _touches_edge(part) or 2 * deep[part].max() < opening:
            continue
        if not (part & ~burned).any():
            return "closed"
    return None


def _came_together(outline: Outline, raster: _Raster, burned: Any, opening: float) -> Flaw | None:
    """Areas of the drawing that are joined, or an opening that is shut off from outside.

    Which areas there are, and how far apart, is the drawing's own business and no question of pixels: a
    hairline narrower than a pixel is still one area.
    """
    together, _ = ndimage.label(burned, np.ones((3, 3)))
    areas = np.array(outline.areas, dtype=object)
    for number in range(len(areas)):
        others = np.delete(areas, number)
        if not len(others) or shapely.distance(areas[number], others).min() * raster.scale < opening:
            continue
        mine = raster.owner == number + 1
        if set(together[mine & burned].tolist()) & set(together[raster.drawn & ~mine & burned].tolist()):
            return "joined"
    background, _ = ndimage.label(~raster.drawn)
    enclosed, count = ndimage.label(~burned)
    deep = ndimage.distance_transform_edt(~burned)
    for label in range(1, count + 1):
        part = enclosed == label
        # An opening that led outside, wider than a line and a half inside, is shut off now.
        if (
            not _touches_edge(part)
            and 2 * deep[part].max() > _ENCLOSED_LINES * PIXELS
            and (background[part] == background[0, 0]).any()
        ):
            narrowed, _ = ndimage.label(ndimage.distance_transform_edt(~raster.drawn) > opening / 2)
            seed = np.unravel_index(np.argmax(np.where(part, deep, 0)), part.shape)
            if narrowed[seed] == narrowed[0, 0]:
                return "bridged"
    return None


def _touches_edge(part: Any) -> bool:
    return bool(part[0].any() or part[-1].any() or part[:, 0].any() or part[:, -1].any())
