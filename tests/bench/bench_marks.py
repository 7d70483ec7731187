"""What a shop can sell in script and inscriptional faces, and whether what is lost or closes is let pass.

`texts_accepted_script`, `texts_review_script`: shares of sensible texts (`tests.bench.corpus`) at 4, 6 and
9 mm capitals, in every script and display face that has their letters, where they fit.

`vanished_accepted`: of 2,000 seeded letters and shapes of which a part vanishes, a counter closes or an
opening is bridged, how many the check lets pass. Faults are seen on an independent raster of what the file
burns, at 8 pixels to the line's width, drawn by Pillow and measured by SciPy; parts that come together must
still do so with a line a pixel narrower, for that is how far a raster rounds.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from PIL import Image, ImageDraw
from scipy import ndimage
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from layout.burn.as_burned import as_burned
from layout.burn.turn import centre_pieces_of, pieces_of
from layout.check.burned_findings import letter_shape
from layout.check.burned_letters import Shape, burned_letter
from layout.check.feasibility import check
from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose
from layout.shop.findings import Verdict
from layout.shop.inscriptions import TextInscription
from layout.shop.outline import frozen
from layout.shop.shop import Shop
from layout.shop.stations import Process
from service.shop import catalogue
from tests.bench.corpus import written_texts
from tests.bench.timing import figure, input_line

SKU, ZONE = "AQ-CHEF-20", "heel"
STYLES, HEIGHTS_MM = {"script", "display"}, (4.0, 6.0, 9.0)
CASES, SEED = 2000, 11
PROCESSES = ("satin-north", "phosphate-north", "satin-south", "walnut-north")
PIXELS = 8  # to the line's width
#: On the raster: a part is lost when a pixel of it lies farther than so many lines from everything burned; an
#: opening is one when a disc of so many lines goes in.
LOST_LINES, OPENING_LINES = 1.0, 0.5


def main() -> None:
    shop = catalogue.load(catalogue.default_folder())
    texts_figures(shop)
    figure("vanished_accepted", vanished_accepted(shop))


def texts_figures(shop: Shop) -> None:
    verdicts: Counter[str] = Counter()
    for name, spec in sorted(shop.fonts.items()):
        if spec.style not in STYLES:
            continue
        font = open_font(spec)
        for text in sensible_texts():
            if not font.covers(text) or text.count("\n") > 2:
                continue
            for height in HEIGHTS_MM:
                result = check(shop, SKU, [TextInscription(ZONE, text, name, height)])
                codes = {finding.code for finding in result.findings}
                if codes & {"too_long", "too_tall", "no_room", "mixed_alphabets"}:
                    continue  # the words, or the room, and not the face
                verdicts[result.verdict.value] += 1
    number = sum(verdicts.values())
    input_line(
        "texts_script", f"{number} texts, {sorted(STYLES)}, {HEIGHTS_MM} mm", repr(sorted(verdicts.items()))
    )
    figure("texts_accepted_script", verdicts[Verdict.ACCEPT.value] / number)
    figure("texts_review_script", verdicts[Verdict.REVIEW.value] / number)


def sensible_texts() -> tuple[str, ...]:
    """The first part of the texts, which is sold wherever there is room."""
    texts = written_texts()
    return texts[: texts.index("For the kindest neighbour anyone could wish for")]


def vanished_accepted(shop: Shop) -> int:
    chance = random.Random(SEED)
    kinds: Counter[str] = Counter()
    accepted: Counter[str] = Counter()
    tried = 0
    while sum(kinds.values()) < CASES:
        tried += 1
        process = shop.processes[
            chance.choice(["satin-north", "phosphate-north", "satin-south", "walnut-north"])
        ]
        shape = a_shape(shop, chance, process)
        fault = fault_seen(shape, process)
        if fault is None:
            continue
        kinds[fault] += 1
        faults = burned_letter(shape, process, open_lines=shop.policy.open_lines).faults
        if not faults and not as_burned(frozen(shape.areas).areas, (), process).lost:
            accepted[fault] += 1
    input_line(
        "vanished_accepted", f"seed {SEED}, {tried} shapes, {dict(kinds)}, let pass {dict(accepted)}", ""
    )
    return sum(accepted.values())


def a_shape(shop: Shop, chance: random.Random, process: Process) -> Shape:
    """A letter so small that something may close, or a drawing with an opening or a stroke of some width."""
    width = process.line_width_mm
    if chance.random() < 0.5:
        name = chance.choice(sorted(n for n, s in shop.fonts.items() if s.kind == "outline"))
        font = open_font(shop.fonts[name])
        letters = [c for c in "ABDOPQRaebdgopqs&8469imnBKß" if font.covers(c)] or ["o"]
        clusters = [c for c in compose([chance.choice(letters)], font).clusters if c.glyphs]
        if clusters:
            return letter_shape(font, clusters[0], chance.uniform(2.0, 16.0) * width)
    turn = chance.uniform(0, 360)
    gap, stroke = chance.uniform(0.25, 1.2) * width, chance.uniform(0.1, 4.0) * width
    kind = chance.randrange(4)
    if kind == 0:  # a ring
        whole: Any = Point(0, 0).buffer(gap / 2 + stroke).difference(Point(0, 0).buffer(gap / 2))
    elif kind == 1:  # two bars
        length = chance.uniform(4, 12) * width
        whole = box(0, 0, length, stroke).union(box(0, stroke + gap, length, 2 * stroke + gap))
    elif kind == 2:  # an arc with an opening
        radius = chance.uniform(2.0, 6.0) * width + stroke
        whole = Point(0, 0).buffer(radius).difference(Point(0, 0).buffer(radius - stroke))
        whole = whole.difference(box(0, -gap / 2, 2 * radius, gap / 2))
    else:  # a cross of strokes of two widths
        thin = chance.uniform(0.05, 0.6) * width
        whole = box(-8 * width, -thin / 2, 8 * width, thin / 2).union(
            box(-stroke / 2, -5 * width, stroke / 2, 5 * width)
        )
    turned = affinity.rotate(whole, turn, origin=(0, 0))
    return Shape(tuple(part for part in shapely.get_parts(turned) if isinstance(part, Polygon)))


def fault_seen(shape: Shape, process: Process) -> str | None:
    """What a raster of the written paths shows to be wrong; None where nothing is."""
    outline = frozen(shape.areas, shape.strokes)
    if outline.is_empty:
        return None
    scale = PIXELS / process.line_width_mm
    x0, y0, x1, y1 = outline.bounds_mm
    pad = 3 * process.line_width_mm
    size = math.ceil((x1 - x0 + 2 * pad) * scale), math.ceil((y1 - y0 + 2 * pad) * scale)

    def at(points: Any) -> list[tuple[float, float]]:
        return [
            ((x - x0 + pad) * scale, (y - y0 + pad) * scale) for x, y in np.asarray(points)[:, :2].tolist()
        ]

    drawn = Image.new("1", size)
    pen = ImageDraw.Draw(drawn)
    for area in outline.areas:
        pen.polygon(at(area.exterior.coords), fill=1)
        for hole in area.interiors:
            pen.polygon(at(hole.coords), fill=0)
    paths: list[Any] = []
    for piece in [*pieces_of(outline, process, as_rows=True), *centre_pieces_of(outline, process)]:
        paths += [at(row) for row in piece.rows] + [at(line) for line in piece.lines]
    away = ndimage.distance_transform_edt(~np.array(traced(paths, size)))
    opening = max(shape.flaw_mm * scale, OPENING_LINES * PIXELS)
    gone = vanished(np.array(drawn), away <= PIXELS / 2 - 0.5, opening)
    return gone or come_together(np.array(drawn), away <= PIXELS / 2 - 1.0, opening)


def traced(paths: Sequence[Any], size: tuple[int, int]) -> Image.Image:
    """The beam's middle, one pixel wide."""
    image = Image.new("1", size)
    pen = ImageDraw.Draw(image)
    for path in paths:
        pen.line(path, fill=1)
    return image


def vanished(drawn: Any, burned: Any, opening: float) -> str | None:
    """A part of the drawing far from everything burned, or a counter of which nothing stays open."""
    if (drawn & (ndimage.distance_transform_edt(~burned) > LOST_LINES * PIXELS)).any():
        return "lost"
    background, count = ndimage.label(~drawn)
    deep = ndimage.distance_transform_edt(~drawn)
    for label in range(1, count + 1):
        part = background == label
        if touches_edge(part) or 2 * deep[part].max() < opening:
            continue
        if not (part & ~burned).any():
            return "closed"
    return None


def come_together(drawn: Any, burned: Any, opening: float) -> str | None:
    """Parts of the drawing that are joined, or an opening that is shut off from outside."""
    background, _ = ndimage.label(~drawn)
    letters, number = ndimage.label(drawn, np.ones((3, 3)))
    together, _ = ndimage.label(burned, np.ones((3, 3)))
    if number > 1:
        for one in range(1, number + 1):
            mine = set(together[(letters == one) & burned].tolist())
            others = set(together[(letters != one) & (letters > 0) & burned].tolist())
            if mine & others and gap_between(letters == one, (letters != one) & (letters > 0)) >= opening:
                return "joined"
    enclosed, count = ndimage.label(~burned)
    shut = ndimage.distance_transform_edt(~burned)
    outside = background[0, 0]
    for label in range(1, count + 1):
        part = enclosed == label
        # An opening that led outside, wider than a line and a half inside, is shut off now.
        if (
            not touches_edge(part)
            and 2 * shut[part].max() > 1.5 * PIXELS
            and (background[part] == outside).any()
        ):
            widened = ndimage.distance_transform_edt(~drawn) <= opening / 2
            still, _ = ndimage.label(~widened)
            seed = np.unravel_index(np.argmax(np.where(part, shut, 0)), part.shape)
            if still[seed] == still[0, 0]:
                return "bridged"
    return None


def gap_between(one: Any, other: Any) -> float:
    return float(ndimage.distance_transform_edt(~one)[other].min())


def touches_edge(part: Any) -> bool:
    return bool(part[0].any() or part[-1].any() or part[:, 0].any() or part[:, -1].any())


if __name__ == "__main__":
    main()
