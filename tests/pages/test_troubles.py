"""What is wrong with a description is said in the page's language, without a number or a name lost."""

from __future__ import annotations

import re

import pytest

from service.pages.troubles import TROUBLES, trouble, worded
from service.shop.catalogue import Trouble
from tests.service.shop.test_typical_mistakes import MISTAKES


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_typical_mistake_is_said_in_german_with_all_its_names_and_numbers(mistake: str) -> None:
    for line in MISTAKES[mistake][1]:
        # A place and a sentence are both followed by a colon: the longest that is known is the sentence.
        parts = line.split(": ")
        reasons = [": ".join(parts[at:]) for at in range(1, len(parts))]
        reason = next((one for one in reasons if worded(one, "de") is not None), None)
        assert reason is not None, line
        said = worded(reason, "de")
        assert said is not None and said != reason
        assert sorted(re.findall(r"\d[\d.]*\d|\d", said)) == sorted(re.findall(r"\d[\d.]*\d|\d", reason))


def test_every_sentence_is_recognised_as_itself_and_by_no_other() -> None:
    for template in TROUBLES:
        filled = re.sub(r"%\((\w+)\)s", lambda hole: {"what": "is missing"}.get(hole[1], "'x'"), template)

        assert worded(filled, "en") == filled, template


def test_what_is_not_listed_stays_and_says_its_language() -> None:
    said = trouble(Trouble("blades/a.toml", "face[0]", "something <new>", 3), "de")

    assert said == 'blades/a.toml:3: face[0]: <span lang="en">something &lt;new&gt;</span>'
    assert trouble("is missing", "de") == "fehlt"
    assert trouble("is missing", "en") == "is missing"
    assert trouble(Trouble("a.toml", "", "no such key; did you mean 'face'?"), "de") == (
        "a.toml: diesen Schlüssel gibt es nicht; war &#39;face&#39; gemeint?"
    )
