"""Builders of drawings: blades as exact curves, and writers that hand them to general-purpose libraries.

A shape is a start and steps: a line, a cubic Bézier curve, or an arc by its bulge (the tangent of a quarter
of the angle it sweeps, positive counter-clockwise, as DXF has it). `corners` evaluates the same formulas
densely with numpy: what a reader makes of any file is held against that.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from xml.etree import ElementTree as ET

import ezdxf
import numpy as np
import shapely
import svgwrite
from ezdxf.addons.r12writer import r12writer
from ezdxf.math import Matrix44
from fontTools.misc.transform import Transform
from fontTools.pens.svgPathPen import SVGPathPen
from fontTools.pens.transformPen import TransformPen

Point = tuple[float, float]


@dataclass(frozen=True)
class Line:
    end: Point


@dataclass(frozen=True)
class Cubic:
    first: Point
    second: Point
    end: Point


@dataclass(frozen=True)
class Arc:
    end: Point
    bulge: float


Step = Line | Cubic | Arc


@dataclass(frozen=True)
class Shape:
    """A closed shape; the last step ends where it starts."""

    start: Point
    steps: tuple[Step, ...]

    def pieces(self) -> list[tuple[Point, Step]]:
        begins = [self.start, *(step.end for step in self.steps[:-1])]
        return list(zip(begins, self.steps, strict=True))

    def corners(self, per_step: int = 2000) -> np.ndarray:
        """(n, 2) on the exact curve."""
        return np.concatenate([curve(start, step, per_step)[:-1] for start, step in self.pieces()])

    @property
    def polygon(self) -> shapely.Polygon:
        return shapely.Polygon(self.corners())


@dataclass(frozen=True)
class Drawn:
    """A blade in mm, y up, handle at the left, edge down unless said otherwise."""

    outline: Shape
    holes: Sequence[tuple[float, float, float]] = ()
    zone: Shape | None = None
    baseline: tuple[Point, Point] | None = None
    bevel: Shape | None = None
    edge: str = "down"
    more: Mapping[str, Shape] = field(default_factory=dict)

    def shapes(self) -> dict[str, Shape]:
        given = {"OUTLINE": self.outline, "ZONE heel": self.zone, "BEVEL": self.bevel, **self.more}
        return {name: shape for name, shape in given.items() if shape is not None}


def shape(start: Point, *steps: Sequence[float]) -> Shape:
    """A shape of steps of 2 numbers (line), 3 (arc: end and bulge) or 6 (Bézier); closed by a line if need
    be."""
    made: list[Step] = []
    for s in steps:
        if len(s) == 2:
            made.append(Line((s[0], s[1])))
        elif len(s) == 3:
            made.append(Arc((s[0], s[1]), s[2]))
        else:
            made.append(Cubic((s[0], s[1]), (s[2], s[3]), (s[4], s[5])))
    if made[-1].end != start:
        made.append(Line(start))
    return Shape(start, tuple(made))


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Shape:
    return shape((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def curve(start: Point, step: Step, count: int) -> np.ndarray:
    """(count + 1, 2) points on a step, its ends included."""
    t = np.linspace(0, 1, count + 1)[:, None]
    a = np.array(start)
    if isinstance(step, Line):
        return a + t * (np.array(step.end) - a)
    if isinstance(step, Cubic):
        b, c, d = map(np.array, (step.first, step.second, step.end))
        return (1 - t) ** 3 * a + 3 * t * (1 - t) ** 2 * b + 3 * t**2 * (1 - t) * c + t**3 * d
    centre, radius, first, swept = arc_of(start, step)
    angles = first + t[:, 0] * swept
    return np.column_stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)])


def arc_of(start: Point, arc: Arc) -> tuple[Point, float, float, float]:
    """Centre, radius, first angle and swept angle (radians) of a bulge (DXF reference, LWPOLYLINE, code
    42)."""
    swept = 4 * math.atan(arc.bulge)
    dx, dy = arc.end[0] - start[0], arc.end[1] - start[1]
    chord = math.hypot(dx, dy)
    radius = chord / (2 * math.sin(abs(swept) / 2))
    away = radius * math.cos(abs(swept) / 2) * (1 if arc.bulge > 0 else -1)
    centre = (
        (start[0] + arc.end[0]) / 2 - away * dy / chord,
        (start[1] + arc.end[1]) / 2 + away * dx / chord,
    )
    return centre, radius, math.atan2(start[1] - centre[1], start[0] - centre[0]), swept


def small_cubics(start: Point, arc: Arc) -> list[Cubic]:
    """An arc as Bézier curves of at most 5 degrees, for libraries that have no arcs."""
    centre, radius, first, swept = arc_of(start, arc)
    count = max(1, math.ceil(abs(swept) / math.radians(5)))
    part = swept / count
    reach = 4 / 3 * math.tan(part / 4) * radius
    made = []
    for k in range(count):
        a, b = first + k * part, first + (k + 1) * part
        p = (centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a))
        q = (centre[0] + radius * math.cos(b), centre[1] + radius * math.sin(b))
        made.append(
            Cubic(
                (p[0] - reach * math.sin(a), p[1] + reach * math.cos(a)),
                (q[0] + reach * math.sin(b), q[1] - reach * math.cos(b)),
                arc.end if k == count - 1 else q,
            )
        )
    return made


def without_arcs(drawn: Shape) -> Shape:
    steps: list[Step] = []
    for start, step in drawn.pieces():
        steps += small_cubics(start, step) if isinstance(step, Arc) else [step]
    return Shape(drawn.start, tuple(steps))


# --- real-world shapes, all invented ---

BLADES: Mapping[str, Drawn] = {
    "chef": Drawn(
        shape(
            (0, 22),
            (0, -22.6),
            (0, -23.5, 0.6, -24, 1.6, -24),
            (50, -25, 105, -24, 145, -16),
            (170, -11, 188, -3, 201, 6),
            (175, 15, 135, 21, 88, 22),
        ),
        holes=[(12, 12, 3)],
        zone=rectangle(20, -12, 74, 8),
        baseline=((20, -2), (74, -2)),
        bevel=shape((-1, -20), (60, -21.5), (140, -13), (196, 6.5), (210, 0), (210, -30), (-1, -30)),
    ),
    "santoku": Drawn(
        shape((0, 20), (0, -22), (100, -24, 0.02), (150, -10, 0.05), (172, 14, 0.2), (150, 21, 0.35)),
        zone=rectangle(8, -14, 80, 16),
    ),
    "cheese knife with holes": Drawn(
        shape((0, 14), (0, -14), (118, -14), (140, 6, 0.3), (132, 10, 0.5), (120, 2, -0.3), (110, 14, -0.2)),
        holes=[(30, 0, 4), (52, 0, 4), (74, 0, 4.5), (96, 0, 3.2)],
        zone=rectangle(2, 5, 100, 12.5),
    ),
    "paring": Drawn(
        shape((0, 9), (0, -9), (30, -11, 70, -10, 92, 4), (60, 9.5, 30, 9, 0, 9)),
        zone=rectangle(4, -6, 40, 7),
    ),
    "oyster": Drawn(
        shape((0, 11), (0, -11), (40, -13, 0.1), (78, 0, 0.3), (40, 13, 0.3), (0, 11, 0.1)), edge="none"
    ),
    "axe head": Drawn(
        shape(
            (0, 24), (0, -24), (45, -22), (100, -52, 0.15), (108, 0, 0.12), (100, 52, 0.12), (45, 22, 0.15)
        ),
        zone=rectangle(50, -14, 84, 14),
        holes=[],
        more={"HOLE eye": shape((8, -10), (36, -12, 0.1), (36, 12, 0.4), (8, 10, 0.1), (8, -10, 0.5))},
        edge="right",
    ),
    "billhook": Drawn(
        shape(
            (0, 20),
            (0, -18),
            (90, -20),
            (150, -60, -0.35),
            (176, -52, 0.6),
            (170, 10, 120, 30, 60, 26),
            (30, 24, 12, 22, 0, 20),
        ),
        zone=rectangle(10, -10, 90, 16),
    ),
    "chisel": Drawn(
        shape((0, 6), (0, -6), (110, -10), (140, -10), (140, 10), (110, 10)),
        zone=rectangle(20, -5, 100, 5),
        edge="right",
    ),
    "drawknife": Drawn(
        shape((0, 15), (0, -15), (260, -15, 0.06), (260, 15), (0, 15, -0.02)), zone=rectangle(40, -8, 220, 8)
    ),
    "cleaver": Drawn(
        shape((0, 45), (0, -45), (190, -47, 0.01), (195, -42, 0.4142135), (195, 40), (190, 45, 0.4142135)),
        holes=[(182, 33, 5)],
        zone=rectangle(10, -30, 170, 35),
    ),
    "grafting": Drawn(
        shape(
            (-10, 5),
            (-12, -2, -10, -9, -4, -10),
            (6, -10),
            (7.5, -8.4),
            (26, -4.6, 44, -4.6, 56, -8),
            (62, -9.6, 67.5, -12, 71.5, -15),
            (73, -3, 64, 9.5, 46, 10),
            (2, 9),
            (-4, 9, -8, 8, -10, 5),
        ),
        holes=[(-3, -1, 3.4)],
        zone=rectangle(10, -3, 50, 6),
    ),
    "spatula": Drawn(
        shape(
            (0, 5),
            (0, -5),
            (30, -6),
            (60, -30, 0.2),
            (150, -32),
            (156, -26, 0.4142135),
            (156, 26),
            (150, 32, 0.4142135),
            (60, 30),
            (30, 6, 0.2),
        ),
        holes=[(90, 0, 2.5), (110, 0, 2.5), (130, 0, 2.5)],
        zone=rectangle(64, 8, 140, 24),
        edge="none",
    ),
    "scissor blade": Drawn(
        shape((0, 8), (-6, -2, 0.5), (8, -9, 0.3), (130, 2, 0.02), (126, 4, 0.6), (40, 10, 0.03)),
        holes=[(4, 0, 2.6)],
        zone=rectangle(16, -3, 70, 5),
    ),
}


# --- writers: DXF ---


def dxf_of_entities(drawn: Drawn, *, per_mm: float = 1.0, unit: int = 4, version: str = "R2010") -> bytes:
    """Lines, arcs and exact cubic splines, each an entity of its own, by ezdxf."""
    document = ezdxf.new(version, units=unit)
    _lines_and_arcs(document.modelspace(), drawn, per_mm)
    return _text_of(document)


def _lines_and_arcs(space: object, drawn: Drawn, per_mm: float) -> None:
    def at(p: Point) -> Point:
        return p[0] * per_mm, p[1] * per_mm

    for layer, one in drawn.shapes().items():
        on = {"layer": layer}
        for start, step in one.pieces():
            if isinstance(step, Line):
                space.add_line(at(start), at(step.end), on)
            elif isinstance(step, Arc):
                centre, radius, first, swept = arc_of(start, step)
                ends = sorted((first, first + swept))
                space.add_arc(
                    at(centre), radius * per_mm, math.degrees(ends[0]), math.degrees(ends[1]), dxfattribs=on
                )
            else:
                spline = space.add_spline(dxfattribs=on)
                spline.control_points = [(*at(p), 0) for p in (start, step.first, step.second, step.end)]
                spline.knots = [0, 0, 0, 0, 1, 1, 1, 1]
    for x, y, radius in drawn.holes:
        space.add_circle(at((x, y)), radius * per_mm, dxfattribs={"layer": "HOLES"})
    if drawn.baseline:
        space.add_line(at(drawn.baseline[0]), at(drawn.baseline[1]), {"layer": "BASELINE heel"})


def dxf_in_inches(drawn: Drawn) -> bytes:
    return dxf_of_entities(drawn, per_mm=1 / 25.4, unit=1)


def dxf_of_polylines(drawn: Drawn, *, flipped: bool = False) -> bytes:
    """Polylines with bulges (curves between them cut fine), by ezdxf; `flipped`: seen from behind, which DXF
    writes as an extrusion towards -z with mirrored coordinates."""
    document = ezdxf.new("R2004", units=4)
    space = document.modelspace()
    sign = -1 if flipped else 1
    extra = {"extrusion": (0, 0, -1)} if flipped else {}
    for layer, one in drawn.shapes().items():
        corners: list[tuple[float, float, float]] = []
        for start, step in one.pieces():
            if isinstance(step, Cubic):
                corners += [(sign * float(x), float(y), 0.0) for x, y in curve(start, step, 600)[:-1]]
            else:
                corners.append(
                    (sign * start[0], start[1], sign * step.bulge if isinstance(step, Arc) else 0.0)
                )
        space.add_lwpolyline(corners, format="xyb", close=True, dxfattribs={"layer": layer, **extra})
    for x, y, radius in drawn.holes:
        space.add_circle((sign * x, y), radius, dxfattribs={"layer": "HOLES", **extra})
    if drawn.baseline:
        space.add_line(*drawn.baseline, {"layer": "BASELINE heel"})
    return _text_of(document)


def dxf_from_behind(drawn: Drawn) -> bytes:
    return dxf_of_polylines(drawn, flipped=True)


def dxf_of_blocks(drawn: Drawn) -> bytes:
    """The blade in a block of inches, turned and moved, in a block that turns, moves and scales it back."""
    document = ezdxf.new("R2018", units=4)
    inner, outer = document.blocks.new("BLADE"), document.blocks.new("SHEET")
    _lines_and_arcs(inner, drawn, 1 / 25.4)
    there = Matrix44.chain(
        Matrix44.scale(2), Matrix44.z_rotate(math.radians(30)), Matrix44.translate(7, -3, 0)
    )
    outer.add_blockref("BLADE", (7, -3), {"xscale": 2, "yscale": 2, "rotation": 30})
    back = there.copy()
    back.inverse()
    moved = back.transform((0, 0, 0))
    document.modelspace().add_blockref(
        "SHEET", (moved.x * 25.4, moved.y * 25.4), {"xscale": 12.7, "yscale": 12.7, "rotation": -30}
    )
    return _text_of(document)


def dxf_of_ellipses(drawn: Drawn) -> bytes:
    """Arcs as elliptical arcs that happen to be round, by ezdxf, in centimetres."""
    document = ezdxf.new("R2007", units=5)
    space = document.modelspace()
    for layer, one in drawn.shapes().items():
        on = {"layer": layer}
        for start, step in one.pieces():
            a, b = (start[0] / 10, start[1] / 10), (step.end[0] / 10, step.end[1] / 10)
            if isinstance(step, Arc):
                centre, radius, first, swept = arc_of(start, step)
                ends = sorted((first, first + swept))
                space.add_ellipse((centre[0] / 10, centre[1] / 10), (radius / 10, 0), 1, *ends, dxfattribs=on)
            elif isinstance(step, Cubic):
                points = [a, *((x / 10, y / 10) for x, y in (step.first, step.second)), b]
                space.add_rational_spline([(*p, 0) for p in points], [1, 1, 1, 1], dxfattribs=on)
                space[-1].knots = [0, 0, 0, 0, 2, 2, 2, 2]
            else:
                space.add_line(a, b, on)
    for x, y, radius in drawn.holes:
        space.add_ellipse((x / 10, y / 10), (radius / 10, 0), 1, dxfattribs={"layer": "HOLES"})
    if drawn.baseline:
        (x0, y0), (x1, y1) = drawn.baseline
        space.add_line((x0 / 10, y0 / 10), (x1 / 10, y1 / 10), {"layer": "BASELINE heel"})
    return _text_of(document)


def dxf_of_the_oldest_kind(drawn: Drawn) -> bytes:
    """R12 by ezdxf's writer that shares no code with its document: polylines of old, no units in the file."""
    stream = io.StringIO()
    with r12writer(stream) as dxf:
        for layer, one in drawn.shapes().items():
            points = [p for start, step in one.pieces() for p in _cut(start, step)]
            dxf.add_polyline(
                [(float(x), float(y)) for x, y in points], closed=True, layer=layer.replace(" ", "_")
            )
        for x, y, radius in drawn.holes:
            dxf.add_circle((x, y), radius, layer="HOLES")
        if drawn.baseline:
            dxf.add_line(*drawn.baseline, layer="BASELINE_heel")
    return stream.getvalue().encode()


def dxf_by_gdal(drawn: Drawn, folder: object) -> bytes:
    """Lines only, by GDAL's DXF driver (pyogrio), whose files have the unit of a map."""
    import pyogrio.raw

    lines = {
        layer: [p for start, step in one.pieces() for p in _cut(start, step)]
        for layer, one in drawn.shapes().items()
    }
    geometry = [(layer, shapely.LineString([*points, points[0]])) for layer, points in lines.items()]
    geometry += [("HOLES", shapely.Point(x, y).buffer(r, quad_segs=400).exterior) for x, y, r in drawn.holes]
    if drawn.baseline:
        geometry.append(("BASELINE heel", shapely.LineString(drawn.baseline)))
    path = folder / "gdal.dxf"  # type: ignore[operator]
    path.unlink(missing_ok=True)  # the driver makes new files alone
    pyogrio.raw.write(
        path,
        np.array([shapely.to_wkb(shapely.LineString(g.coords)) for _, g in geometry], dtype=object),
        [np.array([layer for layer, _ in geometry], dtype=object)],
        ["Layer"],
        geometry_type="LineString",
        driver="DXF",
        crs="EPSG:32632",
    )
    return path.read_bytes()


def _cut(start: Point, step: Step) -> np.ndarray:
    """A step in chords that are off by less than a micrometre, its end left out."""
    return curve(start, step, 1 if isinstance(step, Line) else 800)[:-1]


def _text_of(document: object) -> bytes:
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode(document.output_encoding)


# --- writers: SVG ---

#: The drawing's box: x from -20, y down from 70.
LEFT, TOP, WIDTH, HEIGHT = -20.0, 70.0, 320.0, 140.0


def path_data(drawn: Shape, to: Callable[[Point], Point], scale: float = 1.0) -> str:
    """Path data with the shape's own arcs, which turn the other way where y runs down."""
    data = "M {} {}".format(*to(drawn.start))
    for start, step in drawn.pieces():
        if isinstance(step, Arc):
            _, radius, _, swept = arc_of(start, step)
            large, sweep = int(abs(swept) > math.pi), int(step.bulge < 0)
            data += " A {0} {0} 0 {1} {2} {3} {4}".format(radius * scale, large, sweep, *to(step.end))
        elif isinstance(step, Cubic):
            data += " C {} {} {} {} {} {}".format(*to(step.first), *to(step.second), *to(step.end))
        else:
            data += " L {} {}".format(*to(step.end))
    return data + " Z"


def _down(p: Point) -> Point:
    return p[0] - LEFT, TOP - p[1]


def svg_by_svgwrite(drawn: Drawn) -> bytes:
    """By svgwrite, in millimetres, ids."""
    sheet = svgwrite.Drawing(size=(f"{WIDTH}mm", f"{HEIGHT}mm"), viewBox=f"0 0 {WIDTH} {HEIGHT}")
    for layer, one in drawn.shapes().items():
        sheet.add(sheet.path(path_data(one, _down), id=layer.replace(" ", "_")))
    holes = sheet.add(sheet.g(id="holes"))
    for x, y, radius in drawn.holes:
        holes.add(sheet.circle(_down((x, y)), radius))
    if drawn.baseline:
        sheet.add(sheet.line(*map(_down, drawn.baseline), id="baseline_heel"))
    return sheet.tostring().encode()


def svg_by_hand(drawn: Drawn) -> bytes:
    """Written as text: inches, a nested frame, groups that turn and scale, a use of a symbol, classes."""
    parts = []
    for layer, one in drawn.shapes().items():
        data = path_data(one, lambda p: (-p[1] / 2, -p[0] / 2), 0.5)
        parts.append(
            f'<path class="{layer.lower().split()[0]}" id="{layer.lower().replace(" ", "-")}" d="{data}"/>'
        )
    for x, y, radius in drawn.holes:
        parts.append(
            f'<use href="#drill" class="hole" transform="translate({-y / 2} {-x / 2}) scale({radius / 2})"/>'
        )
    if drawn.baseline:
        (x0, y0), (x1, y1) = drawn.baseline
        parts.append(f'<polyline class="baseline" points="{-y0 / 2} {-x0 / 2} {-y1 / 2} {-x1 / 2}"/>')
    return f"""<?xml version="1.0"?>
<svg xmlns="http://www.w3.org/2000/svg" width="10in" height="10in" viewBox="-5 -5 254 254">
  <defs><circle id="drill" r="1"/><path id="outline-template" d="M0 0L9 9"/></defs>
  <svg x="10" y="20" width="200" height="100" viewBox="0 0 100 50">
    <g transform="translate(12, 25)"><g transform="rotate(90 1 1) scale(1 1)">
      {"".join(parts)}
    </g></g>
  </svg>
  <text x="4" y="4">drawn by hand</text>
</svg>""".encode()


def svg_by_font_pens(drawn: Drawn) -> bytes:
    """Paths by fontTools' SVG pen, through a transform pen, 1000 units to the inch."""
    shrunk = Transform(1000 / 25.4, 0, 0, -1000 / 25.4, 500, 3000)
    paths = []

    def add(name: str, one: Shape) -> None:
        pen = SVGPathPen(None, ntos=repr)
        through = TransformPen(pen, shrunk)
        plain = without_arcs(one)
        through.moveTo(plain.start)
        for step in plain.steps:
            if isinstance(step, Cubic):
                through.curveTo(step.first, step.second, step.end)
            else:
                through.lineTo(step.end)
        through.closePath()
        paths.append(f'<path id="{name}" d="{pen.getCommands()}"/>')

    for layer, one in drawn.shapes().items():
        add(layer.replace(" ", "-"), one)
    for number, (x, y, r) in enumerate(drawn.holes):
        add(f"hole-{number}", shape((x + r, y), (x - r, y, 1), (x + r, y, 1)))
    if drawn.baseline:
        pen = SVGPathPen(None, ntos=repr)
        through = TransformPen(pen, shrunk)
        through.moveTo(drawn.baseline[0])
        through.lineTo(drawn.baseline[1])
        through.endPath()
        paths.append(f'<path id="baseline-heel" d="{pen.getCommands()}"/>')
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="14in" height="6in" viewBox="0 0 14000 6000">'
        f"{''.join(paths)}</svg>"
    ).encode()


def svg_by_shapely(drawn: Drawn) -> bytes:
    """What shapely draws of its geometries, in a sheet of points (1/72 inch) that turns y up."""
    groups = [
        f'<g id="{layer.replace(" ", "_")}">'
        + shapely.Polygon([p for start, step in one.pieces() for p in _cut(start, step)]).svg()
        + "</g>"
        for layer, one in drawn.shapes().items()
    ]
    groups += [
        f'<g id="hole{n}">{shapely.Point(x, y).buffer(r, quad_segs=400).svg()}</g>'
        for n, (x, y, r) in enumerate(drawn.holes)
    ]
    if drawn.baseline:
        groups.append(f'<g id="baseline_heel">{shapely.LineString(drawn.baseline).svg()}</g>')
    scale = 72 / 25.4
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="1000pt" height="600pt" viewBox="0 0 1000 600">'
        f'<g transform="matrix({scale} 0 0 {-scale} 60 300)">{"".join(groups)}</g></svg>'
    ).encode()


def svg_by_reportlab(drawn: Drawn) -> bytes:
    """By reportlab's graphics, whose SVG has points for numbers, says no unit and keeps no names: outline
    and holes alone."""
    from reportlab.graphics import renderSVG
    from reportlab.graphics.shapes import Circle, Drawing, Path

    scale = 72 / 25.4
    sheet = Drawing(1000, 500)

    def at(p: Point) -> Point:
        return (p[0] + 30) * scale, (p[1] + 80) * scale

    plain = without_arcs(drawn.outline)
    path = Path(fillColor=None, strokeWidth=0.2)
    path.moveTo(*at(plain.start))
    for step in plain.steps:
        if isinstance(step, Cubic):
            path.curveTo(*at(step.first), *at(step.second), *at(step.end))
        else:
            path.lineTo(*at(step.end))
    path.closePath()
    sheet.add(path)
    for x, y, radius in drawn.holes:
        sheet.add(Circle(*at((x, y)), radius * scale))
    return renderSVG.drawToString(sheet).encode()


def svg_of_an_element_tree(drawn: Drawn) -> bytes:
    """By the standard library: polygons, circles, a line; px of 1/96 inch, labels for layers."""
    scale = 96 / 25.4
    label = "{urn:some-drawing-program}label"
    root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "width": "1400px", "height": "700px"})
    for layer, one in drawn.shapes().items():
        group = ET.SubElement(root, "g", {label: layer, "style": "display:inline;fill:none"})
        points = " ".join(
            f"{(x - LEFT) * scale!r},{(TOP - y) * scale!r}"
            for start, step in one.pieces()
            for x, y in _cut(start, step).tolist()
        )
        ET.SubElement(group, "polygon", {"points": points})
    for x, y, radius in drawn.holes:
        centre = {"cx": repr((x - LEFT) * scale), "cy": repr((TOP - y) * scale)}
        ET.SubElement(root, "circle", {label: "hole", **centre, "r": repr(radius * scale)})
    if drawn.baseline:
        (x0, y0), (x1, y1) = drawn.baseline
        ends = {"x1": x0 - LEFT, "y1": TOP - y0, "x2": x1 - LEFT, "y2": TOP - y1}
        ET.SubElement(root, "line", {label: "baseline heel", **{k: repr(v * scale) for k, v in ends.items()}})
    hidden = ET.SubElement(root, "g", {"style": "display:none", "id": "outline"})
    ET.SubElement(hidden, "rect", {"width": "50", "height": "50"})
    return ET.tostring(root)
