"""Orders and stock from CSV files, row by row: what is wrong is said with its row, what is right is taken.

An orders file has one row per inscription. Rows of the same `order_ref` are one order, of the same `line_ref`
one line of it. Columns: `order_ref ship_by line_ref sku quantity zone` and, by kind of inscription,
`text font` or `initials font frame` or `artwork` or `symbology content`; all may have `priority kind
height_mm align width_mm cell_mm`. `ship_by` is ISO 8601 with a zone; a date alone means the end of that day
of the shop.

A stock file has `bin sku boxed` and, for new bins, `walking_order`.

Both may be read again: an order that was taken is not taken twice, a count is what was counted.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from enum import StrEnum
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from service import intake, stock
from service.errors import (
    BadRequest,
    CheckTooSlow,
    DatabaseBusy,
    IdempotencyKeyReused,
    OrderRefTaken,
    Refusal,
    RequestInFlight,
)
from service.ids import ORDER, public
from service.models import Order
from service.tools import Tools
from service.who import Role, Who

ORDER_COLUMNS = frozenset({"order_ref", "ship_by", "line_ref", "sku", "quantity", "zone"})
_INSCRIPTION_COLUMNS = frozenset(
    {"zone", "kind", "text", "font", "height_mm", "align", "initials", "frame", "artwork", "width_mm",
     "symbology", "content", "cell_mm"}
)  # fmt: skip
_NUMBERS = frozenset({"height_mm", "width_mm", "cell_mm"})
STOCK_COLUMNS = frozenset({"bin", "sku", "boxed"})
_MOST_BYTES = 64 * 2**20
#: Rows of a count that are written together; a transaction for each of ten thousand would take minutes.
_STOCK_BATCH = 200
# A spreadsheet program runs a cell that begins with one of these as a formula, also in their full-width
# forms and after spaces (OWASP, "CSV Injection", https://owasp.org/www-community/attacks/CSV_Injection).
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


class Result(StrEnum):
    TAKEN = "taken"
    HELD = "held"
    KNOWN = "already there"
    WOULD_TAKE = "would be taken"
    WOULD_HOLD = "would be held"
    REFUSED = "refused"
    LATER = "not done yet"


#: What another try, a little later, will not meet again.
_PASSING = (RequestInFlight, DatabaseBusy, CheckTooSlow)


@dataclass(frozen=True, slots=True)
class Reported:
    """What came of one order or count. `row` counts as a spreadsheet does: the heading is row 1."""

    row: int
    ref: str
    result: Result
    message: str = ""


class NotAllDone(Refusal):
    """Some orders of a file could not be taken just now; the import must run again."""


class UnreadableFile(Refusal):
    """Not a CSV file with the columns that are needed; nothing was taken."""


Row = tuple[int, dict[str, str]]
Progress = Callable[[int, int], object]


# --- reading ---


def read_rows(content: bytes, *, needed: frozenset[str], known: frozenset[str]) -> list[Row]:
    """Rows with their numbers. Comma or semicolon, UTF-8 with or without byte order mark.

    Raises UnreadableFile.
    """
    if len(content) > _MOST_BYTES:
        raise UnreadableFile(f"the file is larger than {_MOST_BYTES // 2**20} MB")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise UnreadableFile(f"line {line} is not UTF-8") from error
    heading = text.split("\n", 1)[0]
    delimiter = ";" if heading.count(";") > heading.count(",") else ","
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        cells = list(reader)
    except csv.Error as error:
        raise UnreadableFile(f"line {reader.line_num} is not CSV: {error}") from error
    columns = [name.strip().lower() for name in cells[0]] if cells else []
    _check_heading(columns, needed=needed, known=known)
    return list(_named(columns, cells[1:]))


def _check_heading(columns: Sequence[str], *, needed: frozenset[str], known: frozenset[str]) -> None:
    if missing := sorted(needed - set(columns)):
        raise UnreadableFile(f"the heading lacks {', '.join(missing)}")
    if unknown := sorted(set(columns) - known):
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


# --- orders ---


def import_orders(
    tools: Tools, content: bytes, *, client: str, dry_run: bool, progress: Progress | None = None
) -> list[Reported]:
    """Take the orders of a file for a store. With `dry_run` they are read and checked, and nothing is stored.

    Raises UnreadableFile.
    """
    rows = read_rows(content, needed=ORDER_COLUMNS, known=ORDER_COLUMNS | _INSCRIPTION_COLUMNS | {"priority"})
    orders = _by_order(rows)
    who = Who(role=Role.STORE, client=client, name="csv import")
    reported = []
    for position, (ref, its_rows) in enumerate(orders.items(), start=1):
        try:
            reported.append(_one_order(tools, ref, its_rows, who=who, dry_run=dry_run))
        except _WrongRow as wrong:
            reported.append(Reported(wrong.row, ref, Result.REFUSED, wrong.message))
        except _PASSING as passing:
            reported.append(Reported(its_rows[0][0], ref, Result.LATER, passing.message))
        except Refusal as refusal:
            reported.append(Reported(its_rows[0][0], ref, Result.REFUSED, refusal.message))
        if progress:
            progress(position, len(orders))
    return reported


class _WrongRow(Exception):
    def __init__(self, row: int, message: str) -> None:
        super().__init__(message)
        self.row, self.message = row, message


def _by_order(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for number, row in rows:
        found.setdefault(row["order_ref"].strip(), []).append((number, row))
    return found


def _one_order(tools: Tools, ref: str, rows: Sequence[Row], *, who: Who, dry_run: bool) -> Reported:
    from service.api.wire import OrderIn  # the same limits as over HTTP

    first = rows[0][0]
    posted, row_of = _posted(ref, rows, ZoneInfo(tools.catalogue.current.policy.time_zone))
    try:
        body = OrderIn.model_validate(posted)
    except ValidationError as invalid:
        error = invalid.errors(include_input=False, include_context=False, include_url=False)[0]
        place = error["loc"]
        message = str(error["msg"]).removeprefix("Value error, ")
        field = str(place[-1]) if place else "row"
        raise _WrongRow(_row_at(place, row_of, first), f"{field}: {message}") from invalid
    if dry_run:
        return _try_out(tools, ref, first, body)
    key = "csv-" + hashlib.sha256(f"{who.client}\n{ref}".encode()).hexdigest()
    try:
        answer = intake.take_order(tools, body, key, who=who)
    except OrderRefTaken as taken:
        return Reported(first, ref, Result.KNOWN, str(taken.about["order"]))
    except IdempotencyKeyReused:
        raise _WrongRow(first, "was imported before, with other contents; amend the order instead") from None
    if answer.replayed:
        return Reported(first, ref, Result.KNOWN)
    return _outcome(tools, ref, first, answer.headers["Location"].rsplit("/", 1)[1])


def _outcome(tools: Tools, ref: str, row: int, identity: str) -> Reported:
    with tools.database.reading() as session:
        order = session.get_one(Order, int(identity.removeprefix(ORDER)))
        held = [line.line_ref for line in order.lines if line.hold_reason]
        name = public(ORDER, order.id)
    if held:
        return Reported(row, ref, Result.HELD, f"{name}: line {', '.join(held)} needs the desk")
    return Reported(row, ref, Result.TAKEN, name)


def _try_out(tools: Tools, ref: str, row: int, body: Any) -> Reported:
    results = intake.check_lines(tools, intake.wanted_of(body))
    stopped = [
        f"{line.line_ref}: {finding.message}"
        for line, result in zip(body.lines, results, strict=True)
        for finding in result.findings
        if finding.severity.value != "note"
    ]
    if stopped:
        return Reported(row, ref, Result.WOULD_HOLD, stopped[0])
    return Reported(row, ref, Result.WOULD_TAKE)


def _posted(
    ref: str, rows: Sequence[Row], zone: ZoneInfo
) -> tuple[dict[str, Any], dict[tuple[int, int], int]]:
    """The order as a store would post it, and which row each inscription came from."""
    lines: dict[str, dict[str, Any]] = {}
    row_of: dict[tuple[int, int], int] = {}
    ship_by, priority = rows[0][1]["ship_by"].strip(), rows[0][1].get("priority", "").strip()
    for number, row in rows:
        if "_extra" in row:
            raise _WrongRow(number, "has more cells than the heading")
        if row["ship_by"].strip() != ship_by or row.get("priority", "").strip() != priority:
            raise _WrongRow(number, "ship_by and priority must be the same in all rows of an order")
        line_ref = row["line_ref"].strip()
        line = lines.setdefault(
            line_ref,
            {
                "line_ref": line_ref,
                "sku": row["sku"].strip(),
                "quantity": _whole(row["quantity"]),
                "inscriptions": [],
            },
        )
        if (row["sku"].strip(), _whole(row["quantity"])) != (line["sku"], line["quantity"]):
            raise _WrongRow(number, "sku and quantity must be the same in all rows of a line")
        row_of[list(lines).index(line_ref), len(line["inscriptions"])] = number
        line["inscriptions"].append(_inscription(row))
    posted = {
        "order_ref": ref,
        "ship_by": ship_by_of(ship_by, rows[0][0], zone),
        "lines": list(lines.values()),
    }
    if priority:
        posted["priority"] = _whole(priority)
    return posted, row_of


def _inscription(row: Mapping[str, str]) -> dict[str, Any]:
    """Words are taken as they stand; in every other cell spaces around mean nothing."""
    said = {}
    for column in _INSCRIPTION_COLUMNS & row.keys():
        cell = row[column] if column in {"text", "initials", "content"} else row[column].strip()
        if cell:
            said[column] = _decimal(cell) if column in _NUMBERS else cell
    if "kind" not in said and "text" not in said:
        said |= {"text": row.get("text", "")}
    return said


def _row_at(place: Sequence[Any], row_of: Mapping[tuple[int, int], int], first: int) -> int:
    """The row that a place in the order came from; the order's first when it is about the whole."""
    numbers = [part for part in place if isinstance(part, int)]
    if not numbers:
        return first
    return row_of.get((numbers[0], numbers[1] if len(numbers) > 1 else 0), first)


def _whole(cell: str) -> int | str:
    """A number where it is one; anything else goes on as it is, to be refused with its field's name."""
    stripped = cell.strip()
    return int(stripped) if stripped.isdecimal() and stripped.isascii() and len(stripped) < 10 else stripped


def _decimal(cell: str) -> float | str:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return cell


def ship_by_of(cell: str, row: int, zone: ZoneInfo) -> datetime:
    """The moment in a cell; a date alone is the end of that day of the shop. Raises _WrongRow."""
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        raise _WrongRow(row, "ship_by is no ISO 8601 date") from None
    if len(cell) == len("2026-12-01"):
        return datetime.combine(moment.date(), time(23, 59, 59), tzinfo=zone)
    if moment.tzinfo is None:
        raise _WrongRow(row, "ship_by has a time but no zone; add Z or an offset")
    return moment


# --- stock ---


def import_stock(
    tools: Tools, content: bytes, *, dry_run: bool, progress: Progress | None = None
) -> list[Reported]:
    """Set the counts of a file, each row on its own. Raises UnreadableFile."""
    rows = read_rows(content, needed=STOCK_COLUMNS, known=STOCK_COLUMNS | {"walking_order"})
    reported: list[Reported] = []
    for begin in range(0, len(rows), _STOCK_BATCH):
        batch = rows[begin : begin + _STOCK_BATCH]
        read = [_read_count(tools, number, row) for number, row in batch]
        counts = [one for one in read if isinstance(one, stock.Count)]
        refused = iter([None] * len(counts) if dry_run else _put_counts(tools, counts))
        for (number, row), one in zip(batch, read, strict=True):
            ref = f"{row['bin'].strip()} {row['sku'].strip()}"
            wrong = next(refused) if isinstance(one, stock.Count) else one
            if isinstance(one, stock.Count) and wrong is None:
                result = Result.WOULD_TAKE if dry_run else Result.TAKEN
                reported.append(Reported(number, ref, result, f"{one.boxed} boxed"))
            else:
                reported.append(Reported(number, ref, Result.REFUSED, str(wrong)))
        if progress:
            progress(begin + len(batch), len(rows))
    return reported


def _read_count(tools: Tools, number: int, row: Mapping[str, str]) -> stock.Count | str:
    """The row's count, or what is wrong with the row."""
    try:
        return _count(tools, number, row)
    except _WrongRow as wrong:
        return wrong.message


def _put_counts(tools: Tools, counts: Sequence[stock.Count]) -> list[str | None]:
    """Write the counts in one transaction; where that is refused, each by itself. Gives for each why it was
    refused, None where it was not."""
    who = Who(role=Role.OWNER, client="house", name="csv import")

    def put(some: list[stock.Count]) -> str | None:
        try:
            tools.database.write(lambda session: stock.put_counts(session, some, who=who, now=tools.clock()))
        except Refusal as refusal:
            return refusal.message
        return None

    return [None] * len(counts) if put([*counts]) is None else [put([count]) for count in counts]


def _count(tools: Tools, number: int, row: Mapping[str, str]) -> stock.Count:
    sku, place = row["sku"].strip(), row["bin"].strip()
    boxed, order = _whole(row["boxed"]), _whole(row.get("walking_order", ""))
    if "_extra" in row:
        raise _WrongRow(number, "has more cells than the heading")
    if sku not in tools.catalogue.current.products:
        raise _WrongRow(number, f"sku: there is no product {shown(sku)}")
    if not place or len(place) > 30 or not place.isprintable():
        raise _WrongRow(number, "bin: 1 to 30 printable characters")
    if not isinstance(boxed, int) or boxed > 100_000:
        raise _WrongRow(number, "boxed: a whole number from 0 to 100000")
    if order == "":
        return stock.Count(place, sku, boxed)
    if not isinstance(order, int) or order > 1_000_000:
        raise _WrongRow(number, "walking_order: a whole number from 0 to 1000000")
    return stock.Count(place, sku, boxed, order)


def open_the_store_room(tools: Tools) -> int:
    """Put the shop's opening stock into a database that has no bin yet; gives how many counts."""
    from service import catalogue
    from service.repositories import stock as stock_rows

    who = Who(role=Role.OWNER, client="house", name="opening stock")
    counts = [
        stock.Count(entry.bin, entry.sku, entry.boxed, entry.walking_order)
        for entry in catalogue.load_stock(tools.catalogue.folder)
    ]

    def work(session: Any) -> int:
        if stock_rows.all_rows(session):
            return 0
        stock.put_counts(session, counts, who=who, now=tools.clock())
        return len(counts)

    return tools.database.write(work)


# --- files handed over to a task ---


def store_for_later(tools: Tools, content: bytes, *, client: str) -> str:
    """Keep a file in the data folder and ask for its import as a task; gives the file's name (its digest).

    Raises UnreadableFile.
    """
    from service.repositories.messages import ask_for

    read_rows(content, needed=ORDER_COLUMNS, known=ORDER_COLUMNS | _INSCRIPTION_COLUMNS | {"priority"})
    name = hashlib.sha256(content).hexdigest()
    folder = _folder(tools)
    folder.mkdir(parents=True, exist_ok=True)
    scratch = folder / f"{name}.part"
    scratch.write_bytes(content)
    scratch.replace(folder / f"{name}.csv")
    tools.database.write(
        lambda session: ask_for(session, "import_orders", now=tools.clock(), file=name, client=client)
    )
    return name


def import_stored(tools: Tools, name: str, *, client: str) -> list[Reported]:
    """Import a file kept by `store_for_later` and write its report beside it.

    Raises BadRequest, OSError, and NotAllDone when it must run again.
    """
    if not (len(name) == 64 and name.isascii() and name.isalnum()):
        raise BadRequest("a stored file is named by its digest", field="file")
    folder = _folder(tools)
    reported = import_orders(tools, (folder / f"{name}.csv").read_bytes(), client=client, dry_run=False)
    (folder / f"{name}.report.csv").write_text(report_csv(reported), encoding="utf-8")
    later = sum(one.result is Result.LATER for one in reported)
    if later:
        raise NotAllDone(f"{later} of {len(reported)} orders could not be taken just now")
    return reported


def _folder(tools: Tools) -> Path:
    return tools.settings.data / "imports"


# --- writing ---


def report_csv(reported: Iterable[Reported]) -> str:
    """The report as CSV that a spreadsheet program may open without running anything."""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL)
    writer.writerow(["row", "ref", "result", "message"])
    for one in reported:
        writer.writerow([one.row, harmless(one.ref), one.result.value, harmless(one.message)])
    return out.getvalue()


def harmless(cell: str) -> str:
    """The cell with a leading apostrophe where it could be taken for a formula.

    >>> harmless("=1+1")
    "'=1+1"
    """
    bare = cell.lstrip(" \u00a0\u3000")
    return f"'{cell}" if bare.startswith(_FORMULA) or cell.startswith(_FORMULA) else cell


def shown(text: str, limit: int = 60) -> str:
    """Text from a file as it may be printed on a terminal: one line, nothing that steers it."""
    safe = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in text)
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"
