"""Word lists: what a reader would take for a listed word is found, what only has its letters is not."""

from __future__ import annotations

import random
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layout.lettering.shapes import twins
from layout.lettering.word_lists import matches
from layout.shop.words import WordList, WordRules


def a_list(*words: str, name: str = "a", inside: bool = False, any_accents: bool = False) -> WordList:
    return WordList(name, "en", "refuse", "coarse", words, inside=inside, any_accents=any_accents)


def found(text: str, *lists: WordList, allowed: tuple[str, ...] = ()) -> list[str]:
    return [match.word for match in matches(WordRules(lists, allowed), text)]


@pytest.mark.parametrize(
    "text",
    [
        "zounds",
        "ZOUNDS, Beatriz",
        "Zounds!",
        "zоunds",  # a Cyrillic o
        "ｚｏｕｎｄｓ",
        "z0unds",
        "z.o.u.n.d.s",
        "Z O U N D S",
        "zou\u00adnds",
        "«zou-nds»",
    ],
)
def test_a_listed_word_is_found_however_it_is_written(text):
    assert found(text, a_list("zounds")) == ["zounds"]


@pytest.mark.parametrize("text", ["zoundsome", "xzounds", "zound s", "", "  ", "!?", "zou\nnds", "♥"])
def test_a_part_of_a_word_and_words_that_follow_one_another_are_none(text):
    assert found(text, a_list("zounds")) == []


def test_two_letters_that_pass_for_one_make_another_word():
    """rn and m are confusable by Unicode Technical Standard 39; "burn" is no "bum" all the same."""
    assert found("Born to burn", a_list("bum")) == []


def test_a_capital_i_passes_for_an_l_but_an_l_never_for_an_i():
    assert found("fall", a_list("fail")) == []
    assert found("FALL", a_list("fail")) == []
    assert found("FAlL", a_list("fail")) == ["fail"]  # a small l among capitals
    assert found("fa1l", a_list("fail"), a_list("fall", name="b")) == ["fail", "fall"]  # 1 may be either
    assert found("FA1L", a_list("fail")) == ["fail"]
    assert found("faI|", a_list("fall")) == ["fall"]


def test_a_bar_between_names_is_no_letter_where_that_makes_no_listed_word():
    assert found("Ada|zounds", a_list("zounds")) == ["zounds"]


def test_inside_finds_parts_and_the_allowed_list_what_is_no_match():
    inside = a_list("zounds", inside=True)

    assert found("megazoundsome", inside) == ["zounds"]
    assert found("mega-zo.unds", inside) == ["zounds"]
    assert found("Zoundsbury", inside, allowed=("Zoundsbury",)) == []
    assert found("ZOUNDSBURY's own", inside, allowed=("Zoundsbury",)) == []
    assert found("Zoundsbury zounds", inside, allowed=("Zoundsbury",)) == ["zounds"]
    assert found("Zounds Hill", inside, allowed=("Zounds Hill",)) == []
    assert found("Zounds, Hilda", inside, allowed=("Zounds Hill",)) == ["zounds"]


def test_accents_count_unless_a_list_says_otherwise():
    assert found("Feliz año", a_list("ano")) == []
    assert found("Feliz an\u0303o", a_list("ano")) == []
    assert found("SCHÖN", a_list("schön")) == ["schön"]
    assert found("schon", a_list("schön", any_accents=True)) == ["schön"]
    assert found("za\u0301ounds", a_list("zaounds", any_accents=True)) == ["zaounds"]


def test_vowel_points_of_right_to_left_words_and_their_stretching():
    assert found("שָׁלוֹם", a_list("שלום", any_accents=True)) == ["שלום"]
    assert found("ســلام", a_list("سلام")) == ["سلام"]


def test_where_nothing_says_where_a_word_ends_all_is_looked_at():
    assert found("この馬鹿者", a_list("馬鹿")) == ["馬鹿"]


def test_phrases_with_signs_blanks_or_nothing_between_their_words():
    marks = a_list("Marrow & Sons")

    for text in (
        "MARROW & SONS",
        "marrow sons",
        "Marrow\n& Sons",
        "marrow-sons",
        "MarrowSons",
        "by Marrow & Sons!",
    ):
        assert found(text, marks) == ["Marrow & Sons"], text
    assert found("Marrow's sons", marks) == []
    assert found("Marrow and sons", marks) == []


def test_turkish_letters_without_and_with_a_dot():
    assert found("ısı", a_list("ISI")) == ["ISI"]
    assert found("İZMİR", a_list("izmir", any_accents=True)) == ["izmir"]


def test_each_word_once_in_the_order_of_the_lists():
    first, second = a_list("drat", name="second"), a_list("zounds", name="first")

    assert [m.list.name for m in matches(WordRules((second, first)), "drat zounds DRAT")] == [
        "first",
        "second",
    ]


@settings(max_examples=200, deadline=None)
@given(st.text("abdeghknoqrtuz", min_size=3, max_size=9), st.randoms(use_true_random=False))
def test_a_word_disguised_by_look_alikes_is_always_found(word: str, chance: random.Random):
    """Letters are drawn from those that the security data of Unicode Technical Standard 39, as ICU has it,
    says look alike; case, signs and blanks are drawn too."""

    def disguised(letter: str) -> str:
        others = [*twins(letter, "Cyrl"), *twins(letter, "Grek"), letter]
        return chance.choice(others)

    cased = chance.choice((word, word.upper(), word.capitalize()))
    between = chance.choice(("", ".", "-", "\u200b", " "))
    text = "Ada, " + between.join(map(disguised, cased)) + "!"

    assert found(text, a_list(word)) == [word]


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60), st.booleans(), st.booleans())
def test_no_text_breaks_it_and_other_words_are_not_found(text: str, inside: bool, any_accents: bool):
    listed = a_list("qxqxqx", inside=inside, any_accents=any_accents)

    assert found(text, listed, allowed=("ada",)) == (["qxqxqx"] if "qxqxqx" in text.casefold() else [])


def test_long_lists_are_compiled_once_and_read_quickly():
    """A new text against 20,000 listed words, where building the tables takes longer than a hundred texts."""
    rules = WordRules(tuple(a_list(*(f"wo{i}x{j}" for j in range(5_000)), name=str(i)) for i in range(4)))

    def took(texts: list[str]) -> float:
        began = time.process_time()
        for text in texts:
            assert matches(rules, text) == ()
        return time.process_time() - began

    building = took(["Happy birthday Beatriz"])

    assert took([f"Happy birthday Beatriz {at}" for at in range(100)]) < building
