"""Forty texts in many scripts as proofs, kept as SVG and looked at by eye.

`python -m tests.golden.proofs` writes them anew; `--sheet FILE.png` also draws them on one page to look at.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path

from layout.check.feasibility import CheckResult, check
from layout.pictures.proof import proof_svg
from layout.shop.inscriptions import TextInscription
from layout.shop.shop import Shop
from service.shop import catalogue

FOLDER = Path(__file__).parent / "proofs"

#: name: (sku, zone, font, text, capital height in mm or None for the usual size)
TEXTS: dict[str, tuple[str, str, str, str, float | None]] = {
    "latin": ("AQ-CHEF-20", "heel", "lato-bold", "For Rosa", None),
    "latin-two-lines": ("AQ-CHEF-20", "heel", "garamond-bold", "Marta\nand Jonas", None),
    "kerning": ("AQ-CHEF-20", "heel", "lato-bold", "AVATAR To Yo", 5.0),
    "ligature": ("AQ-CHEF-20", "heel", "garamond-bold", "fjord office", 5.0),
    "diacritics-french": ("AQ-CHEF-20", "heel", "serif-semibold", "Noël à Évian", 4.0),
    "diacritics-czech": ("AQ-CHEF-20", "heel", "inter-semibold", "Žluťoučký kůň", 4.0),
    "diacritics-polish": ("AQ-HORI-18", "ricasso", "lato-bold", "Święta Łódź", 4.0),
    "diacritics-icelandic": ("AQ-HORI-18", "ricasso", "atkinson-bold", "Þórður Æsir", 4.0),
    "german": ("AQ-HORI-18", "ricasso", "barlow-condensed", "Grüße, Groß", 4.0),
    "turkish": ("AQ-HORI-18", "ricasso", "inter-semibold", "İstanbul ığ", 4.0),
    "romanian": ("AQ-HORI-18", "ricasso", "lato-bold", "Țăran și fiu", 4.0),
    "vietnamese": ("AQ-CHEF-20", "heel", "vietnam-semibold", "Nguyễn Thị Hồng", 4.0),
    "vietnamese-caps": ("AQ-CHEF-20", "heel", "vietnam-semibold", "ĐẦU BẾP", 5.0),
    "greek": ("AQ-CHEF-20", "heel", "noto-sans-semibold", "Ελένη και Νίκος", 4.0),
    "greek-polytonic": ("AQ-CHEF-20", "heel", "noto-sans-semibold", "Ἀθῆναι", 5.0),
    "cyrillic": ("AQ-CHEF-20", "heel", "noto-sans-semibold", "Анна и Борис", 4.0),
    "cyrillic-ukrainian": ("AQ-CHEF-20", "heel", "inter-semibold", "Їжак Ґанок", 4.0),
    "cyrillic-serbian": ("AQ-CHEF-20", "heel", "noto-sans-semibold", "Љубав њежна", 4.0),
    "arabic": ("AQ-CHEF-20", "heel", "amiri-bold", "نور الدين", 6.0),
    "arabic-marks": ("AQ-CHEF-20", "heel", "amiri-bold", "مُحَمَّد", 7.0),
    "persian": ("AQ-CHEF-20", "heel", "amiri-bold", "گل سرخ", 6.0),
    "arabic-digits": ("AQ-CHEF-20", "heel", "amiri-bold", "سنة ٢٠٢٦", 6.0),
    "arabic-latin": ("AQ-CHEF-20", "heel", "amiri-bold", "نور Nour", 6.0),
    "arabic-number": ("AQ-CHEF-20", "heel", "amiri-bold", "غرفة 12 (ب)", 6.0),
    "hebrew": ("AQ-CHEF-20", "heel", "frank-ruhl", "שלום בית", 6.0),
    "hebrew-digits": ("AQ-CHEF-20", "heel", "frank-ruhl", "דוד 1961", 6.0),
    "hebrew-latin": ("AQ-CHEF-20", "heel", "frank-ruhl", "שרה & Tom", 6.0),
    "devanagari": ("AQ-CHEF-20", "heel", "devanagari-medium", "नमस्ते", 6.0),
    "devanagari-conjuncts": ("AQ-CHEF-20", "heel", "devanagari-medium", "क्षत्रिय श्री", 6.0),
    "script-joined": ("AQ-CHEF-20", "heel", "dancing-bold", "Beloved Anna", 8.0),
    "script-pacifico": ("AQ-CHEF-20", "heel", "pacifico", "Happy days", 7.0),
    "script-flourish": ("AQ-CHEF-20", "heel", "great-vibes", "Grace", 13.0),
    "display": ("AQ-CHEF-20", "heel", "cinzel-semibold", "LIBERTAS", 5.5),
    "display-serif": ("AQ-CHEF-20", "heel", "playfair-bold", "Quay & Sons", 4.0),
    "condensed": ("AQ-SANT-17", "heel", "oswald-medium", "Kitchen 1", 4.0),
    "mono": ("AQ-SANT-17", "heel", "plex-mono", "No. 007", 3.5),
    "between-holes": ("AQ-CHEESE-14", "between_holes", "lato-bold", "Brie", None),
    "along-the-spine": ("AQ-CHEF-20", "spine", "lato-bold", "Anna", None),
    "single-line": ("AQ-SANT-17", "flat", "line-sans", "Quay Lane 7", 5.0),
    "single-line-script": ("AQ-SANT-17", "flat", "line-script", "With love", 6.0),
}


@cache
def the_shop() -> Shop:
    return catalogue.load(catalogue.default_folder())


@cache
def checked(name: str) -> CheckResult:
    """What the check says of one text."""
    sku, zone, font, text, height_mm = TEXTS[name]
    return check(the_shop(), sku, [TextInscription(zone, text, font, height_mm)])


def proof(name: str) -> str:
    """SVG of one text."""
    shop = the_shop()
    sku, zone, *_ = TEXTS[name]
    face = shop.face_of_zone(sku, zone).face
    return proof_svg(shop, sku, face, checked(name))


def proofs() -> dict[str, str]:
    """SVG of every proof, by name."""
    return {name: proof(name) for name in TEXTS}


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    drawn = proofs()
    for name, svg in drawn.items():
        (FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")
    print(f"{len(drawn)} proofs written to {FOLDER}")
    if "--sheet" in sys.argv:
        _sheet(drawn, Path(sys.argv[sys.argv.index("--sheet") + 1]))


def _sheet(drawn: dict[str, str], file: Path) -> None:
    """All proofs on one page, four to a row."""
    import io

    import resvg_py
    from PIL import Image

    pictures = [
        Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=svg, dpi=60)))).convert("RGB")
        for svg in drawn.values()
    ]
    width, height = max(p.width for p in pictures), max(p.height for p in pictures)
    page = Image.new("RGB", (4 * width, -(-len(pictures) // 4) * height), "white")
    for index, picture in enumerate(pictures):
        page.paste(picture, (index % 4 * width, index // 4 * height))
    page.save(file)


if __name__ == "__main__":
    main()
