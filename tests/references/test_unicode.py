"""Reading direction, line breaks and graphemes against the Unicode Character Database's own test files.

Source: Unicode Character Database 15.0.0 (see data/README.md). The libraries follow later versions
(graphemes: 18, line breaks: 16); where a later version changed the answer, the case is listed here.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import icu
import pytest

from layout.lettering.bidi import visual_runs
from layout.lettering.breaks import places
from layout.lettering.shapes import shapes_of
from layout.lettering.text import graphemes, inspect
from layout.shop.shop import Policy

DATA = Path(__file__).parent / "data"

#: Graphemes that later versions see differently: the answer of 15.0 and ours, as offsets.
OTHER_GRAPHEMES = {
    # Dingbats took part in emoji sequences (GB11) by their reserved property only; 2701 has lost it.
    "÷ 2701 × 200D × 2701 ÷": ([0, 3], [0, 2, 3]),
}
#: Line breaks that Unicode 16 sees differently: the answer of 15.0 and ours, as offsets.
OTHER_BREAKS = {
    # LB20a: no break between a hyphen at the start and a letter or sign after it.
    "× 002D × 0308 ÷ 00A7 ÷": ([2, 3], [3]),
    # LB25 in its wider form: a separator stays with the digits after it.
    "× 002C ÷ 0030 ÷": ([1, 2], [2]),
    "× 0061 × 002E ÷ 0032 × 3000 ÷ 307E ÷": ([2, 4, 5], [4, 5]),
    # LB15a: a quotation mark that doesn't open keeps nothing behind a blank together.
    "× 0022 × 0308 × 0020 × 2329 ÷": ([4], [3, 4]),
}


def lines_of(name: str) -> Iterator[str]:
    for line in (DATA / name).read_text(encoding="utf-8").splitlines():
        case = line.split("#")[0].strip()
        if case:
            yield case


def a_break_case(case: str) -> tuple[str, list[int]]:
    """The text, and the offsets at which the file says it may be divided."""
    text, divided = "", []
    for sign in case.split():
        if sign == "÷":
            divided.append(len(text))
        elif sign != "×":
            text += chr(int(sign, 16))
    return text, divided


def ends_of(pieces: tuple[str, ...]) -> list[int]:
    ends = [0]
    for piece in pieces:
        ends.append(ends[-1] + len(piece))
    return ends


def test_graphemes_are_those_of_annex_29():
    cases = list(lines_of("GraphemeBreakTest.txt"))

    found = {case: ends_of(graphemes(a_break_case(case)[0])) for case in cases}

    differing = {c: (a_break_case(c)[1], f) for c, f in found.items() if f != a_break_case(c)[1]}
    assert len(cases) == 602
    assert differing == OTHER_GRAPHEMES


def test_lines_break_where_annex_14_says_unless_that_would_cut_a_grapheme():
    cases = list(lines_of("LineBreakTest-sample.txt"))
    differing, kept_whole = {}, 0

    for case in cases:
        text, divided = a_break_case(case)
        whole = [at for at in divided if at in ends_of(graphemes(text))]
        kept_whole += whole != divided
        found = [*places(text), len(text)]
        if found != whole:
            differing[case] = (divided, found)

    assert len(cases) == 851
    assert differing == OTHER_BREAKS
    # A mark or joiner after a blank, a skin tone after anything: a rare cut in the annex, never one of ours.
    assert kept_whole == 35


def bidi_cases() -> Iterator[tuple[str, int, list[str], list[int]]]:
    """Text, paragraph level, level of each character ("x" for what is removed), visual order."""
    for case in lines_of("BidiCharacterTest-sample.txt"):
        points, _, paragraph, levels, order = case.split(";")
        text = "".join(chr(int(point, 16)) for point in points.split())
        yield text, int(paragraph), levels.split(), [int(index) for index in order.split()]


def test_reading_levels_are_those_of_annex_9():
    wrong, count = [], 0

    for text, paragraph, levels, _ in bidi_cases():
        bidi = icu.Bidi()
        bidi.setPara(icu.UnicodeString(text), paragraph)
        found = list(bidi.getLevels())
        at = [len(text[:i].encode("utf-16-le")) // 2 for i in range(len(text))]
        count += 1
        if any(level not in {"x", str(found[i])} for i, level in zip(at, levels, strict=True)):
            wrong.append(text)

    assert count == 2038
    assert wrong == []


def test_runs_stand_in_the_visual_order_of_annex_9():
    wrong, count = [], 0

    for text, paragraph, levels, order in bidi_cases():
        bidi = icu.Bidi()
        bidi.setPara(icu.UnicodeString(text), icu.Bidi.DEFAULT_LTR)
        if bidi.getParaLevel() != paragraph:
            continue  # our lines take their direction from their first letter; this case is told another
        seen: list[int] = []
        for run in visual_runs(text):
            within = range(run.start, run.end)
            seen += reversed(within) if run.rtl else within
        count += 1
        if [index for index in seen if levels[index] != "x"] != order:
            wrong.append(text)

    assert count > 900
    assert wrong == []


@pytest.mark.parametrize("text", ["שלום", "مرحبا Anna", "abc אבג 123"])
def test_python_bidi_puts_characters_in_the_same_order(text):
    # python-bidi (over the Rust crate unicode-bidi) as an independent reader of Annex 9; it mirrors nothing.
    from bidi import get_display

    seen = ""
    for run in visual_runs(text):
        piece = text[run.start : run.end]
        seen += piece[::-1] if run.rtl else piece

    assert seen == get_display(text)


def test_look_alikes_are_those_of_the_published_table():
    """Source: confusables.txt of Unicode Technical Standard 39, by the package confusable-homoglyphs (MIT)
    that carries it; ICU's data is newer. Each of the table's characters looks like its prototype."""
    table = json.loads(files("confusable_homoglyphs").joinpath("confusables.json").read_text())
    pairs = [
        (prototype, other["c"])
        for prototype, others in table.items()
        for other in others
        if len(others) > 1 and len(prototype) == len(other["c"]) == 1
    ]

    others = {pair for pair in pairs if shapes_of(pair[0]) != shapes_of(pair[1])}

    assert len(pairs) > 2_000
    assert others == {("ƫ", "ţ"), ("ƫ", "ț")}  # a hook below is no cedilla any more


def test_a_letter_of_every_pair_that_the_standard_gives_for_an_example_is_refused():
    """Unicode Technical Report 36, section 2.2: "paypal" with Cyrillic letters in it (from memory)."""
    spans = {f.span for f in inspect("pаypаl", Policy()) if f.code == "look_alike"}

    assert spans == {(1, 2), (4, 5)}
    assert {f.code for f in inspect("teѕt", Policy())} == {"look_alike"}
