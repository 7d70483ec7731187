"""Readers of burn files that this project did not write, each giving paths in station millimetres.

SVG paths are parsed by fontTools' SVG path parser and drawn by resvg; DXF is read by GDAL (through
pyogrio); PDF by PDFium. Nothing here uses the project's own writers.
"""

from __future__ import annotations

import io
from xml.etree import ElementTree

import numpy as np
import pyogrio.raw
import resvg_py
import shapely
from fontTools.pens.recordingPen import RecordingPen
from fontTools.svgLib.path import parse_path
from PIL import Image

from tests import pdf

Box = tuple[float, float, float, float]


def svg_paths(data: bytes, box: Box) -> list[np.ndarray]:
    """Every subpath, in file order; closed ones repeat their first point. One unit must be one millimetre."""
    root = ElementTree.fromstring(data)
    width, height = root.attrib["width"], root.attrib["height"]
    assert width.endswith("mm") and height.endswith("mm")
    view = [float(v) for v in root.attrib["viewBox"].split()]
    if view != [0.0, 0.0, float(width[:-2]), float(height[:-2])]:
        raise ValueError("one user unit is not one millimetre")
    subpaths: list[np.ndarray] = []
    for path in root.iter("{http://www.w3.org/2000/svg}path"):
        pen = RecordingPen()
        parse_path(path.attrib["d"], pen)
        for step, arguments in pen.value:
            if step == "moveTo":
                points = [arguments[0]]
            elif step == "lineTo":
                points.append(arguments[0])
            else:
                points += points[:1] if step == "closePath" and points[0] != points[-1] else []
                subpaths.append(np.array(points) * [1, -1] + [box[0], box[3]])
    return subpaths


def svg_area_mm2(data: bytes, *, dots_per_mm: int) -> float:
    """Inked area as resvg draws it: coverage summed over all pixels, whatever the colour."""
    # Zooming from the natural size keeps the file's own millimetres: 96 px to the inch is CSS's fixed ratio.
    png = resvg_py.svg_to_bytes(svg_string=data.decode(), zoom=1, dpi=dots_per_mm * 25.4)
    alpha = np.asarray(Image.open(io.BytesIO(bytes(png))).convert("RGBA"), dtype=np.float64)[:, :, 3]
    return float(alpha.sum() / 255 / dots_per_mm**2)


def dxf_paths(data: bytes) -> list[np.ndarray]:
    """Every polyline, in file order, as GDAL reads it."""
    _, _, geometries, _ = pyogrio.raw.read(data)
    return [shapely.get_coordinates(geometry) for geometry in shapely.from_wkb(geometries)]


def pdf_paths(data: bytes, box: Box) -> list[np.ndarray]:
    """Every subpath, in file order, as PDFium reads it."""
    (page,) = pdf.paths_of(data)
    return [points / pdf.MM + [box[0], box[1]] for path in page for points in path.subpaths]


def off_mm(read: list[np.ndarray], approved: list[np.ndarray]) -> float:
    """Largest distance of a vertex from its approved place; infinite when paths or vertices are missing."""
    if [len(path) for path in read] != [len(path) for path in approved]:
        return float("inf")
    return max(float(np.hypot(*(a - b).T).max()) for a, b in zip(read, approved, strict=True))
