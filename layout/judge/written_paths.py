"""What a burn file says, read by the judge's own readers: the paths that the beam's middle follows.

Each format is read as text, by nothing that had a hand in writing it: SVG with the standard library's XML,
DXF by its pairs of group code and value, PDF by its page's operators. All come out alike, in station
coordinates (mm, y up).
"""

from __future__ import annotations

import base64
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree

import numpy as np

from layout.shop.measure import Floats

_SVG = "{http://www.w3.org/2000/svg}"
_COMMANDS = re.compile(rb"[MLZ][^MLZ]*")
_SPACED = bytes.maketrans(b"ML", b"  ")
_STREAM = re.compile(rb"<<(.*?)>>\s*stream\r?\n(.*?)\r?\n?endstream", re.DOTALL)
_DIGITS = frozenset(bytes([digit]) for digit in b"0123456789.")
#: Operators of a page that draw nothing: colours, widths, ends and corners of lines, state kept and put back,
#: a font chosen for words that never come, and names of what stands between them.
_SETTINGS = frozenset(b"rg RG w J j n q Q g G d M i BT ET Tf TL BMC EMC".split())


class NotReadable(ValueError):
    """A burn file that the judge can't read."""


@dataclass(frozen=True, slots=True)
class Written:
    """Lines as (n, 2) each, a closed one's first point repeated at its end; and rings of areas that the
    station's own software fills, even-odd."""

    lines: tuple[Floats, ...]
    rings: tuple[Floats, ...]


def written_paths(data: bytes, format_name: str, field_box_mm: tuple[float, float, float, float]) -> Written:
    """Read a burn file of a station's field (x0, y0, x1, y1, mm). Raises NotReadable."""
    readers = {"svg": _svg, "dxf": _dxf, "pdf": _pdf}
    if format_name not in readers:
        raise NotReadable(f"no reader for {format_name}")
    try:
        shapes = list(readers[format_name](data, field_box_mm))
    except (ElementTree.ParseError, ValueError, IndexError, KeyError, zlib.error) as error:
        raise NotReadable(f"the {format_name} can't be read: {error}") from error
    lines = tuple(points for points, is_filled in shapes if not is_filled)
    rings = tuple(points for points, is_filled in shapes if is_filled)
    return Written(lines, rings)


_Shapes = Iterator[tuple[Floats, bool]]


def _svg(data: bytes, box: tuple[float, float, float, float]) -> _Shapes:
    corner, downwards = np.array([box[0], box[3]]), np.array([1.0, -1.0])
    # The file was written a moment ago by this program's own hand: nobody else's XML comes here.
    parents = [(ElementTree.fromstring(data), False)]  # noqa: S314
    while parents:
        element, is_filled = parents.pop()
        is_filled = element.get("fill", "none" if not is_filled else "some") != "none"
        if "transform" in element.attrib:
            raise NotReadable("a burn file has no transforms")
        if element.tag == f"{_SVG}path":
            for points in _path(element.attrib["d"].encode()):
                yield points * downwards + corner, is_filled
        elif element.tag not in {f"{_SVG}g", f"{_SVG}svg", f"{_SVG}defs", f"{_SVG}title"}:
            raise NotReadable(f"a burn file has no {element.tag}")
        parents += [(child, is_filled) for child in element]


def _path(text: bytes) -> Iterator[Floats]:
    """Subpaths of path data with absolute M, L and Z alone."""
    plain = np.array(text.translate(_SPACED).split(), dtype=np.float64) if b"Z" not in text else np.empty(0)
    if plain.size == 4 * text.count(b"M") > 0:  # rows: many, of two points each
        yield from plain.reshape(-1, 2, 2)
        return
    points: list[Floats] = []
    for command in _COMMANDS.findall(text):
        if command[:1] == b"M" and points:
            yield np.concatenate(points)
            points = []
        if command[:1] == b"Z":
            points.append(points[0][:1])
        else:
            points.append(np.array(command[1:].split(), dtype=np.float64).reshape(-1, 2))
    if points:
        yield np.concatenate(points)


def _dxf(data: bytes, _box: tuple[float, float, float, float]) -> _Shapes:
    """Entities of the model space. Whether closed polylines are areas to be filled, the file does not say:
    the station's profile does, and so they are given as lines."""
    fields = data.decode("utf-8").splitlines()
    pairs = [(int(code), value) for code, value in zip(fields[::2], fields[1::2], strict=False)]
    begin = next(at for at, pair in enumerate(pairs) if pair == (2, "ENTITIES"))
    entity: dict[int, list[str]] = {}
    for code, value in pairs[begin + 1 :]:
        if code == 0:
            if entity:
                yield _entity(entity), False
            if value == "ENDSEC":
                return
            entity = {0: [value]}
        else:
            entity.setdefault(code, []).append(value)
    raise NotReadable("the section of entities has no end")


def _entity(fields: dict[int, list[str]]) -> Floats:
    kind = fields[0][0]
    if kind == "LINE":
        return np.array([[fields[10][0], fields[20][0]], [fields[11][0], fields[21][0]]], dtype=np.float64)
    if kind == "LWPOLYLINE":
        points = np.array([fields[10], fields[20]], dtype=np.float64).T
        is_closed = int(fields.get(70, ["0"])[0]) & 1
        return np.concatenate([points, points[:1]]) if is_closed else points
    raise NotReadable(f"a burn file has no {kind}")


def _pdf(data: bytes, box: tuple[float, float, float, float]) -> _Shapes:
    """Paths of the one page: its numbers are millimetres from the field's lower left corner."""
    subpaths: list[list[tuple[float, float]]] = []
    numbers: list[float] = []
    is_scaled = False
    for token in _page(data).split():
        if token[-1:] in _DIGITS and not token.startswith(b"/"):
            numbers.append(float(token))
            continue
        if token == b"cm":
            is_scaled |= _is_to_millimetres(numbers[-6:], is_scaled=is_scaled)
        elif token == b"m":
            subpaths.append([(numbers[-2] + box[0], numbers[-1] + box[1])])
        elif token == b"l":
            subpaths[-1].append((numbers[-2] + box[0], numbers[-1] + box[1]))
        elif token == b"h":
            subpaths[-1].append(subpaths[-1][0])
        elif token in {b"S", b"f*"}:
            yield from ((np.array(points), token == b"f*") for points in subpaths)
            subpaths = []
        elif token not in _SETTINGS and not token.startswith(b"/"):
            raise NotReadable(f"a burn file has no operator {token.decode('latin-1')}")
        numbers = []
    if not is_scaled or subpaths:
        raise NotReadable("the page is not scaled to millimetres, or ends in the middle of a path")


def _is_to_millimetres(matrix: list[float], *, is_scaled: bool) -> bool:
    """Whether a transform of the page is its one scale; False for one that changes nothing."""
    if matrix == [1, 0, 0, 1, 0, 0]:
        return False
    expected = [72 / 25.4, 0, 0, 72 / 25.4, 0, 0]
    if is_scaled or not np.allclose(matrix, expected, rtol=0, atol=1e-4):
        raise NotReadable("the page is not scaled to millimetres")
    return True


def _page(data: bytes) -> bytes:
    pages = [found for found in _STREAM.findall(data) if b"/Filter" in found[0]]
    if len(pages) != 1:
        raise NotReadable(f"{len(pages)} streams instead of one page")
    text = pages[0][1]
    if b"ASCII85" in pages[0][0]:
        text = base64.a85decode(text.strip().removesuffix(b"~>"))
    return zlib.decompress(text)


def segments(lines: tuple[Floats, ...]) -> Floats:
    """All straight pieces of some lines, (n, 2, 2)."""
    drawn = [line for line in lines if len(line) > 1]
    if not drawn:
        return np.empty((0, 2, 2))
    points = np.concatenate(drawn)
    goes_on = np.ones(len(points) - 1, dtype=bool)
    goes_on[np.cumsum([len(line) for line in drawn[:-1]], dtype=np.int64) - 1] = False
    return np.stack([points[:-1], points[1:]], axis=1)[goes_on]


__all__ = ["NotReadable", "Written", "segments", "written_paths"]
