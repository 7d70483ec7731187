"""What a shop can sell in script and inscriptional faces, and whether what is lost or closes is let pass.

`texts_accepted_script`, `texts_review_script`: shares of sensible texts (`tests.bench.corpus`) at 4, 6 and
9 mm capitals, in every script and display face that has their letters, where they fit.

`vanished_accepted`: of 2,000 seeded letters and shapes of which a part vanishes, a counter closes or an
opening is bridged, how many the check lets pass. Faults are seen on an independent raster of what the file
burns (`tests.burned_raster`), at 8 pixels to the line's width.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import replace
from functools import cache
from typing import Any

import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from layout.burn.as_burned import as_burned
from layout.check.burned_findings import letter_shape
from layout.check.burned_letters import Shape, burned_letter
from layout.check.feasibility import check
from layout.lettering.fonts import Font, open_font
from layout.lettering.typeset import Cluster, compose
from layout.shop.findings import Verdict
from layout.shop.inscriptions import TextInscription
from layout.shop.outline import frozen
from layout.shop.shop import FontSpec, Shop
from layout.shop.stations import Process
from service.shop import catalogue
from tests.bench.corpus import written_texts
from tests.bench.timing import figure, input_line
from tests.burned_raster import flaw_burned

SKU, ZONE = "AQ-CHEF-20", "heel"
STYLES, HEIGHTS_MM = {"script", "display"}, (4.0, 6.0, 9.0)
CASES, SEED = 2000, 11
PROCESSES = ("satin-north", "phosphate-north", "satin-south", "walnut-north")
LETTERS = "ABDOPQRaebdgopqs&8469imnBKß"


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


def vanished_accepted(shop: Shop, *, cases: int = CASES, seed: int = SEED) -> int:
    """How many of so many flawed shapes the check lets pass."""
    chance = random.Random(seed)
    kinds: Counter[str] = Counter()
    accepted: Counter[str] = Counter()
    tried = 0
    while sum(kinds.values()) < cases:
        tried += 1
        process = a_process(shop, chance)
        shape = a_shape(shop, chance, process)
        outline = frozen(shape.areas, shape.strokes)
        flaw = flaw_burned(outline, process, flaw_mm=shape.flaw_mm)
        if flaw is None:
            continue
        kinds[flaw] += 1
        faults = burned_letter(shape, process, open_lines=shop.policy.open_lines).faults
        if not faults and not as_burned(outline.areas, (), process).lost:
            accepted[flaw] += 1
    input_line("vanished_accepted", f"seed {seed}, {tried} shapes", f"{dict(kinds)}, {dict(accepted)}")
    print(f"# of these: {dict(kinds)}; let pass: {dict(accepted)}")
    return sum(accepted.values())


def a_process(shop: Shop, chance: random.Random) -> Process:
    """A recipe; one in eight with a card that shows no isolated lines, so that hairlines vanish."""
    process = shop.processes[chance.choice(PROCESSES)]
    return process if chance.random() < 0.875 else replace(process, centre_line_passes=0)


def a_shape(shop: Shop, chance: random.Random, process: Process) -> Shape:
    """A letter so small that something may close, or hairlines with an opening about as wide as the line."""
    width = process.line_width_mm
    if chance.random() < 0.5:
        name = chance.choice(sorted(n for n, s in shop.fonts.items() if s.kind == "outline"))
        font, cluster = a_letter(shop.fonts[name], chance.choice(LETTERS))
        return letter_shape(font, cluster, 1.5 * math.exp(chance.uniform(0, 2.0)) * width)
    gap, stroke = chance.uniform(0.3, 1.1) * width, 0.03 * math.exp(chance.uniform(0, 3.5)) * width
    kind = chance.randrange(4)
    if kind == 0:  # a ring
        whole: Any = Point(0, 0).buffer(gap / 2 + stroke).difference(Point(0, 0).buffer(gap / 2))
    elif kind == 1:  # two bars
        length = chance.uniform(2, 6) * width
        whole = box(0, 0, length, stroke).union(box(0, stroke + gap, length, 2 * stroke + gap))
    elif kind == 2:  # an arc with an opening
        radius = chance.uniform(2.0, 4.0) * width + stroke
        whole = Point(0, 0).buffer(radius).difference(Point(0, 0).buffer(radius - stroke))
        whole = whole.difference(box(0, -gap / 2, 2 * radius, gap / 2))
    else:  # a cross of strokes of two widths
        thin, thick = chance.uniform(0.05, 0.6) * width, chance.uniform(0.1, 4.0) * width
        whole = box(-8 * width, -thin / 2, 8 * width, thin / 2).union(
            box(-thick / 2, -5 * width, thick / 2, 5 * width)
        )
    turned = affinity.rotate(whole, chance.uniform(0, 360), origin=(0, 0))
    return Shape(tuple(part for part in shapely.get_parts(turned) if isinstance(part, Polygon)))


@cache
def a_letter(spec: FontSpec, letter: str) -> tuple[Font, Cluster]:
    """A font and one letter of it; its o where it has no such letter."""
    font = open_font(spec)
    text = letter if font.covers(letter) else "o"
    return font, next(c for c in compose([text], font).clusters if c.glyphs)


if __name__ == "__main__":
    main()
