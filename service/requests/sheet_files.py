"""CSV and XLSX as rows of cells: read as what they are, written so that no cell is run as a formula.

Whatever leaves the service for a spreadsheet program is written by `written` or `csv_text`; a test looks for
others. Reading takes no formula either: of an XLSX file the values are read that it was saved with.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, time
from typing import Any
from xml.etree.ElementTree import ParseError

from defusedxml.common import DefusedXmlException

from service.records.errors import Refusal

MOST_BYTES = 64 * 2**20
#: Far more than any table has that is read here; an XLSX file of few bytes can name a million empty ones.
MOST_ROWS = 100_000
_MOST_COLUMNS = 100
_ZIP = b"PK\x03\x04"

# A spreadsheet program runs a cell that begins with one of these as a formula, also in their full-width
# forms and after spaces (OWASP, "CSV Injection", https://owasp.org/www-community/attacks/CSV_Injection).
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

Cell = str | int | float


class UnreadableFile(Refusal):
    """Not a CSV or XLSX file with the columns that are needed; nothing was taken."""


def harmless(cell: str) -> str:
    """The cell with a leading apostrophe where it could be taken for a formula.

    >>> harmless("=1+1")
    "'=1+1"
    """
    bare = cell.lstrip(" \u00a0\u3000")
    return f"'{cell}" if bare.startswith(_FORMULA) or cell.startswith(_FORMULA) else cell


def csv_text(heading: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A table as CSV; texts that could be taken for formulas are made harmless, numbers stay numbers."""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC)
    writer.writerows(map(_safe, [heading, *rows]))
    return out.getvalue()


def written(heading: Sequence[str], rows: Iterable[Sequence[Cell]], *, kind: str) -> bytes:
    """A table as a file: `kind` is `csv` or `xlsx`."""
    if kind == "csv":
        return csv_text(heading, rows).encode()
    from openpyxl import Workbook  # here: it takes memory that hardly any process needs

    book = Workbook(write_only=True)
    sheet = book.create_sheet()
    for row in (heading, *rows):
        sheet.append(_safe(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _safe(row: Sequence[Cell]) -> list[Cell]:
    return [harmless(cell) if isinstance(cell, str) else cell for cell in row]


def cells_of(content: bytes) -> list[list[str]]:
    """The rows of a CSV file (comma or semicolon, UTF-8 with or without byte order mark), or of the first
    sheet of an XLSX file, as texts. Raises UnreadableFile."""
    if len(content) > MOST_BYTES:
        raise UnreadableFile(f"the file is larger than {MOST_BYTES // 2**20} MB")
    return list(_xlsx_cells(content)) if content.startswith(_ZIP) else _csv_cells(content)


def _csv_cells(content: bytes) -> list[list[str]]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise UnreadableFile(f"line {line} is not UTF-8") from error
    heading = text.split("\n", 1)[0]
    delimiter = ";" if heading.count(";") > heading.count(",") else ","
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        return list(reader)
    except csv.Error as error:
        raise UnreadableFile(f"line {reader.line_num} is not CSV: {error}") from error


def _xlsx_cells(content: bytes) -> Iterator[list[str]]:
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as parts:
            if sum(part.file_size for part in parts.infolist()) > MOST_BYTES:
                raise UnreadableFile(f"unpacked, the file is larger than {MOST_BYTES // 2**20} MB")
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        sheet.reset_dimensions()  # what a file says of its size need not be true
        for number, row in enumerate(sheet.iter_rows(max_col=_MOST_COLUMNS, values_only=True), start=1):
            if number > MOST_ROWS:
                raise UnreadableFile(f"the sheet has more than {MOST_ROWS} rows")
            yield _without_empty_end([_text(value) for value in row])
    except (
        zipfile.BadZipFile,
        InvalidFileException,
        DefusedXmlException,
        ParseError,
        KeyError,
        ValueError,
        IndexError,
        TypeError,
    ) as error:
        # The library has no error of its own for a file that is only half of a workbook.
        raise UnreadableFile("the file is no XLSX workbook that can be read") from error


def _without_empty_end(row: list[str]) -> list[str]:
    while row and not row[-1]:
        row.pop()
    return row


def _text(value: Any) -> str:
    """A cell as it would be typed into a CSV file: whole numbers without a point, days and moments in ISO
    8601."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime) and value.time() == time(0):
        return value.date().isoformat()
    return value.isoformat() if isinstance(value, date | time) else str(value)
