"""What the shop's charts are drawn with: svgwrite in plain units, y down, with large letters and hatches.

A chart is as wide as a landscape A4 page between its margins, so that it prints as it is; on a screen it is
scaled as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from layout.pictures.sheet import FAINT, INK, PAPER
from layout.shop.measure import format_mm

#: Units across; the smallest letters are SMALL units, which on paper are 4.5 mm high.
WIDTH = 1600.0
LARGE, MEDIUM, SMALL = 46.0, 32.0, 26.0
_PAPER_MM = 277.0
_FAMILY = "'Atkinson Hyperlegible', 'DejaVu Sans', Verdana, sans-serif"
#: How wide a letter of such faces is on average, as a part of its size, in regular and in bold.
_LETTER, _BOLD_LETTER = 0.6, 0.7


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture being drawn. `name` begins the ids in it: two charts may stand on one page."""

    drawing: Any
    name: str
    height: float

    def text(self, words: str, x: float, y: float, size: float, *, into: Any = None, **style: Any) -> None:
        """Words with their baseline at (x, y)."""
        given: dict[str, Any] = {"fill": INK, **style}
        (into or self.drawing).add(
            self.drawing.text(
                words, insert=_at(x, y), font_size=format_mm(size), font_family=_FAMILY, **given
            )
        )

    def box(self, x0: float, y0: float, x1: float, y1: float, *, into: Any = None, **style: Any) -> None:
        """A rectangle between two corners."""
        size = (format_mm(max(0.0, x1 - x0)), format_mm(max(0.0, y1 - y0)))
        (into or self.drawing).add(self.drawing.rect(_at(x0, y0), size, **style))

    def line(self, x0: float, y0: float, x1: float, y1: float, **style: Any) -> None:
        given: dict[str, Any] = {"stroke": FAINT, "stroke_width": 1.5, **style}
        self.drawing.add(self.drawing.line(_at(x0, y0), _at(x1, y1), **given))

    def hatch(
        self, name: str, *, ground: str, ink: str, angle_deg: float, distance: float, width: float
    ) -> str:
        """Define a fill of parallel lines; returns the value for a shape's `fill`."""
        step = format_mm(distance)
        pattern = self.drawing.pattern(
            (0, 0),
            (step, step),
            id=f"{self.name}-{name}",
            patternUnits="userSpaceOnUse",
            patternTransform=f"rotate({format_mm(angle_deg)})",
        )
        pattern.add(self.drawing.rect((0, 0), (step, step), fill=ground))
        pattern.add(self.drawing.rect((0, 0), (format_mm(width), step), fill=ink))
        self.drawing.defs.add(pattern)
        return f"url(#{self.name}-{name})"

    def group(self, title: str, href: str | None = None, *, dy: float = 0.0) -> Any:
        """A part of the picture with a title shown under a resting pointer; a link where `href` is given."""
        if href is None:
            part = self.drawing.g()
        else:
            part = self.drawing.a(href, target="_self")
            part["aria-label"] = title
        part.set_desc(title=title)
        if dy:
            part["transform"] = f"translate(0 {format_mm(dy)})"
        self.drawing.add(part)
        return part

    def svg(self) -> str:
        """The whole chart as SVG text, without an XML declaration: it may stand in a page."""
        return str(self.drawing.tostring())


def new_chart(name: str, height: float, *, title: str, description: str, has_links: bool = False) -> Chart:
    """An empty chart WIDTH units wide. One with links has the role `group`: screen readers don't read the
    parts of an `img` (WAI-ARIA 1.2, `img`: children presentational)."""
    import svgwrite  # here: every start would wait for it, and few processes draw

    drawing = svgwrite.Drawing(
        size=(f"{format_mm(_PAPER_MM)}mm", f"{format_mm(_PAPER_MM * height / WIDTH)}mm"),
        viewBox=f"0 0 {format_mm(WIDTH)} {format_mm(height)}",
        debug=False,
        profile="full",
    )
    drawing["role"] = "group" if has_links else "img"
    drawing["aria-label"] = title
    drawing.set_desc(title=title, desc=description)
    chart = Chart(drawing, name, height)
    chart.box(0, 0, WIDTH, height, fill=PAPER)
    return chart


def width_of(words: str, size: float, *, bold: bool = False) -> float:
    """Estimated width of words, on the generous side."""
    return (_BOLD_LETTER if bold else _LETTER) * size * len(words)


def fitted(words: str, size: float, room: float, *, bold: bool = False) -> float:
    """The letter size at which words fit a width, `size` at most."""
    return min(size, size * room / max(1.0, width_of(words, size, bold=bold)))


def _at(x: float, y: float) -> tuple[str, str]:
    return format_mm(x), format_mm(y)
