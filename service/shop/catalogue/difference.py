"""What is different between two descriptions, as a person reads it: which key of which product, blade, zone,
plate ... was what and becomes what; and, file by file, which lines.

Files of one kind are read together, so that a product that moves from one file to another has not changed.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.shop.catalogue.files import is_encoded
from service.shop.catalogue.photos import PHOTOS
from service.shop.catalogue.schema import KINDS

#: A value that is longer is cut: a polygon's points mean nothing to a reader, its line says where to look.
_MOST_LETTERS = 100
_MOST_LINES = 2_000
#: What files are called that are no TOML, by folder.
_CALLED = {PHOTOS: "photo", "fonts": "font file"}
#: By which of its keys an entry of a list is called, where that is not the list's own name.
_CALLED_BY: Mapping[str, tuple[str, ...]] = {
    "product": ("sku",),
    "seat": ("blade", "face"),
    "word_list": ("name",),
    "routines": ("routine",),
    "supplies": ("supply",),
}
#: Kinds of one thing a file, by the key that names it.
_ONE_A_FILE: Mapping[str, str] = {"blades": "blade", "plates": "plate", "stations": "station"}


@dataclass(frozen=True, slots=True)
class Change:
    """One key of one thing (`blade parer`; `face mark_side, zone flat: max_height_mm`), as it was and as it
    becomes; None where it is not there. `key` is empty where the whole thing comes or goes."""

    thing: str
    key: str
    was: str | None
    becomes: str | None


@dataclass(frozen=True, slots=True)
class FileDifference:
    """One file that is different: the lines of a unified difference; none for a photo or a font."""

    file: str
    is_new: bool
    is_gone: bool
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Difference:
    """What is different between two descriptions. Comments and layout are in `files` alone."""

    changes: tuple[Change, ...]
    files: tuple[FileDifference, ...]


def difference(old: Mapping[str, str], new: Mapping[str, str]) -> Difference:
    """What becomes of `old`, all files' texts, when it is `new`. Takes files that can't be read, too."""
    return Difference(tuple(_changes(old, new)), tuple(_files(old, new)))


def _changes(old: Mapping[str, str], new: Mapping[str, str]) -> Iterator[Change]:
    for kind in sorted(KINDS):
        was, becomes = _things(old, kind), _things(new, kind)
        for thing in sorted(was.keys() | becomes.keys()):
            before, after = was.get(thing), becomes.get(thing)
            if before is None or after is None:
                yield Change(thing, "", None if before is None else "", None if after is None else "")
                continue
            for key in sorted(before.keys() | after.keys()):
                if before.get(key) != after.get(key):
                    yield Change(thing, key, before.get(key), after.get(key))
    for file in sorted(old.keys() | new.keys()):
        if not file.endswith(".toml") and old.get(file) != new.get(file):
            kind, _, name = file.partition("/")
            yield Change(f"{_CALLED.get(kind, 'drawing')} {name}", "", _there(old, file), _there(new, file))


def _there(content: Mapping[str, str], file: str) -> str | None:
    return "" if file in content else None


def _things(content: Mapping[str, str], kind: str) -> dict[str, dict[str, str]]:
    """By thing, what it says by key."""
    things: dict[str, dict[str, str]] = {}
    for file, text in content.items():
        if not file.startswith(f"{kind}/") or not file.endswith(".toml"):
            continue
        try:
            document = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            things[f"file {file}"] = {"": "can't be read"}
            continue
        own = _ONE_A_FILE.get(kind)
        if own is not None:
            things[f"{own} {document.pop(own, file)}"] = dict(_flat(document, ""))
        elif kind == "words":  # lists of several languages may have one name
            own = f"words {document.pop('language', file)}"
            things.setdefault(own, {}).update(_flat(document, ""))
        elif kind == "policy":
            things["policy"] = dict(_flat(document, ""))
        else:
            for name, entries in document.items():
                for number, entry in enumerate(entries if isinstance(entries, list) else [entries], 1):
                    things[_name(name, entry, number)] = dict(_flat(entry, ""))
    return things


def _flat(value: Any, path: str) -> Iterator[tuple[str, str]]:
    """Every value by its path: tables and lists of tables opened, all else as one value."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if isinstance(inner, list) and inner and all(map(_is_entry, inner)):
                for number, entry in enumerate(inner, 1):
                    step = _name(key, entry, number)
                    yield from _flat(entry, f"{path}, {step}" if path else step)
            elif isinstance(inner, dict) and not _is_shape(inner):
                yield from _flat(inner, f"{path}, {key}" if path else key)
            else:
                yield f"{path}: {key}" if path else key, _shown(inner)
    else:
        yield path, _shown(value)


def _is_entry(value: Any) -> bool:
    """A table, or a row that begins with its name, as slots are written."""
    return isinstance(value, dict) or (
        isinstance(value, list)
        and len(value) > 1
        and isinstance(value[0], str)
        and not isinstance(value[1], str)
    )


def _is_shape(value: Mapping[str, Any]) -> bool:
    return bool(value.keys() & {"path", "rect", "points"})


def _name(key: str, entry: Any, number: int) -> str:
    if isinstance(entry, list):
        return f"{key.removesuffix('s')} {entry[0]}"
    called = [str(entry[by]) for by in _CALLED_BY.get(key, (key,)) if isinstance(entry, dict) and by in entry]
    return f"{key} {' '.join(called) or number}"


def _shown(value: Any) -> str:
    text = _said(value)
    return text if len(text) <= _MOST_LETTERS else f"{text[: _MOST_LETTERS - 4]} ..."


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(f"({_said(v)})" if isinstance(v, list) else _said(v) for v in value)
    if isinstance(value, dict):
        return "; ".join(f"{key} {_said(inner)}" for key, inner in value.items())
    return str(value)


def _files(old: Mapping[str, str], new: Mapping[str, str]) -> Iterator[FileDifference]:
    for file in sorted(old.keys() | new.keys()):
        before, after = old.get(file), new.get(file)
        if before == after:
            continue
        lines: tuple[str, ...] = ()
        if not is_encoded(file):
            found = difflib.unified_diff(
                (before or "").splitlines(), (after or "").splitlines(), file, file, lineterm="", n=2
            )
            lines = tuple(line[:200] for line, _ in zip(found, range(_MOST_LINES), strict=False))
        yield FileDifference(file, before is None, after is None, lines)
