"""The same blade, drawn by many general-purpose libraries, is the same blade; readers agree with other
readers."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import affinity

from service.drawings import UnitNeeded, read_drawing
from service.drawings.take import Answers, Taken, take
from tests import drawings
from tests.drawings import BLADES, Drawn

#: Every writer, by name. What a file does not say must be said: no unit, points, px, and the metres of
#: GDAL's map.
WRITERS = [name for name in vars(drawings) if name.startswith(("dxf_", "svg_"))]
UNITS = {
    "dxf_of_the_oldest_kind": "mm",
    "dxf_by_gdal": "mm",
    "svg_by_reportlab": "pt",
    "svg_of_an_element_tree": "px",
}
#: Independent drawings of one blade agree to this.
AGREE_MM = 0.010
#: And each is at most so far from the curve itself.
OFF_MM = 0.005


def written(writer: str, drawn: Drawn, folder: Path) -> bytes:
    write = getattr(drawings, writer)
    return write(drawn, folder) if writer == "dxf_by_gdal" else write(drawn)


def taken(writer: str, drawn: Drawn, folder: Path) -> Taken:
    answers = Answers("x", "X", "x", ("mark_side",), drawn.edge, ("left",), unit=UNITS.get(writer))  # type: ignore[arg-type]
    return take(written(writer, drawn, folder), answers)


def apart_mm(one: shapely.Polygon, other: shapely.Polygon) -> float:
    """Hausdorff distance of outlines, each shape pushed against the axes, from corners dense on both."""

    def pushed(polygon: shapely.Polygon) -> shapely.Polygon:
        x0, y0, _, _ = polygon.bounds
        return affinity.translate(polygon, -x0, -y0)

    a, b = pushed(one).exterior, pushed(other).exterior
    there = shapely.distance(shapely.points(shapely.get_coordinates(a.segmentize(0.5))), b).max()
    back = shapely.distance(shapely.points(shapely.get_coordinates(b.segmentize(0.5))), a).max()
    return float(max(there, back))


def exact(drawn: Drawn) -> shapely.Polygon:
    return drawn.outline.polygon


def test_one_blade_by_every_library_is_one_blade(tmp_path):
    faces = {writer: taken(writer, BLADES["chef"], tmp_path).blade.faces[0] for writer in WRITERS}

    assert len(WRITERS) >= 14
    for one, other in itertools.combinations(WRITERS, 2):
        assert apart_mm(faces[one].silhouette, faces[other].silhouette) < AGREE_MM, (one, other)
    for writer, face in faces.items():
        hole = next(k for k in face.keep_outs if k.reason == "hole").polygon
        x0, _, _, y1 = face.silhouette.bounds
        assert hole.centroid.x - x0 == pytest.approx(12, abs=AGREE_MM), writer
        assert y1 - hole.centroid.y == pytest.approx(10, abs=AGREE_MM), writer
        assert hole.length / (2 * np.pi) == pytest.approx(3, abs=AGREE_MM), writer
        if writer != "svg_by_reportlab":  # it keeps no names, so outline and hole are all there is
            assert face.zones[0].zone == "heel", writer
            assert face.zones[0].polygon.bounds[0] - x0 == pytest.approx(20, abs=AGREE_MM), writer
            (ax, ay), (bx, by) = face.zones[0].baseline.points
            assert (bx - ax, by - ay) == pytest.approx((54, 0), abs=AGREE_MM), writer


def _pairs() -> list[tuple[str, str]]:
    """Each blade by two writers, all writers in turn."""
    turns = itertools.cycle(WRITERS)
    return [(blade, next(turns)) for blade in BLADES for _ in range(2)]


@pytest.mark.parametrize(("blade", "writer"), _pairs())
def test_a_drawn_blade_lies_on_its_exact_curve(blade, writer, tmp_path):
    face = taken(writer, BLADES[blade], tmp_path).blade.faces[0]

    assert apart_mm(face.silhouette, exact(BLADES[blade])) < OFF_MM
    assert face.handle_deg == 180


@pytest.mark.long
@pytest.mark.parametrize("blade", BLADES)
def test_every_blade_by_every_library_lies_on_its_exact_curve(blade, tmp_path):
    for writer in WRITERS:
        face = taken(writer, BLADES[blade], tmp_path).blade.faces[0]
        assert apart_mm(face.silhouette, exact(BLADES[blade])) < OFF_MM, writer


# --- other readers ---


@pytest.mark.parametrize("writer", ["dxf_of_entities", "dxf_of_blocks", "dxf_from_behind", "dxf_of_ellipses"])
def test_gdal_reads_the_same_curves_from_a_dxf_file(writer, tmp_path):
    """GDAL's DXF driver takes blocks apart and puts vertices on arcs by code of its own."""
    import pyogrio.raw

    drawn = BLADES["cheese knife with holes"]
    path = tmp_path / "blade.dxf"
    path.write_bytes(written(writer, drawn, tmp_path))
    _, _, geometry, _ = pyogrio.raw.read(path)
    theirs = shapely.get_coordinates([shapely.from_wkb(g) for g in geometry])
    per_mm = {"dxf_of_ellipses": 10.0}.get(writer, 1.0)

    ours = read_drawing(path.read_bytes())
    lines = shapely.union_all(
        [shapely.LineString(np.vstack([s.points, s.points[: s.closed]])) for s in ours.strokes]
    )

    off = shapely.distance(shapely.points(theirs * per_mm), lines)
    assert len(theirs) > 100
    assert off.max() < OFF_MM
    assert shapely.box(*(lines.bounds)).bounds == pytest.approx(
        shapely.multipoints(theirs * per_mm).bounds, abs=0.01
    )


def test_a_renderer_sees_the_same_area_through_nested_frames_and_transforms(tmp_path):
    """resvg draws the file; what it fills is as large as what was read, and lies where it lies."""
    import io

    import resvg_py
    from PIL import Image

    drawn = BLADES["paring"]
    svg = written("svg_by_hand", Drawn(drawn.outline, edge="down"), tmp_path).decode()
    picture = resvg_py.svg_to_bytes(svg_string=svg, dpi=96, zoom=2)
    per_mm = 2 * 960 / 254
    dark = np.asarray(Image.open(io.BytesIO(bytes(picture))))[..., 3] > 127
    # The label beside the blade is no part of it.
    rows, columns = np.nonzero(dark)
    ours = read_drawing(svg.encode()).strokes[0].points
    x0, y0 = ours.min(axis=0)
    x1, y1 = ours.max(axis=0)
    inside = (columns > (x0 - 1) * per_mm) & (columns < (x1 + 1) * per_mm)
    inside &= (rows > (-y1 - 1) * per_mm) & (rows < (-y0 + 1) * per_mm)

    assert inside.sum() / per_mm**2 == pytest.approx(drawn.outline.polygon.area, rel=0.002)
    assert columns[inside].min() / per_mm == pytest.approx(x0, abs=0.2)
    assert rows[inside].max() / per_mm == pytest.approx(-y0, abs=0.2)


# --- units ---

SQUARE = "<path id='outline' d='M0 0H40V20H0Z'/>"


@pytest.mark.parametrize(
    ("head", "unit", "dpi", "width_mm"),
    [
        ("width='40mm' height='20mm' viewBox='0 0 40 20'", None, 96, 40),
        ("width='4cm' viewBox='0 0 40 20'", None, 96, 40),
        ("width='2in' height='1in' viewBox='0 0 40 20'", None, 96, 50.8),
        ("width='72pt' height='36pt' viewBox='0 0 40 20'", None, 96, 25.4),
        ("width='6pc' height='3pc' viewBox='0 0 40 20'", None, 96, 25.4),
        ("width='160Q' height='80Q' viewBox='0 0 40 20'", None, 96, 40),
        # Without a view box a unit is a px of 1/96 inch (SVG 1.1, section 7.2; CSS Values 3).
        ("width='40mm' height='20mm'", None, 96, 40 * 25.4 / 96),
        ("viewBox='0 0 40 20'", "in", 96, 1016),
        ("width='40' height='20'", "px", 96, 40 * 25.4 / 96),
        ("width='40px' height='20px' viewBox='0 0 40 20'", "px", 254, 4),
        ("width='40mm' height='20mm' viewBox='0 0 40 20'", "cm", 96, 400),
    ],
)
def test_a_drawings_unit_is_what_it_says_or_what_its_owner_says(head, unit, dpi, width_mm):
    svg = f"<svg xmlns='http://www.w3.org/2000/svg' {head}>{SQUARE}</svg>"

    points = read_drawing(svg.encode(), unit=unit, dpi=dpi).strokes[0].points

    assert np.ptp(points[:, 0]) == pytest.approx(width_mm)
    assert np.ptp(points[:, 1]) == pytest.approx(width_mm / 2)


@pytest.mark.parametrize(
    "head", ["viewBox='0 0 40 20'", "width='100%' viewBox='0 0 40 20'", "width='40' height='20'"]
)
def test_a_drawing_without_a_unit_says_how_large_it_would_be_in_each(head):
    with pytest.raises(UnitNeeded) as caught:
        read_drawing(f"<svg xmlns='http://www.w3.org/2000/svg' {head}>{SQUARE}</svg>".encode())

    assert "mm: 40 x 20 mm, in: 1016 x 508 mm, pt: 14.1 x 7.1 mm, px at 96 to the inch: 10.6 x 5.3 mm" in str(
        caught.value
    )


def test_a_dxf_file_without_a_unit_is_asked_for_one_and_one_that_says_another_is_told_apart(tmp_path):
    with pytest.raises(UnitNeeded, match=r"mm: 211 x 52 mm, in: 5359.4 x"):
        read_drawing(written("dxf_of_the_oldest_kind", BLADES["chef"], tmp_path))

    drawing = read_drawing(written("dxf_by_gdal", BLADES["chef"], tmp_path), unit="mm")

    assert "the file says its unit is meters; --unit mm was taken" in drawing.notes
