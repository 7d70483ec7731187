"""Units of length that drawings are made in, in millimetres."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, get_args

from layout.drawing.strokes import DrawingRefused
from layout.shop.measure import format_mm

Unit = Literal["mm", "cm", "m", "in", "ft", "pt", "pc", "px"]
UNITS: tuple[Unit, ...] = get_args(Unit)

#: Dots per inch that make a px where a drawing's px are CSS's (CSS Values and Units 3, absolute lengths).
CSS_DPI = 96.0

_MM: Mapping[str, float] = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "q": 0.25,
    "in": 25.4,
    "ft": 304.8,
    "pt": 25.4 / 72,
    "pc": 25.4 / 6,
}


def mm_per(unit: str, dpi: float = CSS_DPI) -> float:
    """Millimetres in one unit. Raises KeyError for a unit that is none."""
    return 25.4 / dpi if unit == "px" else _MM[unit.lower()]


class UnitNeeded(DrawingRefused):
    """The drawing states no unit, so that its size can't be known; `width` and `height` are its own
    numbers."""

    def __init__(self, why: str, width: float, height: float) -> None:
        self.why = why
        self.sizes = {unit: _size(width, height, mm_per(unit)) for unit in ("mm", "in", "pt", "px")}
        told = ", ".join(
            f"{'px at 96 to the inch' if unit == 'px' else unit}: {size}" for unit, size in self.sizes.items()
        )
        super().__init__(
            f"{why}, so its size can't be known; read as {told}. Say --unit mm, in, pt ..., or --unit px "
            "with --dpi"
        )


def _size(width: float, height: float, factor: float) -> str:
    return f"{format_mm(round(width * factor, 1))} x {format_mm(round(height * factor, 1))} mm"
