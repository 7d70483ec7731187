"""What is different between two descriptions, as a person reads it."""

from __future__ import annotations

import difflib

import pytest

from service.shop import catalogue
from service.shop.catalogue.difference import Change, difference


@pytest.fixture(scope="module")
def content() -> dict[str, str]:
    return catalogue.read(catalogue.default_folder())


def changed(content: dict[str, str], file: str, was: str, becomes: str) -> dict[str, str]:
    assert was in content[file]
    return content | {file: content[file].replace(was, becomes, 1)}


PARING, SMALL, PRODUCTS = "blades/paring-9.toml", "plates/small.toml", "products/products.toml"


@pytest.mark.parametrize(
    ("file", "was", "becomes", "said"),
    [
        (
            PARING,
            "usual_height_mm = 4",
            "usual_height_mm = 3.5",
            Change("blade paring-9", "face mark_side, zone flat: usual_height_mm", "4", "3.5"),
        ),
        (
            SMALL,
            '["1", 110, 25, 0]',
            '["1", 111, 25, 0]',
            Change("plate small", "slot 1", "1, 110, 25, 0", "1, 111, 25, 0"),
        ),
        (
            SMALL,
            "y_mm = 1.5, turn_deg = 0, height_mm = 9.0",
            "y_mm = 1.5, turn_deg = 0, height_mm = 9.2",
            Change("plate small", "seat grafting-7 mark_side, pose: height_mm", "9", "9.2"),
        ),
        (
            PRODUCTS,
            'name = "Harbour santoku, 17 cm, satin"',
            'name = "Santoku"',
            Change("product AQ-SANT-17", "name", "Harbour santoku, 17 cm, satin", "Santoku"),
        ),
        (
            "processes/north.toml",
            "power_percent = 62",
            "power_percent = 60",
            Change("process satin-north", "power_percent", "62", "60"),
        ),
        (
            "policy/policy.toml",
            "review_height_mm = 2.0",
            "review_height_mm = 2.5",
            Change("policy", "review_height_mm", "2", "2.5"),
        ),
    ],
)
def test_a_key_is_named_with_its_thing(
    content: dict[str, str], file: str, was: str, becomes: str, said: Change
) -> None:
    assert difference(content, changed(content, file, was, becomes)).changes == (said,)


def test_a_thing_that_comes_or_goes_is_one_change(content: dict[str, str]) -> None:
    without = {name: text for name, text in content.items() if name != PARING}

    assert difference(content, without).changes == (Change("blade paring-9", "", "", None),)
    assert difference(without, content).changes == (Change("blade paring-9", "", None, ""),)


def test_a_product_in_another_file_has_not_changed(content: dict[str, str]) -> None:
    head, *entries = content[PRODUCTS].split("[[product]]")
    moved = content | {
        PRODUCTS: "[[product]]".join([head, *entries[1:]]),
        "products/more.toml": f"[[product]]{entries[0]}",
    }

    found = difference(content, moved)

    assert found.changes == ()
    assert [file.file for file in found.files] == ["products/more.toml", PRODUCTS]


def test_comments_are_in_the_lines_alone_and_lines_are_those_of_a_unified_difference(
    content: dict[str, str],
) -> None:
    """`difflib` (Python's library reference) restores the new text from the difference of all its lines."""
    new = content | {SMALL: f"# measured anew\n{content[SMALL]}"}

    found = difference(content, new)

    assert found.changes == ()
    (file,) = found.files
    assert [line for line in file.lines if line.startswith("+") and not line.startswith("+++")] == [
        "+# measured anew"
    ]
    whole = difflib.ndiff(content[SMALL].splitlines(), new[SMALL].splitlines())
    assert list(difflib.restore(whole, 2)) == new[SMALL].splitlines()


def test_a_file_that_can_t_be_read_is_named(content: dict[str, str]) -> None:
    found = difference(content, content | {PARING: "blade = "})

    assert Change(f"file {PARING}", "", None, "") in found.changes


def test_nothing_is_different_from_itself(content: dict[str, str]) -> None:
    assert difference(content, content).changes == difference(content, content).files == ()


def test_a_list_of_words_is_told_by_its_language_and_its_name() -> None:
    english = 'language = "en"\n[[word_list]]\nname = "names"\nseverity = "review"\nwords = ["Ada"]\n'
    french = english.replace('"en"', '"fr"')

    added = difference({"words/en.toml": english}, {"words/en.toml": english, "words/fr.toml": french})
    changed = difference({"words/en.toml": english}, {"words/en.toml": english.replace("review", "refuse")})

    assert [(one.thing, one.key) for one in added.changes] == [("words fr", "")]
    assert changed.changes == (Change("words en", "word_list names: severity", "review", "refuse"),)
