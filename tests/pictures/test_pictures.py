"""The pictures that are kept are those that the command makes, and each is shown somewhere."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from service.pages.guides import FOLDER
from tests.pictures.architecture import architecture
from tests.pictures.drawn import DRAWN, drawn
from tests.pictures.guided import GUIDED
from tests.pictures.taken import TAKEN

PICTURES = FOLDER / "pictures"
PAGES = [Path(__file__).parents[2] / "README.md", *FOLDER.glob("*.md")]


def test_every_picture_is_made_by_the_command_and_none_is_left_over() -> None:
    kept = {path.name for path in PICTURES.iterdir()}

    assert kept == {"architecture.svg", *DRAWN, *GUIDED, *TAKEN}


def test_every_picture_is_shown_somewhere_with_words_for_those_who_do_not_see_it() -> None:
    shown = [
        named for page in PAGES for named in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", page.read_text("utf-8"))
    ]

    assert {Path(picture).name for _, picture in shown} == {path.name for path in PICTURES.iterdir()}
    assert [picture for words, picture in shown if len(words) < 15] == []


def test_the_picture_of_the_parts_is_as_it_is_drawn() -> None:
    assert (PICTURES / "architecture.svg").read_text("utf-8") == architecture()


@pytest.mark.long
def test_what_is_drawn_looks_as_it_is_kept() -> None:
    """When this fails: python -m tests.pictures, then look at what changed."""
    made = drawn()

    assert set(made) == set(DRAWN)
    must_look_as_kept(made)


def must_look_as_kept(made: Mapping[str, bytes]) -> None:
    for name, data in made.items():
        now, kept = (
            np.asarray(Image.open(io.BytesIO(one)).convert("RGB"), float) for one in (data, _kept(name))
        )
        assert now.shape == kept.shape, name
        assert abs(now - kept).mean() < 0.5, name


def _kept(name: str) -> bytes:
    return (PICTURES / name).read_bytes()
