"""The guide for desk and bench names pages and buttons as they are called there."""

from __future__ import annotations

import re

from service.pages.guides import FOLDER
from tests.pages.test_texts import extracted

GUIDE = (FOLDER / "desk-and-bench.md").read_text(encoding="utf-8")


def test_what_the_guide_says_to_press_is_on_a_page() -> None:
    named = {" ".join(words.split()) for words in re.findall(r"\*\*(.+?)\*\*", GUIDE, re.DOTALL)}
    named |= {said.split(",")[0] for said in re.findall(r"^\| ([A-Z][^|]*?) \|", GUIDE, re.MULTILINE)}

    assert len(named) > 12
    assert named - extracted() == set()
