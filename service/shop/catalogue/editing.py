"""A file of the description changed in place: what is not touched keeps its comments, order and layout.

Every change is made twice, in the text and in plain values, and the two must agree; what the text can't be
brought to is refused, and nothing is written that says something else than what was asked for.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Comment, InlineTable, Item, Table, Whitespace

from service.shop.catalogue.lines import NAMING

_STEP = re.compile(r"([A-Za-z0-9_]+)|\[(\d+)\]")

Steps = tuple[int | str, ...]


class NotEditable(ValueError):
    """The file can't be changed so; its text can be edited by hand. The message says what stands against
    it."""


def steps_of(place: str) -> Steps:
    """The steps of a place as `files.place_of` writes it. Raises NotEditable.

    >>> steps_of("face[0].zone[1]")
    ('face', 0, 'zone', 1)
    """
    if not re.fullmatch(r"(?:[A-Za-z0-9_]+(?:\[\d{1,6}\])*(?:\.(?=[A-Za-z0-9_]))?)*", place):
        raise NotEditable("there is no such place")
    return tuple(int(index) if index else name for name, index in _STEP.findall(place))


def document_of(text: str) -> dict[str, Any]:
    """The file as plain values. Raises NotEditable where it is no TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise NotEditable(f"not TOML: {error}") from error


def value_at(document: Any, steps: Steps) -> Any:
    """What stands at a place. Raises NotEditable."""
    here = document
    for step in steps:
        try:
            here = here[step]
        except (KeyError, IndexError, TypeError) as error:
            raise NotEditable("there is no such place") from error
    return here


def with_table(text: str, steps: Steps, values: Mapping[str, Any]) -> str:
    """The file with the table at a place holding exactly these values: only what differs is written anew.
    Raises NotEditable."""

    def change(document: Any) -> None:
        _merge(value_at(document, steps), values)

    def change_plain(document: Any) -> None:
        table = value_at(document, steps)
        table.clear()
        table.update(values)

    return _changed(text, change, change_plain)


def with_entry(text: str, steps: Steps, values: Mapping[str, Any]) -> str:
    """The file with one more table at the end of the list at a place; the list need not be there yet.
    Raises NotEditable."""
    *around, key = steps

    def change(document: Any) -> None:
        table = value_at(document, tuple(around))
        listed = table.get(key)
        if isinstance(listed, Array) or isinstance(table, InlineTable):
            _set(table, str(key), [*_plain(listed or []), dict(values)])
        else:
            kept = _without_tail(_end_of(table if listed is None else listed[-1]))
            _end_of(table if listed is None else listed[-1]).append(None, tomlkit.nl())
            if listed is None:
                table.append(str(key), tomlkit.aot())
                listed = table[key]
            listed.append(_table(values))
            _with_tail(_end_of(listed[-1]), kept)

    def change_plain(document: Any) -> None:
        value_at(document, tuple(around)).setdefault(key, []).append(dict(values))

    return _changed(text, change, change_plain)


def without_entry(text: str, steps: Steps) -> str:
    """The file without one table of a list. Raises NotEditable."""
    *around, index = steps

    def change(document: Any) -> None:
        listed = value_at(document, tuple(around))
        if isinstance(listed, Array):
            kept = [one for n, one in enumerate(_plain(listed)) if n != index]
            _set(value_at(document, tuple(around[:-1])), str(around[-1]), kept)
        else:
            kept = _without_tail(_end_of(listed[index]))
            if isinstance(index, int) and index > 0:  # what stood above the next one still does
                _without_tail(_end_of(listed[index - 1]))
                _with_tail(_end_of(listed[index - 1]), kept)
            del listed[index]
            if not len(listed):  # an empty list of tables leaves nothing in the text
                del value_at(document, tuple(around[:-1]))[around[-1]]

    def change_plain(document: Any) -> None:
        listed = value_at(document, tuple(around))
        del listed[index]
        if not listed and not _is_array(text, tuple(around)):
            del value_at(document, tuple(around[:-1]))[around[-1]]

    value_at(document_of(text), steps)
    return _changed(text, change, change_plain)


def copied_entry(text: str, steps: Steps) -> tuple[str, Steps]:
    """The file with a table of a list once more at its end, under a name of its own, and where that is.
    Raises NotEditable."""
    document = document_of(text)
    *around, _ = steps
    listed = value_at(document, tuple(around))
    values = copy.deepcopy(value_at(document, steps))
    naming = NAMING.get(str(around[-1]))
    if naming in values:
        taken = {one.get(naming) for one in listed if isinstance(one, dict)}
        values[naming] = another_name(str(values[naming]), taken)
    return with_entry(text, tuple(around), values), (*around, len(listed))


def another_name(name: str, taken: Any) -> str:
    """A name like the given one that nothing has yet.

    >>> another_name("heel", {"heel", "heel-2"})
    'heel-3'
    """
    stem = re.sub(r"-\d{1,3}$", "", name)[:55]
    return next(made for n in range(2, 10_000) if (made := f"{stem}-{n}") not in taken)


def renamed(text: str, key: str, name: str) -> str:
    """The file with another name at its top. Raises NotEditable."""
    return with_table(text, (), {**document_of(text), key: name})


# --- the text ---


def _changed(text: str, change: Any, change_plain: Any) -> str:
    wanted = document_of(text)
    change_plain(wanted)
    try:
        document = tomlkit.parse(text)
        change(document)
        made = document.as_string()
    except NotEditable:
        raise
    except (TOMLKitError, KeyError, IndexError, TypeError, ValueError, AttributeError) as error:
        raise NotEditable("this file is written in a way that can't be changed here") from error
    if document_of(made) != wanted:
        raise NotEditable("this file is written in a way that can't be changed here")
    return made


def _is_array(text: str, steps: Steps) -> bool:
    return isinstance(value_at(tomlkit.parse(text), steps), Array)


def _merge(table: Any, values: Mapping[str, Any]) -> None:
    for key in [key for key in table if key not in values]:
        del table[key]
    for key, value in values.items():
        before = table.get(key)
        if before is None:
            _set(table, key, value)
        elif isinstance(value, Mapping) and isinstance(before, (Table, InlineTable)):
            _merge(before, value)
        elif _plain(before) != value or isinstance(value, bool) != isinstance(_plain(before), bool):
            _set(table, key, value)


def _set(table: Any, key: str, value: Any) -> None:
    item = _item(value)
    before = table.item(key) if hasattr(table, "item") and key in table else None
    if before is not None and not isinstance(before, (Table, AoT)):
        item.trivia.comment_ws, item.trivia.comment = before.trivia.comment_ws, before.trivia.comment
        table[key] = item
    elif key in table or isinstance(table, InlineTable):
        table[key] = item
    else:  # behind the last key, not behind the words above the next table
        container = table.value if isinstance(table, Table) else table
        kept = (
            []
            if any(isinstance(inner, (Table, AoT)) for _, inner in container.body)
            else _without_tail(container)
        )
        table.append(key, item)
        _with_tail(container, kept)


def _end_of(table: Any) -> Container:
    """What the last line of a table's text stands in: the table itself, or the last one inside it."""
    container: Container = table.value if isinstance(table, Table) else table
    last = next((item for key, item in reversed(container.body) if key is not None), None)
    if isinstance(last, AoT) and len(last):
        return _end_of(last[-1])
    return _end_of(last) if isinstance(last, Table) else container


def _without_tail(container: Container) -> list[Item]:
    """Take comments and blank lines off the end: they are about what comes next."""
    kept: list[Item] = []
    while container.body and isinstance(container.body[-1][1], (Comment, Whitespace)):
        kept.insert(0, container.body.pop()[1])
    return kept


def _with_tail(container: Container, kept: list[Item]) -> None:
    for item in kept:
        container.append(None, item)


def _table(values: Mapping[str, Any]) -> Table:
    """A table of a list: its own lists of tables are lists of tables too, and everything else is on one
    line."""
    made = tomlkit.table()
    for key, value in values.items():
        if not _is_tables(key, value):
            made.append(key, _item(value))
    for key, value in values.items():
        if _is_tables(key, value):
            listed = tomlkit.aot()
            for one in value:
                listed.append(_table(one))
            made.append(key, listed)
    return made


def _is_tables(key: str, value: Any) -> bool:
    return key in NAMING and isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


def _item(value: Any) -> Item:
    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        for key, inner in value.items():
            inline.append(key, _item(inner))
        return inline
    if isinstance(value, (list, tuple)):
        array = tomlkit.array()
        for inner in value:
            array.append(_item(inner))
        array.multiline(len(value) > 3 and isinstance(value[0], (list, tuple)))
        return array
    item: Item = tomlkit.item(value)
    return item


def _plain(item: Any) -> Any:
    return item.unwrap() if isinstance(item, Item) else item
