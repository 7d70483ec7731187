"""Fit, fill and a check of the same words again against their baselines.

Words that were never seen before are measured by `tests.bench.bench_corpus`.

"floor" is bare HarfBuzz shaping with its result read out plus one prepared `contains` of the same text;
"plain" is what `tests.bench.plain` costs, a script of public libraries that keeps nothing.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import shapely
import uharfbuzz as hb
from shapely.geometry import Point, Polygon

from layout.burn import rows as fill
from layout.check.feasibility import check
from layout.fit import straight as fit
from layout.fit.region import Region, Source
from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose, draw
from layout.shop.blades import Baseline, Zone
from layout.shop.inscriptions import TextInscription
from layout.shop.shop import Shop
from service.shop import catalogue
from tests.bench.plain import Answer, plain_answer
from tests.bench.timing import figure, input_line, median_seconds

WORDS = "For Rosa, gardener, 1961"  # 24 characters
SKU, ZONE, FONT, HEIGHT_MM = "AQ-CHEF-20", "heel", "lato-bold", 4.0
_LINE_MM = 0.05


def main() -> None:
    shop = catalogue.load(catalogue.default_folder())
    cold_font(shop)
    floor = floor_seconds(shop)
    figure("floor_us", floor * 1e6)
    check_figures(shop, floor)
    fit_figures(shop, floor)
    fill_figure(shop)


def cold_font(shop: Shop) -> None:
    """Opening a font never used before, and its first check (nothing is cached on disk here)."""
    asked = TextInscription(ZONE, WORDS, "serif-semibold", height_mm=HEIGHT_MM)
    begun = time.perf_counter()
    result = check(shop, SKU, [asked])
    figure("cold_font_s", time.perf_counter() - begun)
    input_line("cold_font_s", f"{asked.font}, {WORDS!r}", result.verdict.value)


def floor_seconds(shop: Shop) -> float:
    font = open_font(shop.fonts[FONT])
    composition = compose([WORDS], font)
    block = draw(composition, height_mm=HEIGHT_MM, x_mm=0.0, y_mm=0.0).region
    room = block.envelope.buffer(1.0)
    shapely.prepare(room)

    def floor() -> object:
        buffer = hb.Buffer()
        buffer.add_str(WORDS)
        buffer.guess_segment_properties()
        hb.shape(font.hb_font, buffer)  # type: ignore[attr-defined]
        read = [
            (i.codepoint, i.cluster, p.x_advance)
            for i, p in zip(buffer.glyph_infos, buffer.glyph_positions, strict=True)
        ]
        return read, room.contains(block)

    return median_seconds(floor, repeats=50, clock=time.process_time)


def check_figures(shop: Shop, floor: float) -> None:
    asked = TextInscription(ZONE, WORDS, FONT, height_mm=HEIGHT_MM)
    result = check(shop, SKU, [asked])
    seconds = median_seconds(lambda: check(shop, SKU, [asked]), repeats=10)
    plain = median_seconds(lambda: plain_check(shop), rounds=3)
    figure("check_again_ms", seconds * 1e3)
    figure("check_again_vs_floor", seconds / floor)
    figure("check_again_vs_plain", plain / seconds)
    input_line("check", f"{SKU} {ZONE} {FONT} {HEIGHT_MM} mm {WORDS!r}", result.marks[0].outline.digest)


def plain_check(shop: Shop, words: str = WORDS, font: str = FONT, height_mm: float = HEIGHT_MM) -> Answer:
    """The same questions put by the plain script, in the zone SKU, ZONE."""
    blade = shop.blades[shop.products[SKU].blade]
    face = blade.face_of_zone(ZONE)
    zone = face.zone(ZONE)
    kept_out = shapely.union_all([k.polygon for k in face.keep_outs])
    region = zone.polygon.intersection(face.silhouette).difference(kept_out).buffer(-0.6)
    middle = region.representative_point()
    return plain_answer(
        shop.fonts[font].data,
        dict(shop.fonts[font].axes),
        words,
        height_mm=height_mm,
        at=(middle.x, middle.y),
        region=region,
        line_mm=_LINE_MM,
    )


def fit_figures(shop: Shop, floor: float) -> None:
    hull = compose([WORDS], open_font(shop.fonts[FONT])).hull
    convex = _zone(Polygon([(0, 0), (60, 0), (66, 6), (58, 13), (4, 12)]))
    hollow_shape = (
        Polygon(
            np.column_stack([np.linspace(0, 90, 60), 14 + 3 * np.sin(np.linspace(0, 3, 60))]).tolist()
            + [(90, 0), (0, 0)]
        )
        .difference(Point(20, 9).buffer(2.0))
        .difference(Point(48, 4).buffer(1.5))
        .difference(Point(70, 10).buffer(2.5))
    )
    hollow = _zone(hollow_shape)
    for name, zone in (("fit_convex_vs_floor", convex), ("fit_hollow_vs_floor", hollow)):
        region = Region(zone.polygon, 0.0, 0.0, (Source("zone", "z", zone.polygon.boundary),))
        found = fit.largest(region, hull, zone, align="centre")
        seconds = median_seconds(lambda r=region, z=zone: fit.largest(r, hull, z, align="centre"), repeats=3)
        figure(name, seconds / floor)
        assert found is not None
        input_line(name, f"{len(shapely.get_coordinates(zone.polygon))} corners", f"{found.height_mm:.2f}")


def _zone(polygon: Polygon) -> Zone:
    x0, _, x1, _ = polygon.bounds
    return Zone("z", polygon, Baseline(((x0, 0.0), (x1, 0.0))), frozenset({"text"}), (), 1, 0.5, 50.0)


def fill_figure(shop: Shop) -> None:
    outline = draw(
        compose(["Happy Birthday"], open_font(shop.fonts[FONT])), height_mm=5.0, x_mm=0.0, y_mm=0.0
    )
    process = next(iter(shop.processes.values()))
    process = replace(process, rows=replace(process.rows, spacing_mm=0.03, angle_deg=0.0, crossed=False))
    region = fill.shrink(outline, process)
    ours = median_seconds(lambda: fill.scan(region, 0.03, 0.0), repeats=5)
    x0, y0, x1, y1 = region.bounds
    lines = shapely.multilinestrings([[(x0 - 1, y), (x1 + 1, y)] for y in np.arange(y0 + 0.015, y1, 0.03)])
    theirs = median_seconds(lambda: shapely.intersection(region, lines), rounds=5)
    figure("fill_vs_shapely", theirs / ours)
    input_line(
        "fill", "one line of text, 5 mm capitals, rows 0.03 mm apart", f"{len(fill.scan(region, 0.03, 0.0))}"
    )


if __name__ == "__main__":
    main()
