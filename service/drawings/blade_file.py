"""A drawn blade as the TOML file that the catalogue reads, with comments for whoever looks it over."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon

from layout.drawing.faces import DEGREES, DrawnFace, DrawnKeepOut, DrawnZone, mirrored_zones
from layout.drawing.strokes import DrawingRefused
from service.shop.catalogue.schema import FaceName

#: Coordinates are written to this many decimals: a micrometre.
DECIMALS = 3
MOST_POINTS = 5000
_LINE = 108
#: What a zone takes where nobody says more: a first proposal, which the file asks to look over.
_LEAST_MM, _MARGIN_MM, _MOST_MM = 1.8, 0.3, 50.0


@dataclass(frozen=True, slots=True)
class BladeText:
    """What a blade's file is made of. `sides` has each drawn face with its side; `other_side` is the side
    that is added as the mirror image of the first."""

    blade: str
    name: str
    sides: Sequence[tuple[FaceName, DrawnFace]]
    other_side: FaceName | None
    source: str
    unit: str


def blade_file(text: BladeText) -> str:
    """The file. Raises DrawingRefused for a shape of more points than the catalogue takes."""
    source = "".join(c if c.isprintable() else " " for c in text.source)
    lines = [
        f"# {text.name}: drawn in {source} ({text.unit}), brought in by `ricasso catalogue from-drawing`.",
        "# Millimetres, y up, each face as the laser sees it. Look over what is marked with CHECK.",
        f"blade = {quoted(text.blade)}",
        f"name = {quoted(text.name)}",
    ]
    taken: list[str] = []
    for side, face in text.sides:
        lines += ["", "[[face]]", f"face = {quoted(side)}", f"handle_deg = {_number(_handle_deg(face))}"]
        lines += shape_lines("silhouette", face.silhouette)
        if face.body is not None:
            lines += shape_lines("rest_of_unit", face.body)
        for keep_out in face.keep_outs:
            lines += _keep_out(keep_out)
        for zone in face.zones:
            taken.append(zone.name)
            lines += _zone(zone)
    if text.other_side is not None:
        _, face = text.sides[0]
        marks = [k.name for k in face.keep_outs if k.reason == "existing_mark"]
        lines += ["", "# The other side, as seen when the blade is turned over.", "[[face]]"]
        lines += [f"face = {quoted(text.other_side)}", f"mirror_of = {quoted(text.sides[0][0])}"]
        if marks:
            lines.append(f"leave_out = [{', '.join(map(quoted, marks))}]")
        lines.append(f"handle_deg = {_number((180 - _handle_deg(face)) % 360)}")
        for zone in mirrored_zones(face, taken):
            lines += _zone(zone)
    return "\n".join(lines) + "\n"


def product_file(*, sku: str, name: str, blade: str, material: str, finish: str) -> str:
    """The file of one product that is made with the blade."""
    return (
        "# What the store sells. A barcode has 8 to 14 digits; the list may stay empty.\n"
        "[[product]]\n"
        f"sku = {quoted(sku)}\nname = {quoted(name)}\nbarcodes = []\nblade = {quoted(blade)}\n"
        f"material = {quoted(material)}\nfinish = {quoted(finish)}\n"
    )


def quoted(text: str) -> str:
    """A TOML string.

    >>> quoted('a "b"')
    '"a \\\\"b\\\\""'
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{"".join(c if c.isprintable() else " " for c in escaped)}"'


def _keep_out(keep_out: DrawnKeepOut) -> list[str]:
    check = "  # CHECK: what is it?" if keep_out.reason == "other" else ""
    head = [
        "",
        "[[face.keep_out]]",
        f"keep_out = {quoted(keep_out.name)}",
        f'reason = "{keep_out.reason}"{check}',
    ]
    if keep_out.circle is not None:
        return [*head, f"shape = {{ circle = [{', '.join(map(_number, keep_out.circle))}] }}"]
    return [*head, *shape_lines("shape", keep_out.polygon)]


def _zone(zone: DrawnZone) -> list[str]:
    _, y0, _, y1 = zone.polygon.bounds
    straight = len(zone.baseline) == 2
    height = y1 - y0
    most = min(_MOST_MM, max(0.5, math.floor(2 * height) / 2))
    least = min(_LEAST_MM, most)
    lines = 1 if not straight or height < 8 else 2 if height < 16 else 3
    usual = min(most, max(least, round(2 * 0.3 * height) / 2))
    room = max(_MARGIN_MM, min(2.0, round(height / 10, 1)))
    kinds = ["text", "monogram", "artwork"] if straight else ["text"]
    out = [""]
    if zone.made:
        out.append("# CHECK: no zone was drawn. This is the whole face; cut it down to where words may go.")
    out += ["[[face.zone]]", f"zone = {quoted(zone.name)}", *shape_lines("polygon", zone.polygon)]
    if zone.baseline_made:
        out.append("# CHECK: no baseline was drawn; this one runs through the middle.")
    pairs = ", ".join(f"[{_number(x)}, {_number(y)}]" for x, y in zone.baseline)
    out += (
        [f"baseline = [{pairs}]"] if len(pairs) < _LINE else ["baseline = [", *_wrapped(zone.baseline), "]"]
    )
    return [
        *out,
        f"kinds = [{', '.join(map(quoted, kinds))}]",
        'fonts = "all"',
        f"max_lines = {lines}  # CHECK, like the heights (of a capital H): a first proposal by the zone's "
        "size",
        f"min_height_mm = {_number(least)}",
        f"max_height_mm = {_number(most)}",
        f"usual_height_mm = {_number(usual)}",
        f"usual_room_mm = {_number(room)}",
    ]


def shape_lines(key: str, polygon: Polygon) -> list[str]:
    """The lines of a key that is a shape. Raises DrawingRefused for one of more points than the catalogue
    takes."""
    points = rounded(polygon)
    if len(points) > MOST_POINTS:
        raise DrawingRefused(
            f"the {key.replace('_', ' ')} needs {len(points)} points, and {MOST_POINTS} are the most that "
            "a shape has"
        )
    box = rounded(polygon.envelope)
    if len(points) == 4 and set(points) == set(box):
        xs, ys = sorted({x for x, _ in box}), sorted({y for _, y in box})
        return [f"{key} = {{ rect = [{', '.join(map(_number, (xs[0], ys[0], xs[1], ys[1])))}] }}"]
    return [f"{key} = {{ points = [", *_wrapped(points), "] }"]


def rounded(polygon: Polygon) -> list[tuple[float, float]]:
    """Corners as they are written: rounded, none twice in a row, the first not repeated."""
    points = [
        (float(x), float(y)) for x, y in np.round(np.asarray(polygon.exterior.coords)[:-1], DECIMALS) + 0.0
    ]
    kept = [p for at, p in enumerate(points) if p != points[at - 1]]
    return kept or points


def _wrapped(points: Iterable[tuple[float, float]]) -> Iterator[str]:
    line = " "
    for x, y in points:
        pair = f" [{_number(x)}, {_number(y)}],"
        if len(line) + len(pair) > _LINE:
            yield line
            line = " "
        line += pair
    yield line


def _handle_deg(face: DrawnFace) -> float:
    assert face.handle is not None  # a face that stands upright knows where its handle points
    return DEGREES[face.handle]


def _number(value: float) -> str:
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
