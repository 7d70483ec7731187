"""On which line of a TOML file a key or a named thing stands, which the TOML reader itself does not tell.

Only what these files are made of is followed: tables, arrays of tables, keys, values over several lines. Keys
inside a value (a shape's `circle`, the third point of a list) are found at the line of the value.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

_TABLE = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\"'# -]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*(\"[^\"]*\"|'[^']*'|[A-Za-z0-9_-]+)\s*=\s*(.*)$")
_QUOTED = re.compile(r"""^(?:"([^"]*)"|'([^']*)')""")
#: Strings and comments, taken out before brackets are counted.
_NOT_CODE = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'|#.*$')
#: The key by which a table of a list goes, by the list's key; a file that is one thing goes by its kind's.
NAMING: Mapping[str, str] = {
    "product": "sku",
    "face": "face",
    "zone": "zone",
    "keep_out": "keep_out",
    "keep_out_row": "keep_out",
    "process": "process",
    "font": "font",
    "artwork": "artwork",
    "bin": "bin",
    "store": "store",
    "photo": "face",
    "word_list": "name",
    "routines": "routine",
    "supplies": "supply",
}
_INDEX = re.compile(r"\[\d+\]$")


@dataclass(frozen=True, slots=True)
class _Spot:
    """A key or table header: its path as places are written, the path by names, and its line."""

    path: str
    names: str
    line: int


def line_of(text: str, place: str) -> int | None:
    """The line (from 1) of a place such as `face[0].zone[1].polygon` or `mark_side.heel`; the line of what
    holds it where it has none of its own; None where nothing of it is there."""
    if place.startswith("slot "):
        row = re.compile(rf'^[^#]*\[\s*"{re.escape(place.removeprefix("slot "))}"\s*,')
        return next((n for n, line in enumerate(text.splitlines(), start=1) if row.match(line)), None)
    found = [(length, -spot.line) for length, spot in _leading_to(text, place)]
    if not found:  # all of a kind: the first of them
        found = [(0, -spot.line) for spot in _spots(text) if spot.path.startswith(f"{place}[")]
    return -max(found)[1] if found else None


def path_of(text: str, place: str) -> str:
    """A place by numbers alone: `face[0].zone[1]` for `mark_side.heel`; empty where nothing of it is there.

    >>> path_of('[[product]]\\nsku = "A"\\nname = "An adze"', "A.barcodes")
    'product[0].barcodes'
    """
    if place.startswith("slot "):
        return "slots"
    found = [(length, spot.path) for length, spot in _leading_to(text, place) if spot.path]
    if not found:
        return ""
    length, path = max(found)
    return path + place[length:]


def _leading_to(text: str, place: str) -> list[tuple[int, _Spot]]:
    """Spots that a place is or lies in, each with how much of the place it says."""
    return [
        (len(written), spot)
        for spot in _spots(text)
        for written in (spot.path, spot.names)
        if written and (place == written or place.startswith((f"{written}.", f"{written}[")))
    ]


def line_of_name(text: str, table: str, name: str) -> int | None:
    """The line on which a name stands in a table of a kind, such as a seat's blade."""
    begun = False
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _TABLE.match(line):
            begun = header[2] == table
        elif begun and (key := _KEY.match(line)) and key[2].startswith((f'"{name}"', f"'{name}'")):
            return number
    return None


def _spots(text: str) -> Iterator[_Spot]:
    """Every table header and key of the file."""
    spots: list[_Spot] = []
    counts: dict[str, int] = {}
    path = names = ""
    own_names: dict[str, str] = {}
    depth = 0
    for number, line in enumerate(text.splitlines(), start=1):
        code = _NOT_CODE.sub("", line)
        depth = max(depth, 0)
        table, key = (_TABLE.match(line), _KEY.match(line)) if depth == 0 else (None, None)
        if table:
            path, names = _opened(table[2], counts, own_names, is_array=table[1] == "[[")
            spots.append(_Spot(path, names, number))
            continue
        if key:
            name = key[1].strip("\"'")
            spots.append(_Spot(_under(path, name), _under(names, name), number))
            value = _QUOTED.match(key[2])
            if value and NAMING.get(_INDEX.sub("", path.rpartition(".")[2])) == name:
                # From here on the table goes by its name as well.
                names = _renamed(path, value[1] or value[2] or name, own_names)
                spots += [_Spot(path, names, number), _Spot("", _under(names, name), number)]
        depth += sum(code.count(c) for c in "[{") - sum(code.count(c) for c in "]}")
    yield from spots


def _opened(
    header: str, counts: dict[str, int], own_names: dict[str, str], *, is_array: bool
) -> tuple[str, str]:
    """The path of a table as it is opened, and its path by the names of the tables around it."""
    steps = [step.strip().strip("\"'") for step in header.split(".")]
    path = ""
    for step in steps[:-1]:
        path = _under(path, step)
        if path in counts:
            path = f"{path}[{counts[path]}]"
    names = _under(own_names.get(path, ""), steps[-1]) if path in own_names else ""
    path = _under(path, steps[-1])
    if is_array:
        counts[path] = counts.get(path, -1) + 1
        for inner in [p for p in counts if p.startswith(f"{path}[{counts[path]}].")]:
            del counts[inner]
        path = f"{path}[{counts[path]}]"
    return path, names


def _renamed(path: str, name: str, own_names: dict[str, str]) -> str:
    around = path.rpartition(".")[0]
    own_names[path] = _under(own_names.get(around, ""), name)
    return own_names[path]


def _under(path: str, step: str) -> str:
    return f"{path}.{step}" if path else step
