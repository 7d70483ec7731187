"""Marks of the made-up shop as they come out well or badly, each in a photo, drawn anew by a seed.

The marks are those that the check accepts, as the process burns them: words in several fonts with accents,
monograms, artwork, codes. What went wrong is done to the polygons before the photo is drawn
(`tests.references.photos`); every fault is at least LEAST_MM across.
"""

from __future__ import annotations

import io
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal, get_args

import numpy as np
import shapely
from PIL import Image

from layout.check.feasibility import CheckResult, check
from layout.look.look import Look, look
from layout.pictures.burned import boldest, burned_shape
from layout.shop.findings import Verdict
from layout.shop.inscriptions import (
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    TextInscription,
)
from layout.shop.shop import Shop
from service.shop import catalogue
from tests.references.photos import Photo, ghost_of, half_burned, large_enough, photo_of, without

Fault = Literal[
    "letter missing", "accent missing", "half burned", "doubled", "wrong words", "wrong unit", "letter faint"
]
FAULTS: tuple[Fault, ...] = get_args(Fault)

WORDS = (
    "Ada", "Zoë", "Anna", "Ünal", "HARBOUR", "Ålesund", "Żółć", "José & Müller", "Café Adèle", "For Łukasz",
    "Crème brûlée", "To Søren\nfrom Zoë", "12 May 2026", "Œuvre № 7", "Größe", "Ελένη", "Žofie", "Nguyễn",
)  # fmt: skip
#: Instead of a letter, one that looks otherwise.
_OTHER = {"a": "o", "e": "i", "n": "r", "o": "u", "A": "H", "Z": "T", "r": "t", "m": "n", "2": "7", "R": "P"}
_TRIES = 200


@dataclass(frozen=True, slots=True)
class Case:
    """A mark as it was approved, and a photo of what came out."""

    what: str
    parts: tuple[Any, ...]
    photo: Photo

    def looked_at(self) -> Look:
        """What the comparison says of it."""
        with Image.open(io.BytesIO(self.photo.jpeg)) as picture:
            grey = np.asarray(picture.convert("L"), dtype=np.float32) / np.float32(255)
        return look(grey, self.parts)


def is_pointed_at(said: Look) -> bool:
    """Whether a person is told to look."""
    return said.to_photo is None or bool(said.suspects)


def a_good_one(seed: int) -> Case:
    """A mark that came out well."""
    dice = random.Random(seed)
    mark = _a_mark(dice)
    return Case(mark.what, mark.parts, photo_of(mark.parts, _box(mark.parts), seed=seed))


def a_bad_one(fault: Fault, seed: int) -> Case:
    """A mark that came out badly."""
    dice = random.Random(f"{fault} {seed}")
    for _ in range(_TRIES):
        mark = _a_mark(dice, of_words=fault in {"accent missing", "wrong words"})
        burned = _spoiled(fault, mark, dice)
        if burned is None:
            continue
        about = _box(burned.parts or mark.parts)
        photo = photo_of(burned.parts, about, seed=seed, ghost=burned.ghost, faint=burned.faint)
        return Case(f"{fault}: {mark.what}", mark.parts, photo)
    raise AssertionError(f"no mark that can have its {fault}")


@dataclass(frozen=True, slots=True)
class _Mark:
    what: str
    sku: str
    inscription: Inscription
    parts: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class _Burned:
    parts: Sequence[Any]
    ghost: tuple[float, float] | None = None
    faint: Sequence[tuple[Any, float]] = ()


@cache
def _shop() -> Shop:
    return catalogue.load(catalogue.default_folder())


def _a_mark(dice: random.Random, *, of_words: bool = False) -> _Mark:
    """A mark that the check lets pass."""
    shop = _shop()
    for _ in range(_TRIES):
        product = dice.choice(list(shop.products.values()))
        blade = shop.blades[product.blade]
        zone = dice.choice([zone.zone for face in blade.faces for zone in face.zones])
        kind = "text" if of_words else dice.choice(["text"] * 6 + ["monogram", "artwork", "code"])
        font = dice.choice(sorted(shop.fonts))
        inscription: Inscription
        if kind == "text":
            inscription = TextInscription(zone, dice.choice(WORDS), font)
        elif kind == "monogram":
            inscription = MonogramInscription(zone, dice.choice(("AB", "ÉM", "KW")), font)
        elif kind == "artwork":
            inscription = ArtworkInscription(zone, dice.choice(sorted(shop.artworks)))
        else:
            number = f"AQ-{dice.randrange(10_000):04}"
            inscription = CodeInscription(zone, dice.choice(("qr", "datamatrix")), number)
        result = check(shop, product.sku, [inscription])
        if result.verdict is not Verdict.REFUSE and result.marks:
            what = f"{product.sku} {zone} {inscription}"
            return _Mark(what, product.sku, inscription, _as_burned(result))
    raise AssertionError("the shop engraves nothing")


def _as_burned(result: CheckResult) -> tuple[Any, ...]:
    (mark,) = result.marks
    stations = [station.station for station, _ in result.stations]
    return tuple(shapely.get_parts(burned_shape(mark, boldest(_shop(), mark.surface, stations))))


def _spoiled(fault: Fault, mark: _Mark, dice: random.Random) -> _Burned | None:
    """What is burned instead; None where this mark can't have that fault."""
    parts = mark.parts
    large = [place for place, part in enumerate(parts) if large_enough(part)]
    if fault == "accent missing":
        heights = [part.bounds[3] - part.bounds[1] for part in parts]
        usual = sorted(heights)[len(heights) // 2]
        large = [place for place in large if heights[place] < 0.4 * usual]
    if fault in {"letter missing", "accent missing", "letter faint"}:
        if len(parts) < 2 or not large:
            return None
        place = dice.choice(large)
        faint = [(parts[place], dice.uniform(0.15, 0.4))] if fault == "letter faint" else []
        return _Burned(without(parts, place), faint=faint)
    if fault == "half burned":
        return _Burned(half_burned(parts, dice))
    if fault == "doubled":
        return _Burned(parts, ghost=ghost_of(dice))
    return _other_words(mark, dice) if fault == "wrong words" else _other_unit(mark, dice)


def _other_unit(mark: _Mark, dice: random.Random) -> _Burned | None:
    """Another unit's mark, or bare metal."""
    if dice.random() < 0.2:
        return _Burned(())
    other = _a_mark(dice)
    return _Burned(other.parts) if other.inscription != mark.inscription else None


def _other_words(mark: _Mark, dice: random.Random) -> _Burned | None:
    """Other words in the same place and font: half of the time of one letter only."""
    asked = mark.inscription
    if not isinstance(asked, TextInscription):
        return None
    if dice.random() < 0.5:
        letters = [place for place, letter in enumerate(asked.text) if letter in _OTHER]
        if not letters:
            return None
        at = dice.choice(letters)
        text = asked.text[:at] + _OTHER[asked.text[at]] + asked.text[at + 1 :]
    else:
        text = dice.choice([words for words in WORDS if words != asked.text])
    result = check(_shop(), mark.sku, [replace(asked, text=text)])
    if result.verdict is Verdict.REFUSE or not result.marks:
        return None
    burned = _as_burned(result)
    differs = shapely.symmetric_difference(shapely.union_all(burned), shapely.union_all(mark.parts))
    if not any(large_enough(part) for part in shapely.get_parts(differs)):
        return None
    return _Burned(burned)


def _box(parts: Sequence[Any]) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = shapely.total_bounds(np.array(parts, dtype=object))
    return float(x0), float(y0), float(x1), float(y1)
