"""Words that nobody has asked for before: drawn from the invented texts of `tests/references/data/texts.txt`
and made up anew by a seed, so that no run measures what another has warmed."""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

from layout.lettering.fonts import suggest
from layout.shop.inscriptions import TextInscription
from layout.shop.shop import Shop

TEXTS = Path(__file__).parents[1] / "references" / "data" / "texts.txt"

#: Product and zone. Straight: roomy, holed, narrow with a turn, low; curved: wide and tight.
STRAIGHT = (
    ("AQ-CHEF-20", "heel"),
    ("AQ-SANT-17", "heel"),
    ("AQ-HORI-18", "ricasso"),
    ("AQ-CHEESE-14", "between_holes"),
    ("AQ-PARE-9", "flat"),
)
CURVED = (("AQ-CHEF-20", "spine"), ("AQ-CHEESE-14", "round_hole_1"))

_SYLLABLES = {
    "Latn": (
        "an bel car dor el fi gra hu is jo ka lin mar ny ol pe quin ro sa tho ur vi wen xa yl zeb ö é ñ ş ł"
    ),
    "Cyrl": "ан бел вар гор да ев жи за ил ка лю ми но ол пе ро са ти ул фе",
    "Grek": "αν βα γε δη ελ ζω ηλ θα ιω κα λε μι νι ξε ολ πα ρο σο τα",
    "Hebr": "אב בר גל דן הד ור זו חן טל יע כר לב מי נו סי עד",
    "Arab": "اح بد جم حس خل در رش سل شم صف طر عم فر قم كر لي مر نو",
    "Deva": "अन बल चर दी एक गौ हरि ईश जय कम ला मो ना पू रा सी",
}
_PATTERNS = (
    "{a}",
    "{a}",
    "{a} & {b}",
    "For {a}, with love",
    "{a}'s kitchen",
    "{a} {year}",
    "Chef {a}",
    "Happy {n}th, {a}",
    "{d} {month} {year}",
    "To {a}\nfrom {b}",
    "{a}\n{year}",
    "{A}{B}",
    "No. {n} of 50",
    "{a} and {b}, {year}",
    "Made for {a}",
    "{a}-{b} – always sharp",
    "In memory of {a} {b}",
)
_MONTHS = ("January", "May", "June", "July", "August", "October", "December")


@dataclass(frozen=True, slots=True)
class Draw:
    """One check to make: a product and words in one of its zones."""

    sku: str
    asked: TextInscription


def written_texts() -> tuple[str, ...]:
    """The texts of the file, the buyer's own line breaks as U+000A."""
    lines = TEXTS.read_text(encoding="utf-8").splitlines()
    return tuple(line.replace("\\n", "\n") for line in lines if not line.startswith("# "))


def made_up_text(chance: random.Random) -> str:
    """Words as a buyer might type them, of syllables that make no name; most of them in Latin letters."""
    script = chance.choices(list(_SYLLABLES), weights=(80, 5, 5, 4, 3, 3))[0]

    def name() -> str:
        return "".join(
            chance.choices(_SYLLABLES[script].split(), k=chance.choice((1, 2, 2, 3, 3, 4)))
        ).capitalize()

    pattern = chance.choice(_PATTERNS) if script == "Latn" else chance.choice(_PATTERNS[:3])
    a, b = name(), name()
    return pattern.format(
        a=a,
        b=b,
        A=a[0].upper(),
        B=b[0].upper(),
        n=chance.randrange(1, 90),
        d=chance.randrange(1, 29),
        month=chance.choice(_MONTHS),
        year=chance.randrange(1950, 2035),
    )


def draws(
    shop: Shop, chance: random.Random, number: int, *, zones: tuple[tuple[str, str], ...] = STRAIGHT
) -> list[Draw]:
    """So many checks of different words: half of the file's texts, half made up.

    Three in four are in a font that has the letters, as a shop's page would offer; half name a height.
    """
    written = list(written_texts())
    chance.shuffle(written)
    made: list[Draw] = []
    asked_before: set[object] = set()
    while len(made) < number:
        text = written.pop() if written and chance.random() < 0.5 else made_up_text(chance)
        sku, zone = chance.choice(zones)
        offered = shop.face_of_zone(sku, zone).zone(zone).fonts
        able = suggest(text, shop.fonts, offered) if chance.random() < 0.75 else offered
        font = chance.choice(able or offered)
        height = round(chance.uniform(2.0, 8.0), 1) if chance.random() < 0.5 else None
        asked = TextInscription(zone, text, font, height_mm=height)
        if (sku, asked) not in asked_before:
            asked_before.add((sku, asked))
            made.append(Draw(sku, asked))
    return made
