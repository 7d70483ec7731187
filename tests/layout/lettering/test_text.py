"""What is wrong with words before any font is asked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layout.lettering.text import graphemes, inspect, normalise, plain_words
from layout.shop.findings import Severity
from layout.shop.shop import Policy

POLICY = Policy()


def codes(text, policy=POLICY):
    return [(finding.code, finding.span) for finding in inspect(text, policy)]


@pytest.mark.parametrize(
    "text",
    [
        "Rosa",
        "Ångström & Søn",
        "Ελένη",
        "Мария",
        "שרה לוי",
        "محمد",
        "مي\u200cخواهم",
        "क्\u200dष",
        "Nguyễn Thị",
        "O'Hara-Smith",
        "сосна",
        "Grill-Мастер",
        "カメラ漢字",
        "No. 8\n1961",
    ],
)
def test_ordinary_words_are_taken_as_they_are(text):
    assert codes(text) == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", [("empty_text", None)]),
        (" \n", [("empty_text", None)]),
        ("\u200b", [("empty_text", None), ("zero_width", (0, 1))]),
        ("a\tb", [("control_character", (1, 2))]),
        ("ကာ ကို", []),  # Burmese: the vowel sign AA stands beside its letter, a grapheme of its own
        ("ာ", [("lone_mark", (0, 1))]),
        ("a ာ", [("lone_mark", (2, 3))]),
        ("a\x00b", [("control_character", (1, 2))]),
        ("a\r\nb", []),
        ("a\rb\r\n\x0bc", [("control_character", (4, 5))]),
        ("a\u2028b", [("control_character", (1, 2))]),
        ("a\u202eb", [("bidi_control", (1, 2))]),
        ("ab\u200d", [("zero_width", (1, 2))]),
        ("a\u00adb", [("zero_width", (1, 2))]),
        ("❤\ufe0f", [("zero_width", (0, 1))]),
        ("a\ue000", [("private_character", (1, 2))]),
        ("a\U000e0fff", [("unassigned_character", (1, 2))]),
        ("a\ufffd", [("replacement_character", (1, 2))]),
        ("\u0301a", [("lone_mark", (0, 1))]),
        ("a" + "\u0301" * 20, [("overloaded_character", (0, 1))]),
        ("a\ud800", [("lone_surrogate", None)]),
        ("Мaша", [("look_alike", (1, 2))]),
        ("Rоsа Lee", [("look_alike", (1, 2)), ("look_alike", (3, 4))]),
        ("Αnna", [("look_alike", (0, 1))]),
        ("Annaж", [("mixed_alphabets", (0, 5))]),
        ("5kΩ", [("mixed_alphabets", (1, 3))]),
        ("РОT", [("look_alike", (2, 3))]),
    ],
)
def test_each_oddity_is_found_at_its_grapheme(text, expected):
    assert codes(text) == expected


def test_only_mixed_alphabets_that_can_be_seen_are_left_to_a_person():
    assert [finding.severity for finding in inspect("Annaж", POLICY)] == [Severity.REVIEW]
    assert [finding.severity for finding in inspect("Аnna", POLICY)] == [Severity.REFUSE]


def test_spans_count_graphemes_of_the_normal_form():
    text = "e\u0301\u00e9 नि\u200bx"

    (finding,) = inspect(text, POLICY)

    assert finding.code == "zero_width"
    assert graphemes(normalise(text))[finding.span[0]] == "\u200b"


def test_length_is_counted_in_graphemes_in_all_and_by_line():
    policy = Policy(max_graphemes=6, max_graphemes_per_line=4)

    assert codes("e\u0301" * 4, policy) == []
    assert [(f.measured, f.limit) for f in inspect("abc\ndefgh", policy)] == [(9.0, 6.0), (5.0, 4.0)]


def test_a_text_far_too_long_is_not_read_letter_by_letter():
    (finding,) = inspect("\u200b" * 1_000_000, POLICY)

    assert (finding.code, finding.measured) == ("too_many_characters", 1_000_000.0)


def test_normal_form_is_composed_and_never_a_compatibility_form():
    assert normalise("e\u0301") == "é"
    assert normalise("x² ﬁ Å") == "x² ﬁ Å"


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Аnna\u200b", "Anna"),
        ("Мaша", "Маша"),
        ("a\tb", "a b"),
        ("x\ud800\u202ey", "xy"),
        ("e" + "\u0301" * 20, "é"),
        (" Rosa\n& Ben ", "Rosa\n& Ben"),
        ("\u0301", ""),
        ("क्\u200dष", "क्\u200dष"),
    ],
)
def test_plain_words_are_an_offer_without_what_cannot_be_engraved(text, plain):
    assert plain_words(text) == plain


@given(st.text(max_size=20))
def test_plain_words_have_no_oddities_left(text):
    offer = plain_words(text)

    left = {finding.code for finding in inspect(offer, POLICY)}
    assert left <= {"empty_text", "mixed_alphabets"}
    assert plain_words(offer) == offer


@given(st.text(max_size=30))
def test_no_text_makes_the_inspection_fail_and_spans_lie_in_the_text(text):
    count = len(graphemes(normalise(text)))

    for finding in inspect(text, POLICY):
        assert finding.span is None or 0 <= finding.span[0] < finding.span[1] <= count


@given(st.text())
def test_graphemes_are_the_whole_text(text):
    assert "".join(graphemes(text)) == text
