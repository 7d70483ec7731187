"""Any table of the description as inputs that people fill in, made from its schema: names to choose from,
numbers with their unit, what each key means.

What is typed is read as a value without judging it: what is wrong with it, the check of the draft says.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal

from service.shop.catalogue.editing import Steps
from service.shop.catalogue.files import document_or_none
from service.shop.catalogue.lines import NAMING
from service.shop.catalogue.schema import json_schemas

Schema = Mapping[str, Any]
Names = Mapping[str, Sequence[str]]
#: What somebody typed under an input's name; None where nothing came.
Typed = Callable[[str], str | None]

Kind = Literal[
    "text",  # one line; with `choices` they are suggestions
    "long",  # several lines
    "number",
    "choice",  # one of `choices`
    "tick",
    "ticks",  # some of `choices`
    "lines",  # one thing a line
    "numbers",  # a fixed row of inputs: `parts`
    "rows",  # any number of such rows: each of `parts` is one
    "group",  # a table inside: `parts` by key
    "ways",  # one of several ways of writing it: `parts` by way, `value` is the way that is chosen
    "named",  # values by name: each of `parts` is one, a free one is a pair of name and value
    "tables",  # a list of tables, which have pages of their own
    "unknown",  # a key that the schema doesn't have
]


class _LeftOut:
    """Nothing was filled in."""

    def __repr__(self) -> str:
        return "LEFT_OUT"


LEFT_OUT = _LeftOut()
#: So many names are offered as a choice; more are typed, with suggestions.
_MOST_CHOICES = 60
#: Lists of rows up to this long are filled in; longer ones come from a drawing or the file's text.
MOST_ROWS = 60
_SPARE_ROWS = 2
_MOST_SIGNS = 20_000
_WHOLE = re.compile(r"[+-]?\d{1,15}")
_DECIMAL = re.compile(r"[+-]?(?:\d{1,15}(?:[.,]\d{0,12})?|[.,]\d{1,12})")


@dataclass(frozen=True, slots=True)
class Input:
    """One input, or a group of them. `name` is its name in the form, which begins with its parent's."""

    key: str
    name: str
    kind: Kind
    value: Any = ""
    means: str = ""
    unit: str = ""
    example: str = ""
    default: str = ""
    is_needed: bool = False
    choices: tuple[str, ...] = ()
    parts: tuple[Input, ...] = ()

    @property
    def label(self) -> str:
        """The key as words, without the unit that stands beside it.

        >>> Input("min_height_mm", "v.min_height_mm", "number").label
        'min height'
        """
        return re.sub(r"_(mm_s2|mm_s|mm|deg|khz|px)$", "", self.key).replace("_", " ")


@dataclass(frozen=True, slots=True)
class Table:
    """One table of a file: what it is, its inputs, and the lists of tables in it."""

    means: str
    inputs: tuple[Input, ...]
    lists: tuple[TableList, ...]


@dataclass(frozen=True, slots=True)
class TableList:
    """A list of tables: its key, what it holds, and the tables by what they are called."""

    key: str
    means: str
    entries: tuple[str, ...] = ()
    starts_with: Mapping[str, Any] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """The key as words."""
        return self.key.replace("_", " ")


def table_of(kind: str, document: Any, steps: Steps, names: Names, *, prefix: str = "v") -> Table:
    """The inputs of the table at a place of a document of a kind, named from `prefix` on. Raises KeyError,
    IndexError or TypeError where the place is none."""
    top = _schemas()[kind]
    schema, here = top, document
    for step in steps:
        here = here[step]
        if isinstance(step, str):
            schema = _resolved(top, _inner(schema["properties"][step]))
    inputs, lists = [], []
    for key, wanted in schema["properties"].items():
        given = here.get(key, LEFT_OUT)
        entry = _entry_schema(top, wanted)
        if entry is not None:
            lists.append(_listed(key, wanted, entry, given))
        else:
            inputs.append(_input(top, key, f"{prefix}.{key}", wanted, given, names, schema))
    inputs += _unknown(prefix, here, schema)
    return Table(str(schema.get("description", "")), tuple(inputs), tuple(lists))


def read(table: Table, before: Mapping[str, Any], typed: Typed) -> dict[str, Any]:
    """The table's values as they were filled in; its lists of tables as they were."""
    values: dict[str, Any] = {}
    inner = {listed.key for listed in table.lists}
    for key in before:  # in the order in which they stand there
        values[key] = before[key]
    for one in table.inputs:
        value = _read(one, before.get(one.key, LEFT_OUT), typed)
        if value is LEFT_OUT:
            values.pop(one.key, None)
        elif one.key not in inner:
            values[one.key] = value
    return values


def with_values(
    kind: str, document: Any, steps: Steps, values: Mapping[str, Any], names: Names
) -> tuple[Input, ...]:
    """The inputs of the table at a place, holding other values than it has."""
    changed = copy.deepcopy(document)
    here = changed
    for step in steps:
        here = here[step]
    here.clear()
    here.update(values)
    return table_of(kind, changed, steps, names).inputs


def in_words(one: Input | None) -> str:
    """What an input holds, on one line."""
    if one is None or one.kind == "unknown":
        return ""
    if one.kind == "tick":
        return "✓" if one.value else "–"
    if one.kind == "ticks":
        return ", ".join(one.value)
    if one.kind in ("text", "long", "number", "choice", "lines"):
        return str(one.value).replace("\n", ", ")
    if one.kind == "ways":
        chosen = next((part for part in one.parts if part.key == one.value), None)
        return f"{one.value} {in_words(chosen)}".strip()
    said = (
        f"{part.label} {in_words(part)}" if part.key and not part.key.isdigit() else in_words(part)
        for part in one.parts
        if in_words(part)
    )
    return (", " if one.kind == "numbers" else "; ").join(said)


def names_in(content: Mapping[str, str]) -> dict[str, list[str]]:
    """What the files declare, by `schema.forms.Named`; files that can't be read are left out."""
    found: dict[str, dict[str, None]] = {name: {} for name in ("materials", "finishes", "drawings", "photos")}
    for file, text in content.items():
        kind, _, own = file.partition("/")
        if kind == "artwork" and file.endswith(".svg"):
            found["drawings"][own] = None
        elif kind == "photos":
            found["photos"][own] = None
        document = document_or_none(file, text)
        key = naming_key(kind) if kind in _schemas() else None
        if document is None or key is None:
            continue
        listed = document.get(list_of(kind) or "", [document])
        for entry in listed if isinstance(listed, list) else ():
            if isinstance(entry, dict):
                _add(found, kind, entry.get(key))
                _add(found, "materials", entry.get("material"))
                _add(found, "finishes", entry.get("finish"))
    return {name: sorted(names) for name, names in found.items()}


@cache
def list_of(kind: str) -> str | None:
    """The list in which a kind's things stand, many in a file; None where each has a file of its own.

    >>> list_of("products"), list_of("blades")
    ('product', None)
    """
    top = _schemas()[kind]
    lists = [key for key, wanted in top["properties"].items() if _entry_schema(top, wanted) is not None]
    return lists[0] if len(lists) == len(top["properties"]) == 1 else None


@cache
def naming_key(kind: str) -> str | None:
    """The key that names a thing of a kind; None where there is but one.

    >>> naming_key("products"), naming_key("blades"), naming_key("policy")
    ('sku', 'blade', None)
    """
    top, listed = _schemas()[kind], list_of(kind)
    entry = top if listed is None else _entry_schema(top, top["properties"][listed]) or top
    key = kind.removesuffix("s") if listed is None else NAMING.get(listed, listed)
    return key if key in entry["properties"] else None


def _add(found: dict[str, dict[str, None]], kind: str, name: Any) -> None:
    if isinstance(name, str) and name:
        found.setdefault(kind, {})[name] = None


# --- from the schema ---


@cache
def _schemas() -> Mapping[str, Schema]:
    return json_schemas()


def _resolved(top: Schema, wanted: Schema) -> Schema:
    reference = wanted.get("$ref")
    return wanted if reference is None else top["$defs"][str(reference).rpartition("/")[2]]


def _inner(wanted: Schema) -> Schema:
    """What is wanted, or what each entry of a list is, without the way of leaving it out."""
    ways = [way for way in wanted.get("anyOf", ()) if way.get("type") != "null"]
    one = ways[0] if len(ways) == 1 else wanted
    return dict(one.get("items", one))


def _entry_schema(top: Schema, wanted: Schema) -> Schema | None:
    """What the tables of a list are; None where it is no list of tables."""
    entry = wanted.get("items", {})
    return _resolved(top, entry) if "$ref" in entry else None


def _listed(key: str, wanted: Schema, entry: Schema, given: Any) -> TableList:
    entries = [one for one in given if isinstance(one, dict)] if isinstance(given, list) else []
    naming = NAMING.get(key)
    starts = {naming: f"new-{len(entries) + 1}"} if naming and _is_free(entry, naming) else {}
    return TableList(
        key, str(wanted.get("description", "")), tuple(_called(key, one) for one in entries), starts
    )


def _is_free(entry: Schema, key: str) -> bool:
    return "enum" not in entry["properties"].get(key, {})


def _called(key: str, entry: Mapping[str, Any]) -> str:
    """What a table of a list is called by people."""
    if key == "seat":
        return ", ".join(str(entry[k]).replace("_", " ") for k in ("blade", "face") if k in entry)
    if key == "shifts":
        return f"{entry.get('people', 1)}: {', '.join(entry.get('hours', ()))}"
    own, name = entry.get(NAMING.get(key, ""), ""), entry.get("name", "")
    return " · ".join(str(said) for said in (name, str(own).replace("_", " ")) if said)


def _input(
    top: Schema, key: str, name: str, wanted: Schema, given: Any, names: Names, around: Schema
) -> Input:
    ways = [way for way in wanted.get("anyOf", ()) if way.get("type") != "null"]
    about = {
        "means": str(wanted.get("description", "")),
        "unit": str(wanted.get("unit", "")),
        "example": _said((wanted.get("examples") or [""])[0]),
        "default": _said(wanted.get("default")),
        "is_needed": key in around.get("required", ()),
    }
    known = tuple(names.get(str(wanted.get("names")), ()))
    if len(ways) > 1:
        return _ways(top, key, name, ways, given, names, about, known)
    one = _resolved(top, ways[0] if ways else wanted)
    return _of_form(top, key, name, one, given, names, about, known)


def _of_form(
    top: Schema,
    key: str,
    name: str,
    one: Schema,
    given: Any,
    names: Names,
    about: Mapping[str, Any],
    known: tuple[str, ...],
) -> Input:
    kind = one.get("type")
    if one.get("title") == "Shape":
        return _shape(top, key, name, one, given, names, about)
    if "prefixItems" in one:
        parts = tuple(
            Input(str(n), f"{name}[{n}]", leaf, _text(_at(given, path)))
            for n, (path, leaf) in enumerate(_leaves(one))
        )
        return Input(key, name, "numbers", given, parts=parts, **about)
    if kind == "array":
        return _list(key, name, one, given, about, known)
    if kind == "object" and "properties" in one:
        parts = tuple(
            _input(top, inner, f"{name}.{inner}", wanted, _at(given, (inner,)), names, one)
            for inner, wanted in one["properties"].items()
        )
        return Input(key, name, "group", given, parts=(*parts, *_unknown(name, given, one)), **about)
    if kind == "object":
        return _named(top, key, name, one, given, names, about, known)
    return _single(key, name, one, given, about, known)


def _single(
    key: str, name: str, one: Schema, given: Any, about: Mapping[str, Any], known: tuple[str, ...]
) -> Input:
    """The input of one value, whatever kind of value it is."""
    kind, choices = one.get("type"), tuple(one.get("enum", ()))
    if kind == "boolean":
        return Input(key, name, "tick", given is True, **about)
    if kind in ("number", "integer"):
        return Input(key, name, "number", _text(given), **about)
    if not choices and len(known) <= _MOST_CHOICES and key not in ("material", "finish"):
        choices = known
    if choices:
        return Input(key, name, "choice", _text(given), choices=choices, **about)
    if known:
        return Input(key, name, "text", _text(given), choices=known, **about)
    is_long = one.get("maxLength", 0) > 200
    return Input(key, name, "long" if is_long else "text", _text(given), **about)


def _list(
    key: str, name: str, one: Schema, given: Any, about: Mapping[str, Any], known: tuple[str, ...]
) -> Input:
    entry = one.get("items", {})
    if "prefixItems" in entry:
        rows = given if isinstance(given, list) else []
        if len(rows) > MOST_ROWS:
            return Input(key, name, "rows", len(rows), **about)
        parts = tuple(
            Input(
                str(row),
                f"{name}[{row}]",
                "numbers",
                parts=tuple(
                    Input(str(n), f"{name}[{row}][{n}]", leaf, _text(_at(rows, (row, *path))))
                    for n, (path, leaf) in enumerate(_leaves(entry))
                ),
            )
            for row in range(len(rows) + _SPARE_ROWS)
        )
        return Input(key, name, "rows", given, parts=parts, **about)
    chosen = tuple(str(v) for v in given) if isinstance(given, list) else ()
    choices = tuple(entry.get("enum", known))
    if choices and len(choices) <= _MOST_CHOICES:
        return Input(key, name, "ticks", chosen, choices=tuple(dict.fromkeys((*choices, *chosen))), **about)
    return Input(key, name, "lines", "\n".join(chosen), choices=known, **about)


def _leaves(one: Schema, path: tuple[int, ...] = ()) -> list[tuple[tuple[int, ...], Kind]]:
    """Paths and kinds of the single values of a fixed row, which may hold rows."""
    found: list[tuple[tuple[int, ...], Kind]] = []
    for index, part in enumerate(one["prefixItems"]):
        if "prefixItems" in part:
            found += _leaves(part, (*path, index))
        else:
            found.append(((*path, index), "number" if part.get("type") in ("number", "integer") else "text"))
    return found


def _shape(
    top: Schema, key: str, name: str, one: Schema, given: Any, names: Names, about: Mapping[str, Any]
) -> Input:
    chosen = next((way for way in one["properties"] if _at(given, (way,)) is not LEFT_OUT), "none")
    parts = tuple(
        _input(top, way, f"{name}.{way}", wanted, _at(given, (way,)), names, one)
        for way, wanted in one["properties"].items()
    )
    return Input(key, name, "ways", chosen, parts=parts, **about)


def _ways(
    top: Schema,
    key: str,
    name: str,
    ways: Sequence[Schema],
    given: Any,
    names: Names,
    about: Mapping[str, Any],
    known: tuple[str, ...],
) -> Input:
    """A value that may be written in two ways: a word or a list, points or a path."""
    parts, chosen = [], "none"
    for way in ways:
        one = _resolved(top, way)
        fits = given if _is_written_so(one, given) else LEFT_OUT
        label = str(one.get("const") or ("path" if "properties" in one else "these" if known else "points"))
        if fits is not LEFT_OUT:
            chosen = label
        if "const" in one:
            parts.append(Input(label, f"{name}.{label}", "unknown"))
        elif "properties" in one:
            inner = one["properties"]["path"]
            parts.append(_input(top, label, f"{name}.{label}", inner, _at(fits, ("path",)), names, one))
        else:
            parts.append(_of_form(top, label, f"{name}.{label}", one, fits, names, {}, known))
    return Input(key, name, "ways", chosen, parts=tuple(parts), **about)


def _is_written_so(one: Schema, given: Any) -> bool:
    if "const" in one:
        return bool(given == one["const"])
    return isinstance(given, dict) if "properties" in one else isinstance(given, list)


def _named(
    top: Schema,
    key: str,
    name: str,
    one: Schema,
    given: Any,
    names: Names,
    about: Mapping[str, Any],
    known: tuple[str, ...],
) -> Input:
    entry = one.get("additionalProperties") or next(iter(one.get("patternProperties", {}).values()))
    fixed = tuple(one.get("propertyNames", {}).get("enum", ())) or known
    there = given if isinstance(given, dict) else {}
    spare = () if fixed and len(fixed) <= _MOST_CHOICES else range(_SPARE_ROWS)
    keys = tuple(dict.fromkeys((*(fixed if not spare else ()), *there)))
    parts = [
        _of_form(top, own, f"{name}{{{own}}}", _resolved(top, entry), there.get(own, LEFT_OUT), names, {}, ())
        for own in keys
    ]
    parts += [_of_form(top, "", f"{name}#{n}", _resolved(top, entry), LEFT_OUT, names, {}, ()) for n in spare]
    return Input(key, name, "named", given, choices=known, parts=tuple(parts), **about)


def _unknown(name: str, given: Any, schema: Schema) -> tuple[Input, ...]:
    keys = given if isinstance(given, dict) else {}
    return tuple(
        Input(key, f"{name}.{key}", "unknown", _said(value))
        for key, value in keys.items()
        if key not in schema["properties"]
    )


def _at(given: Any, path: Sequence[int | str]) -> Any:
    for step in path:
        try:
            given = given[step]
        except (KeyError, IndexError, TypeError):
            return LEFT_OUT
    return given


def _text(given: Any) -> str:
    """A single value as it is typed.

    >>> _text(12.0), _text(0.05), _text(LEFT_OUT)
    ('12', '0.05', '')
    """
    if given is LEFT_OUT or given is None:
        return ""
    if isinstance(given, float) and given.is_integer() and abs(given) < 1e15:
        return str(int(given))
    return str(given)


def _said(given: Any) -> str:
    """A value as it stands beside an input: an example, or what holds where it is left out."""
    if given in (None, [], {}, ()):
        return ""
    if isinstance(given, bool):
        return ""
    if isinstance(given, (list, tuple)) and all(isinstance(v, (str, int, float)) for v in given):
        return ", ".join(map(_text, given))
    return "" if isinstance(given, (dict, list, tuple)) else _text(given)


# --- from what was typed ---


def _read(one: Input, before: Any, typed: Typed) -> Any:
    reader = _READERS.get(one.kind)
    if reader is not None:
        return reader(one, before, typed)
    text = (typed(one.name) or "").replace("\r\n", "\n").strip()[:_MOST_SIGNS]
    if not text:
        # An empty text that stands in the file is as good as none, and is not taken out for that.
        return before if before == "" else LEFT_OUT
    return number_of(text) if one.kind == "number" else text


def number_of(text: str) -> int | float | str:
    """A number with a decimal point or comma; what is none stays as it was typed, and is refused as that.

    >>> number_of("12"), number_of("12,5"), number_of("a bit")
    (12, 12.5, 'a bit')
    """
    if _WHOLE.fullmatch(text):
        return int(text)
    return float(text.replace(",", ".")) if _DECIMAL.fullmatch(text) else text


def _read_tick(one: Input, before: Any, typed: Typed) -> Any:
    is_ticked = typed(one.name) is not None
    if is_ticked or one.is_needed or before is not LEFT_OUT:
        return is_ticked
    return LEFT_OUT


def _read_ticks(one: Input, before: Any, typed: Typed) -> Any:
    chosen = [choice for choice in one.choices if typed(f"{one.name}={choice}") is not None]
    if set(chosen) == set(one.value):
        return before  # in the order in which they stand there, which may say which is preferred
    kept = [choice for choice in one.value if choice in chosen]
    return [*kept, *(choice for choice in chosen if choice not in kept)] or LEFT_OUT


def _read_lines(one: Input, before: Any, typed: Typed) -> Any:
    text = (typed(one.name) or "").replace("\r", "\n")[:_MOST_SIGNS]
    lines = [line.strip() for part in text.split("\n") for line in _parted(part) if line.strip()]
    return lines or (before if before == [] else LEFT_OUT)


def _parted(line: str) -> list[str]:
    """Spans and dates are often typed one behind the other; words may have commas in them."""
    return re.split(r"[,;]", line) if re.fullmatch(r"[\d:\-–,; ]*", line) else [line]


def _read_numbers(one: Input, _: Any, typed: Typed) -> Any:
    values = [_read(part, LEFT_OUT, typed) for part in one.parts]
    if all(value is LEFT_OUT for value in values):
        return LEFT_OUT
    flat = ["" if value is LEFT_OUT else value for value in values]
    # Points inside a row are two numbers each.
    if one.key.startswith("points_"):
        return [flat[i : i + 2] for i in range(0, len(flat), 2)]
    return flat


def _read_rows(one: Input, before: Any, typed: Typed) -> Any:
    if not one.parts:
        return before
    rows = [row for part in one.parts if (row := _read_numbers(part, LEFT_OUT, typed)) is not LEFT_OUT]
    return rows or LEFT_OUT


def _read_group(one: Input, before: Any, typed: Typed) -> Any:
    there = before if isinstance(before, dict) else {}
    values = dict(there)
    for part in one.parts:
        value = _read(part, there.get(part.key, LEFT_OUT), typed)
        if value is LEFT_OUT:
            values.pop(part.key, None)
        else:
            values[part.key] = value
    if one.is_needed or before is not LEFT_OUT:
        is_empty = not one.is_needed and all(value in (False, "", [], {}) for value in values.values())
        return LEFT_OUT if is_empty and values != there else values
    return values if any(value is not False for value in values.values()) else LEFT_OUT


def _read_ways(one: Input, before: Any, typed: Typed) -> Any:
    way = typed(f"{one.name}~way")
    part = next((part for part in one.parts if part.key == way), None)
    if part is None:
        return LEFT_OUT
    if part.kind == "unknown":
        return part.key
    is_table = one.key not in ("baseline", "fonts")
    inside = before.get(part.key, LEFT_OUT) if isinstance(before, dict) else before
    value = _read(
        part, inside if isinstance(before, dict) == (is_table or way == "path") else LEFT_OUT, typed
    )
    if value is LEFT_OUT:
        value = [] if part.kind in ("rows", "ticks", "lines") else ""
    return {part.key: value} if is_table or way == "path" else value


def _read_named(one: Input, before: Any, typed: Typed) -> Any:
    there = before if isinstance(before, dict) else {}
    values: dict[str, Any] = {}
    for part in one.parts:
        own = part.key or (typed(f"{part.name}~key") or "").strip()[:200]
        value = _read(part, there.get(own, LEFT_OUT), typed)
        if not own or value is LEFT_OUT:
            continue
        if part.kind == "tick" and not part.key and not value:
            value = False
        values[own] = value
    ordered = {key: values[key] for key in there if key in values}
    return {**ordered, **values} or (before if before == {} else {} if one.is_needed else LEFT_OUT)


def _read_unknown(one: Input, before: Any, typed: Typed) -> Any:
    return LEFT_OUT if typed(f"{one.name}~out") is not None else before


_READERS: Mapping[str, Callable[[Input, Any, Typed], Any]] = {
    "tick": _read_tick,
    "ticks": _read_ticks,
    "lines": _read_lines,
    "numbers": _read_numbers,
    "rows": _read_rows,
    "group": _read_group,
    "ways": _read_ways,
    "named": _read_named,
    "unknown": _read_unknown,
}
