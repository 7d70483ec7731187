"""Burn files accepted only when independent readers agree with the approved geometry.

Readers: fontTools' SVG path parser, resvg, GDAL, ezdxf's auditor and PDFium. The approved geometry is placed
here by Shapely's own affine transform, not by the code that places burns. Limits: 1 µm for every vertex,
0.1 % of the area at 20 pixels to the millimetre; of hairlines at PIXELS_A_LINE pixels to the line's width.
"""

from __future__ import annotations

import ctypes
import io
import math
from dataclasses import replace
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pypdfium2
import pytest
import shapely
from pyogrio.errors import FeatureError
from shapely.affinity import affine_transform

from layout.burn.dxf import burn_dxf
from layout.burn.pdf import burn_pdf
from layout.burn.rows import rows
from layout.burn.svg import burn_svg
from layout.burn.turn import Piece, burn_of
from layout.shop.measure import MICROMETRE_MM
from layout.shop.outline import Outline
from layout.shop.plates import Pose
from layout.shop.stations import Process, Rows
from tests.golden.turns import (
    a_fill,
    a_load,
    a_mark,
    a_plate,
    a_process,
    a_shop,
    a_station,
    strokes,
    words,
)
from tests.references.readers import dxf_paths, off_mm, pdf_paths, svg_area_mm2, svg_paths

BOX = (-70.0, -40.0, 70.0, 40.0)
POSE = Pose(12.25, 10.5, 7.5, 3.0)
AREA_TOLERANCE = 0.001
#: How finely a renderer must draw rows to find their area to AREA_TOLERANCE. Lines that overlap add up where
#: their edges are smoothed, which is a smaller share of a line the more pixels it is wide: measured 13 % off
#: at one pixel to the line, 0.7 % at two, 0.05 to 0.1 % at ten.
PIXELS_A_LINE = 12


def placed(outline: Outline) -> list[shapely.Geometry]:
    """The outline in slot A1 of the builders' station, by Shapely's affine transform."""
    cos, sin = math.cos(math.radians(POSE.turn_deg)), math.sin(math.radians(POSE.turn_deg))
    matrix = [cos, -sin, sin, cos, POSE.x_mm - 60.0, POSE.y_mm - 30.0]
    return [affine_transform(g, matrix) for g in (*outline.areas, *outline.strokes)]


def approved_paths(outline: Outline) -> list[np.ndarray]:
    geometries = placed(outline)
    rings = [
        ring
        for g in geometries
        for ring in ((g.exterior, *g.interiors) if g.geom_type == "Polygon" else (g,))
    ]
    return [np.asarray(ring.coords) for ring in rings]


def files_of(outline: Outline, *, fill: str = "outline", process: Process | None = None) -> dict[str, bytes]:
    shop = a_shop(station=a_station(fill=fill), plate=a_plate(pose=POSE), process=process)
    burn = burn_of(shop, a_load(a_fill(marks=(a_mark(outline),)), shop=shop), 1)
    station = shop.stations["left"]
    return {"svg": burn_svg(burn, station), "dxf": burn_dxf(burn, station), "pdf": burn_pdf(burn, station)}


def seen_through(svg: bytes, bounds: tuple[float, float, float, float]) -> bytes:
    """The same drawing seen through a window of whole millimetres round some bounds (mm, y up): small enough
    to be drawn finely."""
    x, y = math.floor(bounds[0] - BOX[0]), math.floor(BOX[3] - bounds[3])
    width, height = math.ceil(bounds[2] - BOX[0]) - x, math.ceil(BOX[3] - bounds[1]) - y
    seen = svg.decode()
    for whole, part in (
        ('width="140mm"', f'width="{width}mm"'),
        ('height="80mm"', f'height="{height}mm"'),
        ('viewBox="0 0 140 80"', f'viewBox="{x} {y} {width} {height}"'),
    ):
        assert seen.count(whole) == 1
        seen = seen.replace(whole, part)
    return seen.encode()


def read_all(files: dict[str, bytes]) -> dict[str, list[np.ndarray]]:
    return {
        "svg": svg_paths(files["svg"], BOX),
        "dxf": dxf_paths(files["dxf"]),
        "pdf": pdf_paths(files["pdf"], BOX),
    }


@pytest.mark.parametrize("outline", [words("Ångström & Søn 8"), strokes()], ids=["outlines", "single line"])
def test_every_reader_finds_the_approved_vertices_within_a_micrometre(outline):
    files = files_of(outline)

    read = read_all(files)

    assert {name: off_mm(paths, approved_paths(outline)) < MICROMETRE_MM for name, paths in read.items()} == {
        "svg": True,
        "dxf": True,
        "pdf": True,
    }


@pytest.mark.parametrize("fill", ["outline", "rows"])
def test_the_three_formats_of_one_burn_hold_the_same_paths(fill):
    files = files_of(words("Rå 3"), fill=fill)

    read = read_all(files)

    assert off_mm(read["svg"], read["dxf"]) < MICROMETRE_MM
    assert off_mm(read["pdf"], read["dxf"]) < MICROMETRE_MM


def test_a_renderer_finds_the_approved_area():
    outline = words("Ångström & Søn 8")

    drawn = svg_area_mm2(files_of(outline)["svg"], dots_per_mm=20)

    assert drawn == pytest.approx(outline.region.area, rel=AREA_TOLERANCE)


def test_rows_widened_to_the_lines_width_cover_the_letter_and_stay_in_it():
    outline, process = words("Rå 3"), a_process()
    files = files_of(outline, fill="rows")

    inked = {
        name: shapely.union_all([shapely.LineString(p).buffer(process.line_width_mm / 2) for p in paths])
        for name, paths in read_all(files).items()
    }

    letters = shapely.union_all(placed(outline))
    for ink in inked.values():
        assert ink.difference(letters.buffer(2 * MICROMETRE_MM)).area == pytest.approx(0, abs=1e-6)
        # What a round beam can't reach is left bare in sharp corners only.
        assert ink.area > 0.99 * letters.area


@pytest.mark.parametrize(("line_width_mm", "spacing_mm"), [(0.05, 0.04), (0.08, 0.06)])
def test_a_renderer_finds_the_area_of_widened_rows(line_width_mm, spacing_mm):
    process = a_process(line_width_mm=line_width_mm, rows=Rows(spacing_mm, 30.0, crossed=False))
    svg = files_of(words("3"), fill="rows", process=process)["svg"]
    ink = shapely.union_all([shapely.LineString(p).buffer(line_width_mm / 2) for p in svg_paths(svg, BOX)])
    window = seen_through(svg, ink.bounds)

    drawn, coarsely = (
        svg_area_mm2(window, dots_per_mm=round(pixels / line_width_mm)) for pixels in (PIXELS_A_LINE, 1)
    )

    assert drawn == pytest.approx(ink.area, rel=AREA_TOLERANCE)
    assert coarsely != pytest.approx(ink.area, rel=20 * AREA_TOLERANCE)  # no density will do for every line


def test_the_rows_in_a_file_are_the_rows_of_the_face():
    outline, process = words("Rå 3"), a_process(edge_line=False)
    shop = a_shop(station=a_station(fill="rows"), plate=a_plate(pose=POSE), process=process)
    burn = burn_of(shop, a_load(a_fill(marks=(a_mark(outline),)), shop=shop), 1)

    read = dxf_paths(burn_dxf(burn, shop.stations["left"]))

    face_rows = rows(outline, process)
    assert len(read) == len(face_rows)
    length = sum(shapely.LineString(p).length for p in read)
    assert length == pytest.approx(np.hypot(*(face_rows[:, 1] - face_rows[:, 0]).T).sum(), abs=1e-3)


def test_the_dxf_says_millimetres_and_the_auditor_finds_nothing():
    document = ezdxf.read(io.StringIO(files_of(words("Rå 3"))["dxf"].decode()))

    errors = document.audit().errors

    assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"], errors) == (4, 1, [])
    assert [layer.dxf.name for layer in document.layers if layer.dxf.name == "SATIN"] == ["SATIN"]
    assert "SATIN$A1" in dict(document.groups)


def test_the_dxf_says_how_far_it_reaches():
    outline = words("Rå 3")
    fields = files_of(outline)["dxf"].decode().splitlines()

    corners = [[float(fields[fields.index(name) + at]) for at in (2, 4)] for name in ("$EXTMIN", "$EXTMAX")]

    reach = shapely.total_bounds([shapely.LineString(path) for path in approved_paths(outline)])
    assert np.ravel(corners) == pytest.approx(reach, abs=MICROMETRE_MM)


def test_every_format_says_the_burn_s_code_beside_the_geometry():
    """Read by programs that we did not write: the standard library's XML, ezdxf, PDFium."""
    shop = a_shop()
    burn = burn_of(shop, a_load(shop=shop), 1)
    svg, dxf, pdf = (write(burn, shop.stations["left"]) for write in (burn_svg, burn_dxf, burn_pdf))

    properties = ezdxf.read(io.StringIO(dxf.decode())).header.custom_vars
    said = [
        ElementTree.fromstring(svg).findtext("{http://www.w3.org/2000/svg}title"),
        properties.get("code"),
        pypdfium2.PdfDocument(pdf).get_metadata_dict()["Title"],
    ]

    assert said == [burn.short_code, burn.short_code, f"burn {burn.short_code}"]


def test_every_format_groups_what_belongs_to_a_slot_in_its_process_s_layer():
    """In PDF as marked content (ISO 32000-1, 14.6), read by PDFium."""
    shop = a_shop()
    burn = burn_of(shop, a_load(a_fill(), a_fill("A2", "j2"), shop=shop), 1)
    svg, dxf, pdf = (write(burn, shop.stations["left"]) for write in (burn_svg, burn_dxf, burn_pdf))

    groups = [g.get("id") for g in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}g")]
    document = ezdxf.read(io.StringIO(dxf.decode()))
    raw = pypdfium2.raw
    marks = []
    for thing in pypdfium2.PdfDocument(pdf)[0].get_objects(filter=(raw.FPDF_PAGEOBJ_PATH,)):
        name, length = ctypes.create_string_buffer(100), ctypes.c_ulong()
        mark = raw.FPDFPageObj_GetMark(thing, 0)
        wide = ctypes.cast(name, ctypes.POINTER(ctypes.c_ushort))
        raw.FPDFPageObjMark_GetName(mark, wide, 100, length)
        marks.append(name.raw[: length.value - 2].decode("utf-16-le"))

    assert groups == ["SATIN", "SATIN.A1", "SATIN.A2"]
    assert [name for name, _ in document.groups] == ["SATIN$A1", "SATIN$A2"]
    assert {entity.dxf.layer for entity in document.modelspace()} == {"SATIN"}
    assert list(dict.fromkeys(marks)) == ["SATIN.A1", "SATIN.A2"]


# --- controls: seeded faults that these checks must catch ---------------------------------------------


def test_a_wrong_view_box_is_caught():
    data = files_of(words("Rå 3"))["svg"].replace(b'viewBox="0 0 140 80"', b'viewBox="0 0 280 160"')

    with pytest.raises(ValueError, match="one user unit"):
        svg_paths(data, BOX)

    assert svg_area_mm2(data, dots_per_mm=20) != pytest.approx(words("Rå 3").region.area, rel=0.1)


def test_a_missing_view_box_is_caught_by_the_renderer():
    data = files_of(words("Rå 3"))["svg"].replace(b'viewBox="0 0 140 80"', b"")

    assert svg_area_mm2(data, dots_per_mm=20) != pytest.approx(words("Rå 3").region.area, rel=AREA_TOLERANCE)


@pytest.mark.parametrize("name", ["svg", "dxf", "pdf"])
def test_a_shift_of_two_micrometres_is_caught(name):
    outline = words("Rå 3")
    shifted = Outline(
        areas=tuple(shapely.transform(a, lambda xy: xy + np.array([0.002, 0.0])) for a in outline.areas)
    )

    off = off_mm(read_all(files_of(shifted))[name], approved_paths(outline))

    assert off == pytest.approx(0.002, abs=2e-4)
    assert off > MICROMETRE_MM


def test_a_truncated_dxf_is_caught():
    data = files_of(words("Rå 3"))["dxf"]

    cut = data[: data.rindex(b"LWPOLYLINE")]

    with pytest.raises(FeatureError):
        dxf_paths(cut)


def test_a_missing_letter_is_caught():
    outline = words("Rå 3")

    fewer = Outline(areas=outline.areas[:-1])

    assert off_mm(dxf_paths(files_of(fewer)["dxf"]), approved_paths(outline)) == math.inf


def test_a_coordinate_that_is_no_number_is_never_written():
    station, shop = a_station(), a_shop()
    burn = burn_of(shop, a_load(shop=shop), 1)
    piece = Piece((), np.empty((0, 2, 2)), (np.array([[0.0, 0.0], [math.nan, 1.0]]),))
    spoiled = replace(burn, parts=(replace(burn.parts[0], pieces=(piece,)),))

    for write in (burn_svg, burn_dxf, burn_pdf):
        with pytest.raises(ValueError, match="not a finite"):
            write(spoiled, station)
