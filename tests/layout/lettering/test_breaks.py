"""Ways to break words into lines."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.lettering.breaks import MOST_CHOICES, choices, places
from layout.lettering.text import graphemes


def test_without_room_for_more_lines_only_the_buyers_own_breaks_are_kept():
    assert choices("Anna & Ben\n1961", 2) == (("Anna & Ben", "1961"),)
    assert choices("Anna & Ben\n1961", 1) == (("Anna & Ben", "1961"),)


def test_automatic_breaks_come_only_between_the_buyers_own():
    assert choices("Anna & Ben\n1961", 3)[1:] == (("Anna", "& Ben", "1961"), ("Anna &", "Ben", "1961"))


def test_blanks_at_a_break_are_dropped_and_inside_a_line_kept():
    assert choices("  Rosa  Lee ", 2) == (("Rosa  Lee",), ("Rosa", "Lee"))


def test_words_break_after_a_hyphen_but_not_before_a_full_stop_or_inside_a_number():
    assert places("Baden-Baden 1.5 no.") == (6, 12, 16)


def test_offsets_are_code_points_even_beyond_the_first_plane():
    assert places("𝒜𝒷 𝒸 x") == (3, 5)


def test_a_break_never_cuts_a_grapheme():
    assert places("a \u200d\u0646") == ()


def test_too_many_ways_are_cut_down_to_the_most_even_ones():
    words = " ".join("word" for _ in range(30))

    found = choices(words, 3)

    two, three = ([way for way in found if len(way) == n] for n in (2, 3))
    assert (len(two), len(three)) == (29, MOST_CHOICES)
    assert min(max(map(len, way)) for way in three) == len(words) // 3
    assert max(max(map(len, way)) for way in three) < len(words) // 2


def test_a_text_with_a_hundred_words_is_still_broken_evenly():
    words = " ".join("ab" for _ in range(100))

    found = [way for way in choices(words, 4) if len(way) == 4]

    assert 0 < len(found) <= MOST_CHOICES
    assert min(max(map(len, way)) for way in found) <= len(words) // 4 + 3


@pytest.mark.parametrize("text", ["ab\u0301 cd", "שלום לכם", "漢字カメラ", "a\n\nb c"])
def test_each_choice_holds_all_the_words(text):
    for way in choices(text, 4):
        assert "".join(way).replace(" ", "") == text.replace(" ", "").replace("\n", "")


@given(st.text(alphabet="ab -\n漢é\u0301", max_size=14), st.integers(1, 4))
def test_choices_are_distinct_and_never_more_lines_than_allowed_or_the_buyers_own(text, most):
    found = choices(text, most)

    assert len(set(found)) == len(found)
    assert all(len(way) <= max(most, text.count("\n") + 1) for way in found)
    assert all(graphemes(line.strip()) == graphemes(line) for way in found for line in way)
