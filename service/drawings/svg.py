"""Lines of an SVG drawing (SVG 1.1 and 2): shapes, groups, uses and nested frames with all their transforms.

Ids, classes, labels and the groups around are names. What is no line (text, pictures) is left out and named;
what is never drawn where it stands (definitions, clips, masks) is passed over. y runs down in SVG and is
turned up once, at the end.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import ParseError, fromstring
from fontTools.misc.transform import Identity, Transform

from layout.drawing.strokes import FLATTEN_MM, Drawing, DrawingRefused, Stroke, size_mm
from layout.lettering.glyphs import CurvePen, Curves
from layout.marks.svg_paths import NUMBER, draw_path
from service.drawings.ink import Inked
from service.drawings.units import CSS_DPI, Unit, UnitNeeded, mm_per

MOST_ELEMENTS = 50_000
MOST_DEPTH = 64
_SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"
_LENGTH = re.compile(rf"\s*({NUMBER})\s*(mm|cm|in|pt|pc|px|q|Q|%|)\s*")
_FUNCTION = re.compile(r"\s*,?\s*([A-Za-z]+)\s*\(([^)]*)\)")
#: Width and height that agree to this scale the drawing alike.
_SAME_SCALE = 1.000001
_GROUPS = {"g", "a", "switch"}
_NEVER_DRAWN = {"defs", "symbol", "clipPath", "mask", "pattern", "marker", "linearGradient", "radialGradient",
                "filter", "style", "script", "title", "desc", "metadata", "namedview", "view"}  # fmt: skip
_SHAPES = {"path", "rect", "circle", "ellipse", "line", "polyline", "polygon"}


def read_svg(data: bytes, *, unit: Unit | None, dpi: float) -> Drawing:
    """The drawing in mm, y up. Raises DrawingRefused."""
    try:
        root = fromstring(data, forbid_dtd=False, forbid_entities=True, forbid_external=True)
    except (ParseError, DefusedXmlException, LookupError, ValueError) as error:
        raise DrawingRefused(f"the file can't be read as XML: {error}") from error
    if _tag(root) != "svg":
        raise DrawingRefused(f"an SVG drawing was expected, not a <{_tag(root)}>")
    factor, said, why = _millimetres(root, unit, dpi)
    frame, viewport = _root_frame(root)
    reading = _Reading(root, dpi, FLATTEN_MM / (factor or 1.0))
    reading.children(root, frame, viewport, (), 1)
    if factor is None:
        raise UnitNeeded(why, *size_mm(reading.strokes))
    paints = {
        id(s.paint): replace(s.paint, width_mm=s.paint.width_mm * factor) for s in reading.strokes if s.paint
    }
    strokes = tuple(
        replace(s, points=s.points * [factor, -factor] + 0.0, paint=paints.get(id(s.paint)))
        for s in reading.strokes
    )
    notes = []
    if reading.left_out:
        told = ", ".join(f"{count} <{tag}>" for tag, count in sorted(reading.left_out.items()))
        notes.append(f"left out: {told}")
    return Drawing(strokes, said, tuple(notes))


def _millimetres(root: Any, unit: Unit | None, dpi: float) -> tuple[float | None, str, str]:
    """Millimetres per unit of the drawing, how that was come by, and why it can't be known where it is
    None."""
    if unit is not None:
        return mm_per(unit, dpi), f"--unit {unit}" + (f" --dpi {dpi:g}" if unit == "px" else ""), ""
    view = _view_box(root)
    sizes = [_LENGTH.fullmatch(root.get(name, "")) for name in ("width", "height")]
    stated = [(float(m[1]), m[2]) for m in sizes if m and m[2] not in ("", "px", "%")]
    if not stated:
        return None, "", "the drawing's size is given in no unit of length"
    if view is None:
        # Without a view box a unit of the drawing is a px, whatever its width is given in.
        return mm_per("px", dpi), f"px at {dpi:g} to the inch, as the file has no viewBox", ""
    across = [float(m[1]) * mm_per(m[2]) / side if m and m[2] not in ("", "px", "%") else math.inf
              for m, side in zip(sizes, view[2:], strict=True)]  # fmt: skip
    if (
        max(across) < math.inf
        and max(across) > _SAME_SCALE * min(across)
        and "none" in root.get("preserveAspectRatio", "")
    ):
        raise DrawingRefused("its width and height stretch the drawing, each by another measure")
    return min(across), f"the file says {' x '.join(m[0].strip() for m in sizes if m)}", ""


def _root_frame(root: Any) -> tuple[Transform, tuple[float, float]]:
    view = _view_box(root)
    if view is None:
        return Identity, (0.0, 0.0)
    return Identity.translate(-view[0], -view[1]), (view[2], view[3])


@dataclass
class _Reading:
    """Strokes collected in the units of the outermost frame, y down."""

    root: Any
    dpi: float
    flatten: float
    strokes: list[Stroke] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    elements: int = 0
    by_id: dict[str, Any] = field(init=False)
    ink: Inked = field(init=False)

    def __post_init__(self) -> None:
        self.by_id = {e.get("id"): e for e in self.root.iter() if e.get("id")}
        self.ink = Inked.of_root(self.root)

    def children(
        self, parent: Any, frame: Transform, viewport: tuple[float, float], names: tuple[str, ...], depth: int
    ) -> None:
        """All that a group or frame holds."""
        if depth > MOST_DEPTH:
            raise DrawingRefused(f"groups lie more than {MOST_DEPTH} deep in one another")
        for element in parent:
            self.take(element, frame, viewport, names, depth)

    def take(
        self,
        element: Any,
        frame: Transform,
        viewport: tuple[float, float],
        names: tuple[str, ...],
        depth: int,
    ) -> None:
        """One element with its transform."""
        self.elements += 1
        if self.elements > MOST_ELEMENTS:
            raise DrawingRefused(f"the drawing has more than {MOST_ELEMENTS} elements")
        tag = _tag(element)
        if not isinstance(element.tag, str) or tag in _NEVER_DRAWN:
            return
        style = _style(element)
        if style.get("display") == "none" or style.get("visibility") in ("hidden", "collapse"):
            self.left_out["hidden"] += 1
            return
        around, self.ink = self.ink, self.ink.inherited(element)
        try:
            self._taken(element, tag, style, frame, viewport, names, depth)
        finally:
            self.ink = around

    def _taken(
        self,
        element: Any,
        tag: str,
        style: dict[str, str],
        frame: Transform,
        viewport: tuple[float, float],
        names: tuple[str, ...],
        depth: int,
    ) -> None:
        own = (*_names(element), *names)
        frame = frame.transform(transform_of(style.get("transform", ""), _called(element)))
        if tag in _SHAPES:
            self._shape(element, tag, frame, viewport, own)
        elif tag in _GROUPS:
            self.children(element, frame, viewport, own, depth + 1)
        elif tag == "svg":
            inner, size = self._nested(element, element, frame, viewport)
            self.children(element, inner, size, own, depth + 1)
        elif tag == "use":
            self._use(element, frame, viewport, own, depth)
        elif element.tag.startswith(_SVG):
            self.left_out[tag] += 1

    def _use(
        self,
        element: Any,
        frame: Transform,
        viewport: tuple[float, float],
        names: tuple[str, ...],
        depth: int,
    ) -> None:
        target = (element.get("href") or element.get(_HREF) or "").removeprefix("#")
        meant = self.by_id.get(target)
        if meant is None:
            raise DrawingRefused(f"{_called(element)} refers to {target!r}, which is not in the drawing")
        if depth >= MOST_DEPTH:
            raise DrawingRefused(f"{_called(element)} leads back to itself")
        moved = frame.translate(
            self._length(element, "x", viewport[0]), self._length(element, "y", viewport[1])
        )
        if _tag(meant) == "symbol":
            inner, size = self._nested(meant, element, moved, viewport, placed=True)
            self.children(meant, inner, size, (*_names(meant), *names), depth + 1)
        else:
            self.take(meant, moved, viewport, names, depth + 1)

    def _nested(
        self,
        inner: Any,
        sized: Any,
        frame: Transform,
        viewport: tuple[float, float],
        *,
        placed: bool = False,
    ) -> tuple[Transform, tuple[float, float]]:
        """The frame inside a nested svg or a symbol: placed, and scaled where it has a view box."""
        width = self._length(sized, "width", viewport[0], inner.get("width") or "100%")
        height = self._length(sized, "height", viewport[1], inner.get("height") or "100%")
        if not placed:
            frame = frame.translate(
                self._length(inner, "x", viewport[0]), self._length(inner, "y", viewport[1])
            )
        view = _view_box(inner)
        if view is None:
            return frame, (width, height)
        if width <= 0 or height <= 0:
            raise DrawingRefused(f"{_called(inner)} lies in a frame without a size")
        across, down = width / view[2], height / view[3]
        align, _, how = (inner.get("preserveAspectRatio") or "xMidYMid meet").strip().partition(" ")
        shift_x = shift_y = 0.0
        if align != "none":
            both = max(across, down) if how.strip() == "slice" else min(across, down)
            place = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
            shift_x = place.get(align[1:4], 0.5) * (width - both * view[2])
            shift_y = place.get(align[5:8], 0.5) * (height - both * view[3])
            across = down = both
        return frame.translate(shift_x, shift_y).scale(across, down).translate(-view[0], -view[1]), view[2:]

    def _length(self, element: Any, name: str, whole: float, otherwise: str = "0") -> float:
        """An attribute's length in units of the frame around. Raises DrawingRefused."""
        text = element.get(name) or otherwise
        match = _LENGTH.fullmatch(text)
        if not match:
            raise DrawingRefused(f"{_called(element)}: {name} is {text!r}, which is no length")
        number, unit = float(match[1]), match[2]
        if unit == "%":
            return number / 100 * whole
        return number if unit in ("", "px") else number * mm_per(unit) / mm_per("px", CSS_DPI)

    def _shape(
        self, element: Any, tag: str, frame: Transform, viewport: tuple[float, float], names: tuple[str, ...]
    ) -> None:
        pen = _Pen(self.flatten / max(1e-12, _stretch(frame)))
        entity = _called(element)
        try:
            if tag == "path":
                if element.get("d", "").strip() in ("", "none"):
                    return
                draw_path(element.get("d", ""), pen)
            elif tag in ("polyline", "polygon"):
                _draw_points(pen, element.get("points", ""), closed=tag == "polygon")
            else:
                diagonal = math.hypot(*viewport) / math.sqrt(2)
                sides = {"x": 0, "cx": 0, "x1": 0, "x2": 0, "rx": 0, "width": 0, "r": 2}
                at = {
                    name: self._length(element, name, (*viewport, diagonal)[sides.get(name, 1)])
                    for name in _OF_SHAPE[tag]
                }
                if tag == "rect":  # a corner given one way counts for both
                    at["rx"] = at["rx"] if element.get("rx") not in (None, "auto") else at["ry"]
                    at["ry"] = at["ry"] if element.get("ry") not in (None, "auto") else at["rx"]
                _DRAW[tag](pen, at)
            self._add(pen, frame, names, entity)
        except DrawingRefused:
            raise
        except (ValueError, ArithmeticError) as error:
            raise DrawingRefused(f"{entity}: {error}") from error

    def _add(self, pen: _Pen, frame: Transform, names: tuple[str, ...], entity: str) -> None:
        curves = pen.curves
        controls = curves.controls @ np.array([[frame.xx, frame.xy], [frame.yx, frame.yy]]) + [
            frame.dx,
            frame.dy,
        ]
        lines = Curves(controls, curves.degrees).lines(self.flatten)
        scale = math.sqrt(abs(frame.xx * frame.yy - frame.xy * frame.yx))
        paint = self.ink.paint(scale, entity)
        for points, closed in zip(lines, pen.closed, strict=True):
            if len(points) > 1:
                self.strokes.append(Stroke(points, closed, names, entity, paint))


class _Pen(CurvePen):
    """Collects curves, which of them are closed, and arcs as Bézier curves short enough to be exact."""

    def __init__(self, tolerance: float) -> None:
        super().__init__()
        self.tolerance = tolerance
        self.closed: list[bool] = []

    def _moveTo(self, pt: tuple[float, float]) -> None:  # noqa: N802  (fontTools calls it)
        super()._moveTo(pt)
        self.closed.append(False)

    def _closePath(self) -> None:  # noqa: N802
        self.closed[-1] = True

    def arcTo(  # noqa: N802
        self,
        rx: float,
        ry: float,
        rotation: float,
        large: bool,  # noqa: FBT001  (fontTools calls it)
        sweep: bool,  # noqa: FBT001
        end: tuple[float, float],
    ) -> None:
        """An elliptical arc from the present point (SVG 1.1, appendix F.6)."""
        start = self._getCurrentPoint()
        if start == end:
            return
        rx, ry = abs(rx), abs(ry)
        if rx == 0 or ry == 0:
            self.lineTo(end)
            return
        turn = math.radians(rotation)
        cos, sin = math.cos(turn), math.sin(turn)
        dx, dy = (start[0] - end[0]) / 2, (start[1] - end[1]) / 2
        x, y = cos * dx + sin * dy, -sin * dx + cos * dy
        grown = math.sqrt(max(1.0, (x / rx) ** 2 + (y / ry) ** 2))
        rx, ry = rx * grown, ry * grown
        rest = (rx * ry) ** 2 - (rx * y) ** 2 - (ry * x) ** 2
        root = math.sqrt(max(0.0, rest / ((rx * y) ** 2 + (ry * x) ** 2)))
        root = -root if bool(large) == bool(sweep) else root
        cx, cy = root * rx * y / ry, -root * ry * x / rx
        first = math.atan2((y - cy) / ry, (x - cx) / rx)
        swept = math.atan2((-y - cy) / ry, (-x - cx) / rx) - first
        if sweep and swept < 0:
            swept += 2 * math.pi
        elif not sweep and swept > 0:
            swept -= 2 * math.pi
        middle = (start[0] + end[0]) / 2 + cos * cx - sin * cy, (start[1] + end[1]) / 2 + sin * cx + cos * cy
        to_arc = Transform(rx * cos, rx * sin, -ry * sin, ry * cos, *middle)
        self._arc(to_arc, max(rx, ry), first, swept, end)

    def ellipse(self, cx: float, cy: float, rx: float, ry: float) -> None:
        """A whole ellipse, closed."""
        if rx <= 0 or ry <= 0:
            raise ValueError("a circle or an ellipse needs radii above 0")
        self.moveTo((cx + rx, cy))
        self._arc(Transform(rx, 0, 0, ry, cx, cy), max(rx, ry), 0.0, 2 * math.pi, (cx + rx, cy))
        self.closePath()

    def _arc(
        self, to_arc: Transform, radius: float, first: float, swept: float, end: tuple[float, float]
    ) -> None:
        """An arc of the unit circle, carried to its place, in as many pieces as keep it within the tolerance.

        A Bézier curve for a quarter of a circle is off by 2.73e-4 of the radius, and by the sixth power less
        for a part of it (Goldapp, "Approximation of circular arcs by cubic polynomials", 1991; from memory).
        """
        quarters = abs(swept) / (math.pi / 2)
        pieces = max(1, math.ceil(quarters * max(1.0, (2.73e-4 * radius * 4 / self.tolerance) ** (1 / 6))))
        step = swept / pieces
        reach = 4 / 3 * math.tan(step / 4)
        for piece in range(pieces):
            a, b = first + piece * step, first + (piece + 1) * step
            c1 = (math.cos(a) - reach * math.sin(a), math.sin(a) + reach * math.cos(a))
            c2 = (math.cos(b) + reach * math.sin(b), math.sin(b) - reach * math.cos(b))
            last = end if piece == pieces - 1 else to_arc.transformPoint((math.cos(b), math.sin(b)))
            self.curveTo(to_arc.transformPoint(c1), to_arc.transformPoint(c2), last)


def _draw_points(pen: _Pen, text: str, *, closed: bool) -> None:
    numbers = [float(n) for n in re.findall(NUMBER, text)]
    if re.sub(rf"{NUMBER}|[\s,]", "", text) or len(numbers) % 2:
        raise ValueError("its points are no pairs of numbers")
    pairs = list(zip(numbers[::2], numbers[1::2], strict=True))
    if len(pairs) < 2:
        return
    pen.moveTo(pairs[0])
    for pair in pairs[1:]:
        pen.lineTo(pair)
    if closed:
        pen.closePath()
    else:
        pen.endPath()


def _draw_line(pen: _Pen, at: dict[str, float]) -> None:
    pen.moveTo((at["x1"], at["y1"]))
    pen.lineTo((at["x2"], at["y2"]))
    pen.endPath()


def _draw_rect(pen: _Pen, at: dict[str, float]) -> None:
    x, y, width, height = at["x"], at["y"], at["width"], at["height"]
    if width <= 0 or height <= 0:
        raise ValueError("a rectangle needs a width and a height above 0")
    rx, ry = min(at["rx"], width / 2), min(at["ry"], height / 2)
    if rx <= 0 or ry <= 0:
        corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
        pen.moveTo(corners[0])
        for corner in corners[1:]:
            pen.lineTo(corner)
    else:
        right, foot = x + width, y + height
        pen.moveTo((x + rx, y))
        for before, end in (
            ((right - rx, y), (right, y + ry)),
            ((right, foot - ry), (right - rx, foot)),
            ((x + rx, foot), (x, foot - ry)),
            ((x, y + ry), (x + rx, y)),
        ):
            pen.lineTo(before)
            pen.arcTo(rx, ry, 0, False, True, end)  # noqa: FBT003
    pen.closePath()


_OF_SHAPE = {
    "rect": ("x", "y", "width", "height", "rx", "ry"),
    "circle": ("cx", "cy", "r"),
    "ellipse": ("cx", "cy", "rx", "ry"),
    "line": ("x1", "y1", "x2", "y2"),
}
_DRAW: dict[str, Any] = {
    "rect": _draw_rect,
    "circle": lambda pen, at: pen.ellipse(at["cx"], at["cy"], at["r"], at["r"]),
    "ellipse": lambda pen, at: pen.ellipse(at["cx"], at["cy"], at["rx"], at["ry"]),
    "line": _draw_line,
}


def transform_of(text: str, where: str) -> Transform:
    """The transform of a `transform` attribute (SVG 1.1, section 7.6). Raises DrawingRefused."""
    whole, at = Identity, 0
    text = text.strip()
    while at < len(text):
        match = _FUNCTION.match(text, at)
        if not match:
            raise DrawingRefused(f"{where}: its transform can't be read: {text[at : at + 30]!r}")
        numbers = [float(n) for n in re.findall(NUMBER, re.sub(r"deg|px", "", match[2]))]
        try:
            whole = whole.transform(_FUNCTIONS[match[1]](*numbers))
        except (KeyError, TypeError) as error:
            raise DrawingRefused(f"{where}: its transform can't be read: {match[0].strip()!r}") from error
        at = match.end()
        at += len(text[at:]) - len(text[at:].lstrip(" ,\t\r\n"))
    return whole


def _rotate(angle: float, cx: float = 0.0, cy: float = 0.0) -> Transform:
    return Identity.translate(cx, cy).rotate(math.radians(angle)).translate(-cx, -cy)


_FUNCTIONS: dict[str, Any] = {
    "matrix": Transform,
    "translate": lambda x, y=0.0: Identity.translate(x, y),
    "scale": lambda x, y=None: Identity.scale(x, x if y is None else y),
    "rotate": _rotate,
    "skewX": lambda angle: Transform(1, 0, math.tan(math.radians(angle)), 1, 0, 0),
    "skewY": lambda angle: Transform(1, math.tan(math.radians(angle)), 0, 1, 0, 0),
}


def _stretch(frame: Transform) -> float:
    """At most how many times as long a line becomes."""
    return float(np.linalg.norm([[frame.xx, frame.xy], [frame.yx, frame.yy]], 2))


def _view_box(element: Any) -> tuple[float, float, float, float] | None:
    text = element.get("viewBox")
    if text is None:
        return None
    numbers = [float(n) for n in re.findall(NUMBER, text)]
    if len(numbers) != 4 or numbers[2] <= 0 or numbers[3] <= 0:
        raise DrawingRefused(f"{_called(element)}: the viewBox {text!r} is no box")
    return numbers[0], numbers[1], numbers[2], numbers[3]


def _style(element: Any) -> dict[str, str]:
    """What an element says of itself, its `style` over its attributes."""
    said = {name: element.get(name, "") for name in ("display", "visibility", "transform")}
    for part in element.get("style", "").split(";"):
        name, _, value = part.partition(":")
        if name.strip() in said:
            said[name.strip()] = value.strip()
    return said


def _names(element: Any) -> tuple[str, ...]:
    """Labels, id and classes."""
    labels = [value for name, value in element.attrib.items() if name.rpartition("}")[2] == "label"]
    return tuple(
        dict.fromkeys([*labels, *filter(None, [element.get("id")]), *element.get("class", "").split()])
    )


def _called(element: Any) -> str:
    names = _names(element)
    return f"<{_tag(element)}> {names[0]!r}" if names else f"a <{_tag(element)}>"


def _tag(element: Any) -> str:
    return str(element.tag).rpartition("}")[2]
