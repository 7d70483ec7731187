"""What the service says, in the second language: every code has a sentence, and what was filled in stays."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any

import pytest

import service
from layout.shop.findings import CHECK_CODES, JUDGE_CODES, Finding, Severity
from service.pages import sentences
from service.pages.scanning import WrongUnit
from service.papers import texts, words
from service.records import errors
from service.records.errors import Refusal
from service.requests.check_answers import FindingAnswer, finding_answer

SERVICE = Path(service.__file__).parent
#: Modules whose refusals a page shows as they are.
PAGES = (
    "pages/bench.py",
    "pages/asking.py",
    "pages/desk.py",
    "pages/phone.py",
    "intake/search.py",
    "pages/scanning.py",
    "intake/proof_links.py",
    "bench/seating.py",
    "bench/inspection.py",
    "pages/what_if.py",
    "what_if/answer.py",
)


def every_refusal() -> set[type[Refusal]]:
    def below(kind: type[Refusal]) -> set[type[Refusal]]:
        return {kind}.union(*(below(one) for one in kind.__subclasses__()))

    return {kind for kind in below(Refusal) if kind.__module__.startswith("service.")} - {Refusal}


def written_in(module: str) -> set[str]:
    """Sentences with which a module refuses; what is filled in is written X."""
    found = set()
    for node in ast.walk(ast.parse((SERVICE / module).read_text())):
        if not (isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and node.exc.args):
            continue
        said = node.exc.args[0]
        if isinstance(said, ast.Constant):
            found.add(str(said.value))
        elif isinstance(said, ast.JoinedStr):
            found.add("".join(p.value if isinstance(p, ast.Constant) else "X" for p in said.values))
    return found


def a_finding(code: str, message: str, **more: Any) -> FindingAnswer:
    return finding_answer(Finding(code, Severity.REFUSE, message, **more))


@pytest.mark.parametrize("code", sorted({*CHECK_CODES, *JUDGE_CODES}))
def test_every_finding_has_a_sentence_in_the_second_language(code: str) -> None:
    one = a_finding(code, "English words", measured=0.0784, limit=1.5, unit="mm")

    said = sentences.finding(one, "de")

    assert "English" not in said
    assert said != sentences.FINDINGS[code]
    assert said.endswith("(gemessen 0,1 mm; Grenze 1,5 mm)")


@pytest.mark.parametrize("kind", sorted(every_refusal(), key=lambda kind: kind.__name__))
def test_every_refusal_has_a_sentence_in_the_second_language(kind: type[Refusal]) -> None:
    refused = kind("no listed sentence")

    said = sentences.refusal(refused, "de")

    english = {**sentences.REFUSALS, **words.REFUSALS}[refused.code]
    assert said not in {english, refused.message}


@pytest.mark.parametrize("module", PAGES)
def test_what_a_page_s_own_module_refuses_keeps_its_details(module: str) -> None:
    unknown = {said for said in written_in(module) if sentences.sentence(said, "de") == said}

    # Of these only the code's own sentence is said: they name moves, fields and roles by their code.
    assert {said for said in unknown if not re.match(r"^(X: X$|must be X)|X is ", said)} == set()


def test_a_page_says_no_more_than_tenths_of_a_millimetre() -> None:
    said = [
        sentences.finding(a_finding("too_long", message), "en")
        for message in (
            "Capitals of 1.12 mm are small; a person looks at them first.",
            "It works at a capital height of 2.31 mm or more.",
            "At 6 mm it is too long; it fits at 4.27 mm.",
            "The counter closes when burned: the line is 0.055 mm wide.",
        )
    ]

    assert said == [
        "Capitals of 1.1 mm are small; a person looks at them first.",
        "It works at a capital height of 2.4 mm or more.",
        "At 6 mm it is too long; it fits at 4.2 mm.",
        "The counter closes when burned: the line is less than 0.1 mm wide.",
    ]
    close = a_finding("stroke_too_thin", "English words", measured=0.078, limit=0.12, unit="mm")
    assert "mm" not in sentences.finding(close, "de")  # both would be 0.1


def test_what_was_filled_in_is_filled_in_again() -> None:
    refused = WrongUnit("wrong unit: this is a Harbour santoku. Still to pull: Harbour chef's knife; Oyster")

    said = sentences.refusal(refused, "de")

    assert "Harbour santoku" in said and said.endswith("Harbour chef's knife; Oyster")
    assert said.startswith("falsches St\u00fcck")


def test_the_characters_meant_are_named() -> None:
    one = a_finding("missing_glyph", "The font has no \u2665.", span=(4, 5))

    said = sentences.finding(one, "de", "Zoe\u0308 \u2665 Bo")

    assert said == "Diese Zeichen fehlen in der Schrift. (Zeichen 5: \u2665)"


def test_the_judge_s_place_is_said_too() -> None:
    message = "turn 1, slot 3, job J6, zone heel: 0.012 mm clear at the worst seating, 0.100 mm needed"
    one = a_finding("outside_zone", message, measured=0.012, limit=0.1, unit="mm")

    said = sentences.finding(one, "de")

    assert said.startswith("Gang 1, Platz 3, J6: ")


def test_english_pages_say_what_programs_are_told() -> None:
    assert sentences.refusal(errors.BadRequest("choose a file"), texts.DEFAULT) == "choose a file"
    assert sentences.finding(a_finding("too_long", "Too long by 2 mm."), "en") == "Too long by 2 mm."
