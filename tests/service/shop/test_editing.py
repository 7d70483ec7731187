"""Files of the description changed by forms: what was asked for and nothing else, comments kept."""

from __future__ import annotations

import copy
import difflib
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import service.shop.starter
from service.shop import catalogue
from service.shop.catalogue import editing, inputs
from service.shop.catalogue.inputs import Input
from service.shop.catalogue.lines import path_of

STARTER = Path(service.shop.starter.__file__).parent
FOLDERS = (catalogue.default_folder(), STARTER)
HATCHET = (STARTER / "blades" / "hatchet.toml").read_text(encoding="utf-8")
CHEEK: editing.Steps = ("face", 0, "zone", 0)

#: What a form can hand over: TOML's own kinds of values.
_VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text("abc_-' .\u00df", min_size=1, max_size=5), inner)
    ),
    max_leaves=8,
)


def files() -> Iterator[tuple[str, str]]:
    for folder in FOLDERS:
        for name, text in catalogue.read(folder).items():
            if name.endswith(".toml"):
                yield name, text


def tables(document: Any, steps: editing.Steps = ()) -> Iterator[tuple[editing.Steps, dict[str, Any]]]:
    """Every table of a document, where it is first."""
    if isinstance(document, dict):
        yield steps, document
        for key, value in document.items():
            yield from tables(value, (*steps, key))
    elif isinstance(document, list):
        for index, value in enumerate(document):
            if isinstance(value, (dict, list)):
                yield from tables(value, (*steps, index))


def changed_lines(before: str, after: str) -> list[str]:
    return [line for line in difflib.ndiff(before.splitlines(), after.splitlines()) if line[0] in "+-"]


def answers(one: Input) -> Iterator[tuple[str, str]]:
    """What a browser sends of an input that nobody has touched."""
    if one.kind == "tick":
        yield from [(one.name, "on")] if one.value else []
    elif one.kind == "ticks":
        yield from ((f"{one.name}={choice}", "on") for choice in one.value)
    elif one.kind == "ways":
        yield f"{one.name}~way", one.value
    elif isinstance(one.value, str):
        yield one.name, one.value
    for part in one.parts:
        yield from answers(part)


def test_each_table_of_two_shops_comes_back_from_its_form_as_it_was() -> None:
    seen = 0
    for folder in FOLDERS:
        content = catalogue.read(folder)
        names = inputs.names_in(content)
        for file, text in content.items():
            if not file.endswith(".toml"):
                continue
            document = tomllib.loads(text)
            waiting: list[editing.Steps] = [()]
            while waiting:
                steps = waiting.pop()
                before = editing.value_at(document, steps)
                table = inputs.table_of(file.partition("/")[0], document, steps, names)
                typed = dict(pair for one in table.inputs for pair in answers(one))

                values = inputs.read(table, before, typed.get)

                assert values == before, (file, steps)
                assert editing.with_table(text, steps, values) == text
                seen += 1
                waiting += [
                    (*steps, listed.key, n) for listed in table.lists for n in range(len(listed.entries))
                ]
    assert seen > 100


def test_a_number_is_changed_on_its_line_and_nothing_else() -> None:
    zone = editing.value_at(tomllib.loads(HATCHET), CHEEK)

    made = editing.with_table(HATCHET, CHEEK, {**zone, "max_lines": 3})

    assert changed_lines(HATCHET, made) == ["- max_lines = 2", "+ max_lines = 3"]


def test_what_is_new_stands_before_the_words_about_the_next_table() -> None:
    zone = editing.value_at(tomllib.loads(HATCHET), CHEEK)

    made = editing.with_table(HATCHET, CHEEK, {**zone, "edge_margin_mm": 0.4})

    assert changed_lines(HATCHET, made) == ["+ edge_margin_mm = 0.4"]
    assert made.index("edge_margin_mm") < made.index("# The other side")


def test_a_comment_behind_a_value_outlives_it() -> None:
    made = editing.with_table("width = 4 # of the pocket\n", (), {"width": 5})

    assert made == "width = 5 # of the pocket\n"


def test_a_copy_has_a_name_of_its_own_and_stands_last() -> None:
    made, steps = editing.copied_entry(HATCHET, CHEEK)
    made, again = editing.copied_entry(made, CHEEK)

    zones = tomllib.loads(made)["face"][0]["zone"]
    assert [zone["zone"] for zone in zones] == ["cheek", "cheek-2", "cheek-3"]
    assert (steps, again) == (("face", 0, "zone", 1), ("face", 0, "zone", 2))
    assert made.index("cheek-3") < made.index("# The other side")


def test_what_is_taken_out_takes_its_own_words_along_and_not_those_of_the_next() -> None:
    text = "# one\n[[bin]]\nbin = 'A'\n\n# two\n[[bin]]\nbin = 'B'\n\n# three\n[[bin]]\nbin = 'C'\n"

    made = editing.without_entry(text, ("bin", 1))

    assert made == "# one\n[[bin]]\nbin = 'A'\n\n# three\n[[bin]]\nbin = 'C'\n"


def test_a_list_that_is_written_on_one_line_is_changed_as_well() -> None:
    text = 'bin = [{ bin = "A", walking_order = 1, boxed = {} }]\n'

    made = editing.with_entry(text, ("bin",), {"bin": "B"})

    assert tomllib.loads(made)["bin"][1] == {"bin": "B"}
    assert tomllib.loads(editing.without_entry(made, ("bin", 0)))["bin"] == [{"bin": "B"}]


@pytest.mark.parametrize("place", ["", "face[0]", "face[0].zone[1]", "plan", "seat[12].pose"])
def test_a_place_is_read_as_it_is_written(place: str) -> None:
    from service.shop.catalogue.files import place_of

    assert place_of(editing.steps_of(place)) == place


@pytest.mark.parametrize(
    "place", ["face[", "face[x]", "__class__.x y", "a..b", "face[0]]", "face[99999999999]"]
)
def test_what_is_no_place_is_refused(place: str) -> None:
    with pytest.raises(editing.NotEditable):
        editing.steps_of(place)


@given(st.data())
def test_any_value_put_anywhere_is_what_stands_there_afterwards(data: st.DataObject) -> None:
    _, text = data.draw(st.sampled_from(list(files())))
    document = tomllib.loads(text)
    steps, table = data.draw(st.sampled_from(list(tables(document))))
    key = data.draw(st.sampled_from([*table, "something_new"]))
    value = data.draw(_VALUES)
    wanted = copy.deepcopy(document)
    editing.value_at(wanted, steps)[key] = value

    try:
        made = editing.with_table(text, steps, {**table, key: value})
    except editing.NotEditable:
        return  # said, and nothing was written

    assert tomllib.loads(made) == wanted


def test_what_people_type_is_a_number_or_is_kept_as_typed() -> None:
    assert [inputs.number_of(typed) for typed in ("12", "0,5", ".5", "-3", "1e3", "a bit", "--1")] == [
        12,
        0.5,
        0.5,
        -3,
        "1e3",
        "a bit",
        "--1",
    ]


def test_what_is_emptied_is_left_out_and_what_is_chosen_is_written() -> None:
    document = tomllib.loads(HATCHET)
    table = inputs.table_of("blades", document, CHEEK, {"fonts": ["lato-bold", "line-sans"]})
    typed = dict(pair for one in table.inputs for pair in answers(one))
    typed.update(
        {
            "v.usual_height_mm": "",
            "v.usual_room_mm": "",
            "v.fonts~way": "these",
            "v.fonts.these=line-sans": "on",
            "v.polygon~way": "circle",
            "v.polygon.circle[0]": "70",
            "v.polygon.circle[1]": "0,5",
            "v.polygon.circle[2]": "12",
            "v.features#0~key": "lnum",
            "v.features#0": "on",
        }
    )

    zone = inputs.read(table, editing.value_at(document, CHEEK), typed.get)

    assert "usual_height_mm" not in zone
    assert zone["fonts"] == ["line-sans"]
    assert zone["polygon"] == {"circle": [70, 0.5, 12]}
    assert zone["features"] == {"lnum": True}


def test_a_trouble_is_found_at_its_input_whether_it_is_told_by_name_or_number() -> None:
    assert path_of(HATCHET, "mark_side.cheek") == "face[0].zone[0]"
    assert path_of(HATCHET, "pile_side.cheek back") == "face[1].zone[0]"
    assert path_of(HATCHET, "face[1].zone[0].kinds") == "face[1].zone[0].kinds"
    assert path_of(HATCHET, "mark_side.handle_deg") == "face[0].handle_deg"
    assert path_of("", "face[0]") == ""
