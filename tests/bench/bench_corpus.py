"""Checks of words never seen before, as a store's buyers send them: new and cold, accepted and refused apart.

    python -m tests.bench.bench_corpus [SEED]

Figures are processor time of one check in the calling process over the same run's floor (see
`tests.bench.bench_geometry`), the milliseconds beside them. "new": the fonts' tables are made and the fonts
have been met, the words have not. "cold": the font is met for the first time, and nothing is known of any of
its letters.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from layout.check.feasibility import CheckResult, check
from layout.lettering.fonts import open_font, suggest
from layout.lettering.text import normalise
from layout.lettering.typeset import compose
from layout.shop.findings import Verdict
from layout.shop.shop import Shop
from service.shop import catalogue
from service.shop.font_tables import FontTables, measure_glyphs
from tests.bench.bench_geometry import floor_seconds, plain_check
from tests.bench.corpus import CURVED, STRAIGHT, Draw, draws, made_up_text
from tests.bench.timing import figure, input_line

_MET, _NEW, _CURVES, _PER_COLD_FONT, _PLAIN = 400, 600, 150, 4, 7
#: Capitals of the words that the plain script checks, too.
_PLAIN_MM = 3.0


@dataclass(frozen=True, slots=True)
class Timed:
    """One check and the processor seconds that it took."""

    draw: Draw
    result: CheckResult
    seconds: float


def main(seed: int) -> None:
    print(f"# seed {seed}", flush=True)
    chance = random.Random(seed)
    shop = catalogue.load(catalogue.default_folder())
    floor = floor_seconds(shop)
    figure("floor_us", floor * 1e6)
    with tempfile.TemporaryDirectory() as folder:
        _print("check_cold", _cold(shop, chance, Path(folder) / "cold"), floor, shares=(50, 95))
        straight = draws(shop, chance, _MET + _NEW)
        curved = draws(shop, chance, _MET // 4 + _CURVES, zones=CURVED)
        _make_tables(shop, [*straight, *curved], Path(folder))
        tables = FontTables(Path(folder))
        _timed(shop, [*straight[:_MET], *curved[: _MET // 4]], tables)
        new = _timed(shop, straight[_MET:], tables)
        on_curves = _timed(shop, curved[_MET // 4 :], tables)
        _vs_plain(shop, chance, tables)
    accepted = [one for one in new if one.result.verdict is not Verdict.REFUSE]
    refused = [one for one in new if one.result.verdict is Verdict.REFUSE]
    _print("check_new", new, floor)
    _print("accepted_new", accepted, floor)
    _print("refused_new", refused, floor)
    _print("curve_new", on_curves, floor)
    figure("refused_vs_accepted_p95", _share(refused, 95) / _share(accepted, 95))
    digests = "".join(mark.outline.digest for one in new for mark in one.result.marks)
    input_line("check_new", f"{len(accepted)} accepted, {len(refused)} refused", digests)


def _timed(shop: Shop, asked: Sequence[Draw], tables: FontTables) -> list[Timed]:
    timed = []
    for draw in asked:
        begun = time.process_time()
        result = check(shop, draw.sku, [draw.asked], store=tables)
        timed.append(Timed(draw, result, time.process_time() - begun))
    return timed


def _make_tables(shop: Shop, drawn: Sequence[Draw], folder: Path) -> None:
    """What `ricasso fonts measure` makes, of the letters of these words in every font."""
    letters = sorted({char for draw in drawn for char in normalise(draw.asked.text)})
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        waiting = []
        for name, spec in shop.fonts.items():
            font = open_font(spec)
            words = [normalise(draw.asked.text) for draw in drawn if draw.asked.font == name]
            lines = [line for text in [*letters, *words] for line in text.split("\n") if line.isprintable()]
            glyphs = {g.gid for line in lines for c in compose([line], font).clusters for g in c.glyphs}
            waiting.append(pool.submit(measure_glyphs, spec, folder, tuple(sorted(glyphs))))
        for part in waiting:
            part.result()


def _cold(shop: Shop, chance: random.Random, folder: Path) -> list[Timed]:
    """Every font met for the first time, several times over: another digest makes another font of it."""
    unmet = []
    for number in range(_PER_COLD_FONT):
        fonts = {
            name: replace(spec, sha256=f"{number}{spec.sha256[1:-1]}x") for name, spec in shop.fonts.items()
        }
        anew = replace(shop, fonts=fonts)
        for sku, zone in STRAIGHT:  # the zones are not what is measured here
            check(anew, sku, [Draw(sku, replace(draws(shop, chance, 1)[0].asked, zone=zone, text="")).asked])
        by_font = {draw.asked.font: draw for draw in draws(shop, chance, 400)}
        unmet += _timed(anew, list(by_font.values()), FontTables(folder))
    return unmet


def _vs_plain(shop: Shop, chance: random.Random, tables: FontTables) -> None:
    """The same new words checked by a script that keeps nothing; median over several words."""
    ratios = []
    sku, zone = STRAIGHT[0]
    while len(ratios) < _PLAIN:
        text = made_up_text(chance)
        font = chance.choice(["lato-bold", "atkinson-bold", "playfair-bold", "oswald-medium", "plex-mono"])
        if "\n" in text or font not in suggest(text, shop.fonts, (font,)):
            continue
        draw = draws(shop, chance, 1)[0]
        draw = Draw(sku, replace(draw.asked, zone=zone, text=text, font=font, height_mm=_PLAIN_MM))
        (ours,) = _timed(shop, [draw], tables)
        if ours.result.verdict is Verdict.ACCEPT:
            begun = time.process_time()
            plain_check(shop, text, font, _PLAIN_MM)
            ratios.append((time.process_time() - begun) / ours.seconds)
    figure("check_new_vs_plain", float(np.median(ratios)))


def _print(name: str, timed: Sequence[Timed], floor: float, *, shares: Sequence[int] = (50, 95, 99)) -> None:
    for share in shares:
        figure(f"{name}_p{share}_vs_floor", _share(timed, share) / floor)
        figure(f"{name}_p{share}_ms", _share(timed, share) * 1e3)
    slowest = max(timed, key=lambda one: one.seconds)
    asked = slowest.draw.asked
    said = f"{slowest.draw.sku} {asked.zone} {asked.font} {asked.height_mm} {asked.text!r}"
    print(f"# {name}: {len(timed)} checks, slowest {slowest.seconds * 1e3:.0f} ms: {said}", flush=True)


def _share(timed: Sequence[Timed], share: int) -> float:
    return float(np.percentile([one.seconds for one in timed], share))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else random.SystemRandom().randrange(10**6))
