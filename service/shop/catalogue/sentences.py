"""What a schema refuses, said as a maker understands it: what stands there, and what would be right."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from difflib import SequenceMatcher
from typing import Any, get_args

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from service.shop.catalogue import schema

#: Names that are this much alike are offered as what was meant.
_ALIKE = 0.6
MOST_NAMES = 8

#: What a value of a certain form looks like, by the form's pattern.
_FORMS: Mapping[str, str] = {
    schema.NAME_FORM: "is no name: up to 60 letters, digits, blanks and _ . ' # -, the first a letter or "
    "a digit",
    schema.WORDS_FORM: "is not 1 to 120 characters on one line",
    schema.SPAN_FORM: "is no part of a day: write 08:00-16:30",
    schema.TIME_FORM: "is no time of day: write 16:00",
    schema.DAY_FORM: "is no date: write 2027-01-31",
    schema.BARCODE_FORM: "is no barcode: 8 to 14 digits, without blanks",
    schema.COLOUR_FORM: "is no colour: write # and six of 0 to 9 and a to f, such as #7a3b12",
    schema.LAYER_FORM: "is no layer's name: up to 40 letters, digits, _ and -",
}


def sentence_of(error: ErrorDetails, model: type[BaseModel]) -> str:
    """The sentence for one error of a document that was held against `model`."""
    return _of_keys_and_forms(error, model) or _of_numbers_and_kinds(error) or str(error["msg"])


def _of_keys_and_forms(error: ErrorDetails, model: type[BaseModel]) -> str | None:
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    if kind == "extra_forbidden":
        given_key, keys = str(error["loc"][-1]), _keys_at(model, error["loc"][:-1])
        return unknown(
            "no such key", given_key, nearest(given_key, keys)[:1] if alike(given_key, keys) else keys
        )
    if kind == "missing":
        is_slot = isinstance(given, (list, tuple)) and "slots" in error["loc"]
        return "a slot is its name, then where its frame lies: x, y and turn" if is_slot else "is missing"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(context.get("expected", "")))
        meant = f"; did you mean {nearest(str(given), allowed)[0]!r}?" if alike(str(given), allowed) else ""
        return f"{_shown(given)} is none of {', '.join(allowed)}{meant}"
    if kind == "string_pattern_mismatch":
        form = _FORMS.get(str(context.get("pattern")), "can't be written so")
        return f"{_shown(given)} {form}"
    if kind == "value_error":
        return str(error["msg"]).removeprefix("Value error, ")
    return None


def _of_numbers_and_kinds(error: ErrorDetails) -> str | None:
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    return _of_numbers(kind, given, context) or _of_sizes(kind, context) or _of_kinds(kind, given)


def _of_numbers(kind: str, given: Any, context: Mapping[str, Any]) -> str | None:
    limits = {
        "greater_than": ("above", "gt"),
        "greater_than_equal": ("at least", "ge"),
        "less_than": ("below", "lt"),
        "less_than_equal": ("at most", "le"),
    }
    if kind in limits:
        word, key = limits[kind]
        return f"{_shown(given)} must be {word} {context[key]:g}"
    if kind.startswith(("float_", "int_")):
        if isinstance(given, str) and re.fullmatch(r"-?\d+,\d+", given):
            return f"write {given.replace(',', '.')}, not {given}, and without quotation marks"
        whole = "whole number" if kind.startswith("int_") else "number"
        return f"{_shown(given)} is no {whole}"
    if kind == "finite_number":
        return f"{_shown(given)} is no number that can be measured"
    return None


def _of_sizes(kind: str, context: Mapping[str, Any]) -> str | None:
    if kind in ("too_short", "too_long"):
        word, key = ("at least", "min_length") if kind == "too_short" else ("at most", "max_length")
        return f"has {context['actual_length']} entries; {word} {context[key]} are wanted"
    if kind in ("string_too_short", "string_too_long"):
        key = "min_length" if kind == "string_too_short" else "max_length"
        return f"is too {kind.rpartition('_')[2]}: {context[key]} characters"
    return None


def _of_kinds(kind: str, given: Any) -> str | None:
    wanted = {
        "string_type": 'words in quotation marks are wanted, such as "satin"',
        "bool_type": "true or false is wanted, without quotation marks",
        "bool_parsing": "true or false is wanted, without quotation marks",
        "list_type": "a list in [ ] is wanted",
        "tuple_type": "numbers in [ ] are wanted",
        "dict_type": "a table is wanted: { key = value }",
        "model_type": "a table is wanted: { key = value }",
        "model_attributes_type": "a table is wanted: { key = value }",
    }
    return f"{wanted[kind]}, not {_shown(given)}" if kind in wanted else None


def unknown(what: str, given: str, known: Iterable[str]) -> str:
    """That a name leads nowhere, with what was most likely meant and what there is, the nearest first.

    >>> unknown("no blade 'feling'", "feling", ["adze", "felling"])
    "no blade 'feling'; did you mean 'felling'? There are felling, adze"
    """
    there = nearest(given, known)
    if not there:
        return f"{what}; there is none yet"
    meant = f"; did you mean {there[0]!r}?" if alike(given, there) else "."
    if len(there) == 1 and meant != ".":
        return f"{what}{meant}"
    more = f" and {len(there) - MOST_NAMES} more" if len(there) > MOST_NAMES else ""
    return f"{what}{meant} There {'are' if len(there) > 1 else 'is'} {', '.join(there[:MOST_NAMES])}{more}"


def misspelt(what: str, given: str, known: Sequence[str]) -> str:
    """The same, with all that there is only where nothing is spelt like it."""
    return unknown(what, given, nearest(given, known)[:1] if alike(given, known) else known)


def nearest(given: str, known: Iterable[str]) -> list[str]:
    """Names, those first that are spelt most like the given one."""
    return sorted(known, key=lambda name: (-_likeness(given, name), name))


def alike(given: str, known: Iterable[str]) -> bool:
    """Whether a name is spelt so much like one of the known that it was most likely meant."""
    return any(_likeness(given, name) >= _ALIKE for name in known)


def _likeness(one: str, other: str) -> float:
    return SequenceMatcher(None, one.casefold(), other.casefold()).ratio()


def not_toml(message: str, text: str) -> tuple[str, int | None]:
    """What is wrong with a file that is no TOML, and on which line."""
    where = re.search(r"\(at line (\d+), column \d+\)", message)
    if where is None:
        return f"not TOML: {message}", len(text.splitlines())
    number = int(where[1])
    line = text.splitlines()[number - 1] if number <= len(text.splitlines()) else ""
    comma = re.search(r"=\s*(-?\d+),(\d+)\s*(?:#.*)?$", line)
    if comma:
        return f"write {comma[1]}.{comma[2]}, not {comma[1]},{comma[2]}", number
    plain = message.replace(where[0], "").strip()
    shown = line.strip()
    if mend := _mend(plain, shown, text):
        return mend, number
    return f"not TOML: {plain}" + (f": {shown[:60]}" if shown else ""), number


_CURLY = str.maketrans("“”„‘’‚«»", '"""\'\'\'""')


def _mend(said: str, line: str, text: str) -> str | None:
    """What a maker most likely meant by a line that is no TOML, as they should write it."""
    if any(ord(mark) in _CURLY for mark in line):
        return f"write straight quotes: {line.translate(_CURLY)[:60]}"
    key, colon, value = line.partition(":")
    if "Expected '='" in said and colon and re.fullmatch(r"[A-Za-z_][\w-]*\s*", key):
        return f"a key and its value have = between them: {key.strip()} = {value.strip()[:60]}"
    word = re.fullmatch(r"([\w-]+)\s*=\s*([A-Za-z_][\w .'-]*?)\s*(?:#.*)?", line)
    if "Invalid value" in said and word and word[2] not in ("true", "false"):
        return f'words stand in quotes: {word[1]} = "{word[2]}"'
    if "Cannot overwrite" in said and "=" in line:
        name = line.partition("=")[0].strip()
        lines = [
            n for n, row in enumerate(text.splitlines(), 1) if re.match(rf"\s*{re.escape(name)}\s*=", row)
        ]
        return f"{name} stands twice" + (f" (also in line {lines[0]})" if len(lines) > 1 else "")
    if line.count("[") != line.count("]") and re.match(r"[\w-]+\s*=", line) and "[" in line:
        return f"there are {line.count('[')} of [ and {line.count(']')} of ]: {line[:60]}"
    return None


def keys_of(location: tuple[int | str, ...], document: Any) -> tuple[int | str, ...]:
    """A location without the names that pydantic gives to ways of writing a value."""
    kept: list[int | str] = []
    here = document
    for step in location:
        if _holds(here, step):
            here = here[step]
        elif isinstance(step, str) and not _is_key(step):
            continue
        else:
            here = None
        kept.append(step)
    return tuple(kept)


def _holds(here: Any, step: int | str) -> bool:
    if isinstance(here, dict):
        return step in here
    return isinstance(here, list) and isinstance(step, int) and step < len(here)


def _is_key(step: str) -> bool:
    """Whether a step is a key and no name of a way of writing, such as `CurvePath` or `literal['all']`."""
    return step.replace("_", "").isalnum() and step.lower() == step


def _keys_at(model: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    """The keys of the model that a location leads to."""
    here: type[BaseModel] = model
    for step in location:
        if isinstance(step, str) and step in here.model_fields:
            inner = _model_in(here.model_fields[step].annotation, step)
            here = inner or here
        elif isinstance(step, str) and (named := _named(here, step)):
            here = named
    return list(here.model_fields)


def _model_in(annotation: Any, step: str) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_in(part, step))), None)


def _named(model: type[BaseModel], name: str) -> type[BaseModel] | None:
    return next(
        (m for f in model.model_fields.values() if (m := _model_in(f.annotation, "")) and m.__name__ == name),
        None,
    )


def _shown(given: Any) -> str:
    text = (
        repr(given)
        if isinstance(given, str)
        else str(given).lower()
        if isinstance(given, bool)
        else str(given)
    )
    return text if len(text) <= 40 else f"{text[:37]}..."
