"""Builders of small shops and loads for tests of files and of the judge. Shop and blades are made up."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from importlib.resources import files

from shapely.geometry import LineString, Point, Polygon, box

from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose, draw
from layout.seating.registration import nominal
from layout.shop.blades import Baseline, Blade, Face, KeepOut, Product, Surface, Zone
from layout.shop.loads import LoadLayout, Mark, Place, SlotFill, Turn
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Plate, Play, Pose, Seat, Slot
from layout.shop.shop import FontSpec, Policy, Shop
from layout.shop.stations import LayerStyle, Process, Rows, Station, TestCard

SATIN = Surface("stainless", "satin")
STROKE_GLYPHS = {"V": {"advance": 10, "strokes": [[[0, 10], [4, 0], [8, 10]]]}}


def a_font(name: str = "Lato-Bold.ttf") -> FontSpec:
    data = files("fontpkg_lato").joinpath(f"files/{name}").read_bytes()
    return FontSpec(name, name, "outline", "sans", "OFL-1.1", data, hashlib.sha256(data).hexdigest())


def a_single_line_font() -> FontSpec:
    data = json.dumps({"capital_height": 10, "glyphs": STROKE_GLYPHS}).encode()
    return FontSpec(
        "strokes", "Strokes", "single_line", "single_line", "none", data, hashlib.sha256(data).hexdigest()
    )


def words(text: str, *, height_mm: float = 4.0, x_mm: float = 20.0, y_mm: float = 8.0) -> Outline:
    return draw(compose([text], open_font(a_font())), height_mm=height_mm, x_mm=x_mm, y_mm=y_mm)


def strokes(*, x_mm: float = 20.0, y_mm: float = 8.0) -> Outline:
    return draw(compose(["VV"], open_font(a_single_line_font())), height_mm=4.0, x_mm=x_mm, y_mm=y_mm)


def squares(*corners: tuple[float, float], side_mm: float = 2.0) -> Outline:
    return frozen([box(x, y, x + side_mm, y + side_mm) for x, y in corners])


def a_zone(**changes: object) -> Zone:
    zone = Zone(
        zone="flat",
        polygon=box(5, 3, 35, 17),
        baseline=Baseline(((5.0, 8.0), (35.0, 8.0))),
        kinds=frozenset({"text"}),
        fonts=("Lato-Bold.ttf",),
        max_lines=2,
        min_height_mm=2.0,
        max_height_mm=8.0,
    )
    return replace(zone, **changes)  # type: ignore[arg-type]


def a_blade(**changes: object) -> Blade:
    silhouette = Polygon([(0, 0), (40, 0), (40, 20), (0, 20)], [Point(37, 16).buffer(1.5).exterior.coords])
    hole = KeepOut("hang hole", "hole", Point(37, 16).buffer(2.0))
    mark_side = Face("mark_side", silhouette, (a_zone(),), (hole,), handle_deg=180.0)
    pile_side = Face("pile_side", silhouette, (a_zone(zone="back"),), (hole,), handle_deg=0.0)
    return replace(Blade("parer", "Invented parer", (mark_side, pile_side)), **changes)  # type: ignore[arg-type]


def a_seat(face: str = "mark_side", **changes: object) -> Seat:
    seat = Seat("parer", face, Pose(10.0, 10.0, 0.0, 3.0), Play(0.1, 0.2, (0.0, 10.0)))
    return replace(seat, **changes)  # type: ignore[arg-type]


def a_plate(*, pose: Pose | None = None, play: Play | None = None) -> Plate:
    first = a_seat(pose=pose or Pose(10.0, 10.0, 0.0, 3.0), play=play or Play(0.1, 0.2, (0.0, 10.0)))
    turned = Pose(100.0, 40.0, 180.0, 3.0)
    slots = (
        Slot(
            "A1", box(8, 8, 52, 32), (first, replace(first, face="pile_side"), replace(first, blade="bare"))
        ),
        Slot("A2", box(58, 18, 102, 42), (a_seat(pose=turned), a_seat("pile_side", pose=turned))),
    )
    return Plate(
        "bench", "Invented bench plate", (120.0, 60.0), slots, ("one", "two"), ((0.0, 0.0), (100.0, 0.0))
    )


def a_process(**changes: object) -> Process:
    process = Process(
        process="satin",
        station="left",
        surface=SATIN,
        power_percent=50.0,
        speed_mm_s=500.0,
        frequency_khz=40.0,
        rows=Rows(0.04, 30.0, crossed=False),
        edge_line=True,
        edge_allowance_mm=0.025,
        repeats=2,
        line_width_mm=0.05,
        focus_tolerance_mm=0.5,
        test_card=TestCard("2026-01-05", "N. Nobody"),
    )
    return replace(process, **changes)  # type: ignore[arg-type]


def a_station(**changes: object) -> Station:
    station = Station(
        station="left",
        name="Invented left station",
        field_mm=(140.0, 80.0),
        origin="centre",
        spot_mm=0.04,
        focus_mm=200.0,
        jump_speed_mm_s=3000.0,
        acceleration_mm_s2=50000.0,
        formats=("svg", "dxf", "pdf"),
        fill="outline",
        layers={"satin": LayerStyle("SATIN", "#204060")},
        plates={"bench": (-60.0, -30.0, 0.0)},
    )
    return replace(station, **changes)  # type: ignore[arg-type]


def a_shop(
    *,
    station: Station | None = None,
    plate: Plate | None = None,
    process: Process | None = None,
    blade: Blade | None = None,
) -> Shop:
    parer = blade or a_blade()
    return Shop(
        version="test",
        products={
            "PARER": Product("PARER", "Invented parer", (), "parer", SATIN),
            "BARE": Product("BARE", "Invented bare blade", (), "bare", SATIN),
        },
        blades={"parer": parer, "bare": replace(parer, blade="bare", bare=True)},
        plates={"bench": plate or a_plate()},
        stations={"left": station or a_station()},
        processes={"satin": process or a_process()},
        fonts={},
        artworks={},
        policy=Policy(),
    )


def a_mark(outline: Outline | None = None, **changes: object) -> Mark:
    mark = Mark("flat", "mark_side", SATIN, words("Anna 8") if outline is None else outline)
    return replace(mark, **changes)  # type: ignore[arg-type]


def a_fill(slot: str = "A1", job: str | None = "j1", **changes: object) -> SlotFill:
    face = str(changes.get("face", "mark_side"))
    fill = SlotFill(
        slot, "PARER", "parer", face, (a_mark(),), frozenset({Place("left", "bench", slot, face)}), job=job
    )
    return replace(fill, **changes)  # type: ignore[arg-type]


def a_load(*fills: SlotFill, shop: Shop | None = None) -> LoadLayout:
    return a_load_of((Turn(1, fills or (a_fill(),)),), shop=shop)


def a_load_of(turns: tuple[Turn, ...], *, shop: Shop | None = None) -> LoadLayout:
    known = shop or a_shop()
    calibration = nominal(known.stations["left"], known.plates["bench"], "one")
    return LoadLayout("left", "bench", "one", calibration, turns)


def a_line(*points: tuple[float, float]) -> LineString:
    return LineString(points)
