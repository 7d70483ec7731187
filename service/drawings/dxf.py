"""Lines of a DXF drawing, read with ezdxf: layers are names, blocks are taken apart however deep they lie.

What counts is the model space. Text, dimensions, hatches and whatever else is no line are left out and named.
Curves are cut into chords here, by ezdxf's own exact arcs and splines, never by way of Bézier curves, whose
arcs are off by hundredths of a millimetre at the radius of a blade's back.
"""

from __future__ import annotations

import io
import logging
import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from ezdxf import recover, units
from ezdxf.audit import AuditError
from ezdxf.lldxf.const import DXFError

from layout.drawing.strokes import FLATTEN_MM, Drawing, DrawingRefused, Stroke, size_mm
from layout.shop.measure import MICROMETRE_MM
from service.drawings.units import Unit, UnitNeeded, mm_per

# What it mends of a file is in its report, which is looked at below.
logging.getLogger("ezdxf").setLevel(logging.CRITICAL)

#: Numbers that can't be read are guessed at by ezdxf: a blade of guessed numbers is none.
_NUMBERS = frozenset((AuditError.INVALID_FLOATING_POINT_VALUE, AuditError.INVALID_INTEGER_VALUE))
#: Curves so large, in chords of the tolerance, belong to no blade and would take minutes to cut.
_LARGEST = 1e8
MOST_ENTITIES = 50_000
MOST_DEPTH = 16
#: Codes of a polyline's flags (DXF reference, POLYLINE, group code 70; VERTEX, 70).
_POLYLINE_SPLINE_FIT, _VERTEX_CONTROL = 4, 16
#: What stands beside a drawing and is never a part of a shape.
_TEXT = (
    "TEXT",
    "MTEXT",
    "ATTRIB",
    "ATTDEF",
    "DIMENSION",
    "ARC_DIMENSION",
    "LEADER",
    "MULTILEADER",
    "TOLERANCE",
)
_NO_LINES = frozenset((*_TEXT, "HATCH", "MPOLYGON", "POINT", "IMAGE", "VIEWPORT", "XLINE", "RAY", "WIPEOUT"))


def read_dxf(data: bytes, *, unit: Unit | None, dpi: float) -> Drawing:
    """The drawing in mm. Raises DrawingRefused."""
    try:
        document, report = recover.read(io.BytesIO(data))
    except (DXFError, OSError, ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        raise DrawingRefused(f"neither an SVG nor a DXF drawing that can be read: {error}") from error
    damaged = [str(entry.message) for entry in (*report.fixes, *report.errors) if entry.code in _NUMBERS]
    if damaged:
        raise DrawingRefused(f"the file is damaged: {damaged[0]}; save it anew where it was drawn")
    stated = int(document.header.get("$INSUNITS", 0) or 0)
    given = None if unit is None else mm_per(unit, dpi)
    of_file = _MM.get(stated)
    factor = given or of_file
    reading = _Reading(FLATTEN_MM / (factor or 1.0))
    try:
        for entity in document.modelspace():
            reading.take(entity, str(entity.dxf.layer), ())
    except (DXFError, ArithmeticError, ValueError, IndexError, TypeError) as error:
        if isinstance(error, DrawingRefused):
            raise
        raise DrawingRefused(f"the drawing can't be read: {error}") from error
    if factor is None:
        raise UnitNeeded("the drawing states no unit", *size_mm(reading.strokes))
    said = f"--unit {unit}" if unit else f"the file says {_unit_name(stated)}"
    notes = reading.notes(document, factor)
    if unit and of_file and abs(of_file - factor) > 1e-9:
        notes.append(f"the file says its unit is {_unit_name(stated)}; --unit {unit} was taken")
    return Drawing(tuple(_scaled(s, factor) for s in reading.strokes), said, tuple(notes))


#: Millimetres in the units that one can measure a blade in, by their number in a file (DXF reference,
#: $INSUNITS); the others (miles, parsecs, none) are no answer.
_MM = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 8: 2.54e-5, 9: 0.0254, 10: 914.4, 13: 0.001, 14: 100.0}


def _unit_name(stated: int) -> str:
    return str(units.unit_name(stated)).lower()


@dataclass
class _Reading:
    """Strokes collected in the drawing's own unit."""

    flatten: float
    strokes: list[Stroke] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    heights: set[float] = field(default_factory=set)
    entities: int = 0

    def take(self, entity: Any, layer: str, blocks: tuple[str, ...]) -> None:
        """One entity, and what a block reference holds. Things on layer 0 of a block lie on its reference's
        layer."""
        self.entities += 1
        if self.entities > MOST_ENTITIES:
            raise DrawingRefused(f"the drawing has more than {MOST_ENTITIES} parts")
        kind = entity.dxftype()
        if entity.dxf.get("invisible", 0):
            self.left_out["hidden parts"] += 1
        elif kind == "INSERT":
            if len(blocks) >= MOST_DEPTH:
                raise DrawingRefused(f"blocks lie more than {MOST_DEPTH} deep in one another")
            name = str(entity.dxf.name)
            self.entities += entity.mcount
            if self.entities > MOST_ENTITIES:
                raise DrawingRefused(f"the drawing has more than {MOST_ENTITIES} parts")
            for one in entity.multi_insert() if entity.mcount > 1 else (entity,):
                for part in one.virtual_entities():
                    own = str(part.dxf.layer)
                    self.take(part, layer if own == "0" else own, (name, *blocks))
        elif kind in _NO_LINES:
            self.left_out[kind] += 1
        else:
            lines = list(_lines(entity, self.flatten))
            if not lines:
                self.left_out[kind] += 1
            handle = entity.dxf.get("handle") or "in a block"
            for points, closed in lines:
                self.heights.update(np.round(points[:, 2], 3))
                self.strokes.append(
                    Stroke(
                        points[:, :2].copy(), closed, (layer, *blocks), f"{kind} {handle} on layer {layer}"
                    )
                )

    def notes(self, document: Any, factor: float) -> list[str]:
        """What was left out, and what may not be meant."""
        notes = []
        if self.left_out:
            told = ", ".join(f"{count} {kind}" for kind, count in sorted(self.left_out.items()))
            notes.append(f"left out: {told}")
        if self.heights and (max(self.heights) - min(self.heights)) * factor > MICROMETRE_MM:
            notes.append("the drawing is not flat; it was taken as seen from above")
        used = {stroke.names[0] for stroke in self.strokes}
        hidden = sorted(
            layer.dxf.name
            for layer in document.layers
            if (layer.is_off() or layer.is_frozen()) and layer.dxf.name in used
        )
        if hidden:
            notes.append(f"layers that are switched off were read, too: {', '.join(hidden)}")
        return notes


def _lines(entity: Any, flatten: float) -> Iterator[tuple[Any, bool]]:
    """The entity's lines (n, 3) in the drawing's unit, each with whether it is closed; none for what is no
    line."""
    kind = entity.dxftype()
    if _extent(entity) > _LARGEST * flatten:
        raise DrawingRefused(
            f"{kind} {entity.dxf.get('handle', '')} is far larger than any blade: is the unit right?"
        )
    if kind == "LINE":
        yield _points([entity.dxf.start, entity.dxf.end]), False
    elif kind == "CIRCLE":
        yield _points(entity.flattening(flatten)), True
    elif kind == "ARC":
        yield _points(entity.flattening(flatten)), False
    elif kind in ("ELLIPSE", "SPLINE"):
        points = _points(entity.flattening(flatten))
        yield points, kind == "ELLIPSE" and bool(np.allclose(points[0], points[-1], atol=flatten))
    elif kind == "LWPOLYLINE":
        yield from _polyline(entity, flatten, closed=bool(entity.closed))
    elif kind == "POLYLINE" and (entity.is_2d_polyline or entity.is_3d_polyline):
        if int(entity.dxf.flags) & _POLYLINE_SPLINE_FIT:
            on_curve = [v for v in entity.vertices if not int(v.dxf.flags) & _VERTEX_CONTROL]
            yield _points([v.dxf.location for v in on_curve]), bool(entity.is_closed)
        else:
            yield from _polyline(entity, flatten, closed=bool(entity.is_closed))
    elif kind in ("SOLID", "TRACE", "3DFACE"):
        yield _points(entity.wcs_vertices()), True


def _extent(entity: Any) -> float:
    """How large a curve is, in the drawing's unit, before it is cut; infinite for numbers that are none."""
    kind = entity.dxftype()
    if kind in ("CIRCLE", "ARC"):
        size = abs(entity.dxf.radius)
    elif kind == "ELLIPSE":
        size = entity.dxf.major_axis.magnitude
    elif kind == "SPLINE":
        points = [*entity.control_points, *entity.fit_points]
        size = float(np.ptp(np.array([tuple(p)[:2] for p in points]), axis=0).max()) if points else 0.0
    else:
        return 0.0
    return size if math.isfinite(size) else math.inf


def _polyline(entity: Any, flatten: float, *, closed: bool) -> Iterator[tuple[Any, bool]]:
    """A polyline with its bulges as arcs."""
    parts = [next(_lines(part, flatten))[0] for part in entity.virtual_entities()]
    if not parts:
        return
    # An arc with a negative bulge comes the other way round: each part is turned to begin where the last
    # ended.
    whole = [parts[0]]
    if len(parts) > 1 and _gap(parts[0][-1], parts[1]) > _gap(parts[0][0], parts[1]):
        whole[0] = parts[0][::-1]
    for part in parts[1:]:
        end = whole[-1][-1]
        turned = part if np.linalg.norm(part[0] - end) <= np.linalg.norm(part[-1] - end) else part[::-1]
        whole.append(turned)
    yield np.concatenate([whole[0], *(part[1:] for part in whole[1:])]), closed


def _gap(point: Any, part: Any) -> float:
    return float(min(np.linalg.norm(part[0] - point), np.linalg.norm(part[-1] - point)))


def _points(vertices: Any) -> Any:
    return np.array([(v.x, v.y, v.z) for v in vertices], dtype=np.float64).reshape(-1, 3)


def _scaled(stroke: Stroke, factor: float) -> Stroke:
    return Stroke(stroke.points * factor, stroke.closed, stroke.names, stroke.entity)
