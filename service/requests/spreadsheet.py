"""Rows of a spreadsheet: read whole and strictly, reported row by row."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from service.records.errors import CheckersBusy, CheckTooSlow, DatabaseBusy, Refusal, RequestInFlight
from service.requests.sheet_files import UnreadableFile, cells_of, csv_text


class Result(StrEnum):
    TAKEN = "taken"
    HELD = "held"
    KNOWN = "already there"
    WOULD_TAKE = "would be taken"
    WOULD_HOLD = "would be held"
    REFUSED = "refused"
    LATER = "not done yet"


#: Refusals that pass by themselves: the same row may be taken a little later.
PASSING = (RequestInFlight, DatabaseBusy, CheckTooSlow, CheckersBusy)


@dataclass(frozen=True, slots=True)
class Reported:
    """The result for one order or count. `row` counts as a spreadsheet does: the heading is row 1."""

    row: int
    ref: str
    result: Result
    message: str = ""


class NotAllDone(Refusal):
    """Some orders of a file could not be taken just now; the import must run again."""


Row = tuple[int, dict[str, str]]


Progress = Callable[[int, int], object]


def read_rows(content: bytes, *, needed: frozenset[str], allowed: frozenset[str]) -> list[Row]:
    """Rows of a CSV or XLSX file with their numbers, by column.

    `needed` columns must be there, no others than `allowed` may be. Raises UnreadableFile.
    """
    cells = cells_of(content)
    columns = [name.strip().lower() for name in cells[0]] if cells else []
    _check_heading(columns, needed=needed, allowed=allowed)
    return list(_named(columns, cells[1:]))


def _check_heading(columns: Sequence[str], *, needed: frozenset[str], allowed: frozenset[str]) -> None:
    if missing := sorted(needed - set(columns)):
        raise UnreadableFile(f"the heading lacks {', '.join(missing)}")
    if unknown := sorted(set(columns) - allowed):
        raise UnreadableFile(f"the heading has columns that mean nothing here: {shown(', '.join(unknown))}")
    if len(set(columns)) != len(columns):
        raise UnreadableFile("the heading names a column twice")


def _named(columns: Sequence[str], cells: Iterable[Sequence[str]]) -> Iterator[Row]:
    for number, row in enumerate(cells, start=2):
        if any(cell.strip() for cell in row):
            padded = [*row, *[""] * (len(columns) - len(row))]
            named = dict(zip(columns, padded, strict=False))
            if len(row) > len(columns):
                named["_extra"] = "yes"
            yield number, named


class WrongRow(Exception):
    def __init__(self, row: int, message: str) -> None:
        super().__init__(message)
        self.row, self.message = row, message


def row_at(place: Sequence[Any], row_of: Mapping[tuple[int, int], int], first: int) -> int:
    """The row that a place in the order came from; the order's first row when it is about the whole order."""
    numbers = [part for part in place if isinstance(part, int)]
    if not numbers:
        return first
    return row_of.get((numbers[0], numbers[1] if len(numbers) > 1 else 0), first)


def whole(cell: str) -> int | str:
    """A whole number where the cell holds one; anything else unchanged, to be refused under its field's
    name."""
    stripped = cell.strip()
    return int(stripped) if stripped.isdecimal() and stripped.isascii() and len(stripped) < 10 else stripped


def decimal(cell: str) -> float | str:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return cell


def report_csv(reported: Iterable[Reported]) -> str:
    """The report as CSV that a spreadsheet program may open without running anything."""
    rows = ((row.row, row.ref, row.result.value, row.message) for row in reported)
    return csv_text(("row", "ref", "result", "message"), rows)


def shown(text: str, limit: int = 60) -> str:
    """Text from a file, safe to print on a terminal: one line, no control characters."""
    safe = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in text)
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"
