"""DXF burn files (AutoCAD 2010 release, millimetres), the same bytes on every machine."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import groupby
from threading import Lock
from typing import Any

import numpy as np

from layout.burn.turn import Burn, BurnPart
from layout.shop.measure import Floats
from layout.shop.stations import Station
from layout.shop.svg_text import is_closed

MILLIMETRES, METRIC = 4, 1

_METADATA = Lock()


def burn_dxf(burn: Burn, station: Station) -> bytes:
    """What shall burn, as DXF in station coordinates (mm, y up).

    One layer per process, named and coloured as the station's profile says. Areas are closed LWPOLYLINEs
    (shell and holes alike: the receiving software fills even-odd), rows are LINEs, edge lines and strokes
    LWPOLYLINEs; each slot's entities form a group `layer$slot`. Repeats are not drawn: the layer's recipe
    carries them. The header says how far the drawing reaches, and as the custom property `code` the burn's
    short code. Dates, identities and library version are fixed: same burn, same bytes.

    Raises KeyError for a process that the station has no layer for, ValueError for a coordinate that is
    not finite.
    """
    from ezdxf.bbox import extents
    from ezdxf.colors import RGB, rgb2int  # here: it takes a tenth of the time the service needs to start
    from ezdxf.filemanagement import new

    with _fixed_metadata():
        document = new("R2010", units=MILLIMETRES)
        document.header["$MEASUREMENT"] = METRIC
        document.header.custom_vars.append("code", burn.short_code)
        for _, group in groupby(burn.parts, key=lambda part: part.layer):
            parts = list(group)
            style = parts[0].style(station)
            document.layers.add(style.layer, true_color=rgb2int(RGB.from_hex(style.colour)))
            for part in parts:
                entities = _draw(document.modelspace(), part, style.layer)
                document.groups.new(f"{style.layer}${part.slot}").extend(entities)
        _set_extents(document, extents)
        # The library walks a set when it declares classes while writing: declared here, their order is fixed.
        for name in sorted(document.entitydb.dxf_types_in_use()):
            document.classes.add_class(name)
        written = io.StringIO()
        document.write(written)
    # Line ends are written as they are, never translated by a text file of the platform.
    return written.getvalue().encode("utf-8")


@contextmanager
def _fixed_metadata() -> Iterator[None]:
    """The library stamps dates, identities and its version into a file unless this option of its says not to.

    The option belongs to the whole process, so only one file at a time is made, and it is put back.
    """
    from ezdxf._options import options

    with _METADATA:
        before = options.write_fixed_meta_data_for_testing
        options.write_fixed_meta_data_for_testing = True
        try:
            yield
        finally:
            options.write_fixed_meta_data_for_testing = before


def _draw(space: Any, part: BurnPart, layer: str) -> list[Any]:
    attributes = {"layer": layer}
    entities: list[Any] = []
    for piece in part.pieces:
        for area in piece.areas:
            for ring in (area.exterior, *area.interiors):
                points = _finite(np.asarray(ring.coords))[:-1]
                entities.append(space.add_lwpolyline(points, format="xy", close=True, dxfattribs=attributes))
        entities += [space.add_line(a, b, dxfattribs=attributes) for a, b in _finite(piece.rows).tolist()]
        for line in piece.lines:
            closed = is_closed(line)
            points = _finite(line)[:-1] if closed else _finite(line)
            entities.append(space.add_lwpolyline(points, format="xy", close=closed, dxfattribs=attributes))
    return entities


def _set_extents(document: Any, extents: Any) -> None:
    """Say in the header how far the drawing reaches: software that reads it opens the file on what is in
    it."""
    reach = extents(document.modelspace())
    if reach.has_data:
        low, high = tuple(reach.extmin), tuple(reach.extmax)
        document.modelspace().reset_extents(low, high)
        document.header["$EXTMIN"], document.header["$EXTMAX"] = low, high


def _finite(points: Any) -> Floats:
    array = np.asarray(points, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError("not a finite coordinate")
    return array
