"""A photo as the bench's tablet might take one: the mark on brushed steel, a little aslant, in uneven light.

It is drawn, for the demo has no laser. The tests' photos, with everything that goes wrong, are
`tests/references/photos.py`.
"""

from __future__ import annotations

import io
import random
from collections.abc import Sequence
from typing import Any

from PIL import Image, ImageChops, ImageDraw, ImageFilter

_PX_PER_MM, _ROOM_MM = 18, 6
#: Outlines in an export are whole ten-thousandths of a millimetre.
_STEPS_PER_MM = 10_000
_STEEL, _MARK = 176, 70
_SEED = 20
#: A homography by its eight numbers: seen a little from the side, and not quite straight.
_SEEN_ASLANT = (0.96, 0.03, 8, -0.01, 0.96, 10, 3e-5, 2e-5)


def photo(outline: dict[str, Any], *, left_out: int | None = None) -> bytes:
    """A JPEG of an outline as an export has it; `left_out`: an area that was not burned."""
    areas = [area for place, area in enumerate(outline["areas"]) if place != left_out]
    points = [point for area in outline["areas"] for point in area[0]]
    x0, x1 = min(x for x, _ in points), max(x for x, _ in points)
    y0, y1 = min(y for _, y in points), max(y for _, y in points)
    width = round(((x1 - x0) / _STEPS_PER_MM + 2 * _ROOM_MM) * _PX_PER_MM)
    height = round(((y1 - y0) / _STEPS_PER_MM + 2 * _ROOM_MM) * _PX_PER_MM)

    def at(ring: Sequence[Sequence[int]]) -> list[tuple[float, float]]:
        scale = _PX_PER_MM / _STEPS_PER_MM
        room = _ROOM_MM * _PX_PER_MM
        return [((x - x0) * scale + room, (y1 - y) * scale + room) for x, y in ring]

    burned = Image.new("L", (width, height))
    pen = ImageDraw.Draw(burned)
    for shell, *holes in areas:
        pen.polygon(at(shell), fill=255)
        for hole in holes:
            pen.polygon(at(hole), fill=0)
    steel = _brushed(width, height)
    steel.paste(_MARK, mask=burned.filter(ImageFilter.GaussianBlur(0.8)))
    light = Image.radial_gradient("L").resize((width, height)).point(lambda value: 255 - value // 4)
    lit = ImageChops.multiply(steel, light)
    aslant = lit.transform(
        (width, height), Image.Transform.PERSPECTIVE, _SEEN_ASLANT, Image.Resampling.BICUBIC
    )
    file = io.BytesIO()
    aslant.filter(ImageFilter.GaussianBlur(0.6)).convert("RGB").save(file, "JPEG", quality=88)
    return file.getvalue()


def _brushed(width: int, height: int) -> Image.Image:
    """Grey with lines along it."""
    dice = random.Random(_SEED)
    lines = Image.new("L", (1, height))
    lines.putdata([_STEEL + dice.randint(-6, 6) for _ in range(height)])
    return lines.resize((width, height))
