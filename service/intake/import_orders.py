"""Orders from CSV and XLSX files: wrong rows are reported with their number, the others are taken.

An orders file (CSV or XLSX) has one row per inscription; `COLUMNS` says what stands in each column. Rows of
the same `order_ref` are one order, of the same `line_ref` one line of it.

A file may be imported again: an order that was taken is not taken twice. Counts of stock come the same way
(`service.stock.import_stock`).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from layout.shop.shop import Shop
from service.intake import take_order as intake
from service.records.errors import (
    BadRequest,
    IdempotencyKeyReused,
    OrderRefTaken,
    Refusal,
)
from service.records.who import Role, Who
from service.requests.order_in import OrderIn, end_of_day
from service.requests.sheet_files import written
from service.requests.spreadsheet import (
    PASSING,
    NotAllDone,
    Progress,
    Reported,
    Result,
    Row,
    WrongRow,
    decimal,
    read_rows,
    report_csv,
    row_at,
    whole,
)
from service.shop.tools import Tools

#: In the data folder: files of orders handed in, and the reports on them.
FOLDER = "imports"
ORDER_COLUMNS = frozenset({"order_ref", "ship_by", "line_ref", "sku", "quantity", "zone"})
#: What may stand in a file, in a template's order, and what each column says.
COLUMNS = {
    "order_ref": "the store's own reference; rows with the same one are one order",
    "ship_by": "when it must be handed over: a date (the end of that day), or a moment with its zone",
    "line_ref": "the store's own name of the line; a row for each inscription of it",
    "sku": "the product",
    "quantity": "units of the line, each engraved alike",
    "zone": "the place to engrave, as the catalogue names it",
    "kind": "`text` (also when left empty), `monogram`, `artwork` or `code`",
    "text": "the words as typed; a line break in the cell is the buyer's own",
    "font": "the font, as the catalogue names it",
    "initials": "of a monogram: one to three letters",
    "frame": "of a monogram: the frame around it, as the catalogue names it",
    "artwork": "the drawing, as the catalogue names it",
    "symbology": "of a code: `qr` or `datamatrix`",
    "content": "of a code: what it says",
    "height_mm": "height of the font's capital H; empty: the place's usual one",
    "width_mm": "of artwork: its width",
    "cell_mm": "of a code: width of one cell",
    "align": "`start`, `centre` or `end`; empty: the place's own",
    "breaks": "`fitted` allows further line breaks",
    "size": "`usual` (also when left empty) or `largest`",
    "same_size_as": "a line of the order that gets the same height",
    "priority": "0 to 100, larger goes first",
    "buyer": "who ordered",
    "order_note": "for the desk",
    "gift_note": "for a card in the box",
    "bench_note": "for whoever seats and inspects",
}
#: What an order says once: the same in all of its rows.
_NOTES = ("order_note", "gift_note", "bench_note")
_OF_THE_ORDER = frozenset({"priority", "buyer", *_NOTES})
_INSCRIPTION_COLUMNS = (frozenset(COLUMNS) - ORDER_COLUMNS - _OF_THE_ORDER) | {"zone"}
_NUMBERS = frozenset({"height_mm", "width_mm", "cell_mm"})


def import_orders(
    tools: Tools, content: bytes, *, client: str, dry_run: bool, progress: Progress | None = None
) -> list[Reported]:
    """Take the orders of a file for a store. With `dry_run` each is taken and undone at once: what is
    reported is what would have happened, and nothing is stored.

    Raises UnreadableFile.
    """
    rows = read_rows(content, needed=ORDER_COLUMNS, allowed=frozenset(COLUMNS))
    orders = _by_order(rows)
    who = Who(role=Role.STORE, client=client, name="csv import")
    reported = []
    for position, (ref, its_rows) in enumerate(orders.items(), start=1):
        try:
            reported.append(_one_order(tools, ref, its_rows, who=who, dry_run=dry_run))
        except WrongRow as wrong:
            reported.append(Reported(wrong.row, ref, Result.REFUSED, wrong.message))
        except PASSING as passing:
            reported.append(Reported(its_rows[0][0], ref, Result.LATER, passing.message))
        except Refusal as refusal:
            reported.append(Reported(its_rows[0][0], ref, Result.REFUSED, refusal.message))
        if progress:
            progress(position, len(orders))
    return reported


def template(shop: Shop, *, ship_by: date, kind: str) -> bytes:
    """A file with every column and two orders of the shop's own products to be written over: `kind` is `csv`
    or `xlsx`."""
    sku, zone, font = next(
        (product.sku, zone.zone, font)
        for product in shop.products.values()
        for face in shop.blades[product.blade].faces
        for zone in face.zones
        if "text" in zone.kinds
        for font in zone.fonts
    )
    same: dict[str, str | int] = {"ship_by": ship_by.isoformat(), "line_ref": "1", "sku": sku, "zone": zone}
    rows: tuple[Mapping[str, str | int], ...] = (
        same | {"order_ref": "A-1001", "quantity": 2, "text": "For Nan", "font": font},
        same | {"order_ref": "A-1002", "quantity": 1, "text": "Bo", "font": font, "buyer": "Nan Alder"},
    )
    return written([*COLUMNS], [[row.get(column, "") for column in COLUMNS] for row in rows], kind=kind)


def _by_order(rows: Iterable[Row]) -> dict[str, list[Row]]:
    orders: dict[str, list[Row]] = {}
    for number, row in rows:
        orders.setdefault(row["order_ref"].strip(), []).append((number, row))
    return orders


def _one_order(tools: Tools, ref: str, rows: Sequence[Row], *, who: Who, dry_run: bool) -> Reported:
    first = rows[0][0]
    posted, row_of = _posted(ref, rows, ZoneInfo(tools.catalogue.current.policy.time_zone))
    try:
        body = OrderIn.model_validate(posted)
    except ValidationError as invalid:
        error = invalid.errors(include_input=False, include_context=False, include_url=False)[0]
        place = error["loc"]
        message = str(error["msg"]).removeprefix("Value error, ")
        field = str(place[-1]) if place else "row"
        raise WrongRow(row_at(place, row_of, first), f"{field}: {message}") from invalid
    key = "csv-" + hashlib.sha256(f"{who.client}\n{ref}".encode()).hexdigest()
    take = _rehearse if dry_run else _take
    try:
        return take(tools, body, key, row=first, who=who)
    except OrderRefTaken as taken:
        return Reported(first, ref, Result.KNOWN, str(taken.about["order"]))
    except IdempotencyKeyReused:
        raise WrongRow(first, "was imported before, with other contents; amend the order instead") from None


def _take(tools: Tools, body: OrderIn, key: str, *, row: int, who: Who) -> Reported:
    answer = intake.take_order(tools, body, key, who=who)
    if answer.replayed:
        return Reported(row, body.order_ref, Result.KNOWN)
    order = json.loads(answer.body)
    if held := _held(order):
        return Reported(row, body.order_ref, Result.HELD, f"{order['id']}: line {held} needs the desk")
    return Reported(row, body.order_ref, Result.TAKEN, order["id"])


def _rehearse(tools: Tools, body: OrderIn, key: str, *, row: int, who: Who) -> Reported:
    answer = intake.rehearse_order(tools, body, key, who=who)
    if answer is None:
        return Reported(row, body.order_ref, Result.KNOWN)
    if held := _held(answer.model_dump(mode="json")):
        return Reported(row, body.order_ref, Result.WOULD_HOLD, f"line {held} would need the desk")
    return Reported(row, body.order_ref, Result.WOULD_TAKE)


def _held(order: Mapping[str, Any]) -> str:
    """The lines of an order that wait for the desk, and what for: the first thing that the check found, or
    the reason."""
    return ", ".join(
        f"{line['line_ref']} ({_stopping(line) or line['hold_reason']})"
        for line in order["lines"]
        if line.get("hold_reason")
    )


def _stopping(line: Mapping[str, Any]) -> str:
    found = (finding["message"] for finding in line["findings"] if finding["severity"] != "note")
    return next(found, "")


def _posted(
    ref: str, rows: Sequence[Row], zone: ZoneInfo
) -> tuple[dict[str, Any], dict[tuple[int, int], int]]:
    """The order as a store would post it, and which row each inscription came from."""
    lines: dict[str, dict[str, Any]] = {}
    row_of: dict[tuple[int, int], int] = {}
    said = {name: rows[0][1].get(name, "").strip() for name in ("ship_by", *sorted(_OF_THE_ORDER))}
    for number, row in rows:
        if "_extra" in row:
            raise WrongRow(number, "has more cells than the heading")
        if any(row.get(name, "").strip() != value for name, value in said.items()):
            raise WrongRow(
                number, "ship_by, priority, buyer and notes must be the same in all rows of an order"
            )
        line_ref = row["line_ref"].strip()
        line = lines.setdefault(
            line_ref,
            {
                "line_ref": line_ref,
                "sku": row["sku"].strip(),
                "quantity": whole(row["quantity"]),
                "inscriptions": [],
            },
        )
        if (row["sku"].strip(), whole(row["quantity"])) != (line["sku"], line["quantity"]):
            raise WrongRow(number, "sku and quantity must be the same in all rows of a line")
        row_of[list(lines).index(line_ref), len(line["inscriptions"])] = number
        line["inscriptions"].append(_inscription(row))
    posted = {
        "order_ref": ref,
        "ship_by": ship_by_of(said["ship_by"], rows[0][0], zone),
        "lines": list(lines.values()),
    }
    if said["priority"]:
        posted["priority"] = whole(said["priority"])
    if said["buyer"]:
        posted["buyer"] = {"name": said["buyer"]}
    if any(said[name] for name in _NOTES):
        posted["notes"] = {name.removesuffix("_note"): said[name] for name in _NOTES}
    return posted, row_of


def _inscription(row: Mapping[str, str]) -> dict[str, Any]:
    """An inscription as a store would post it: the words exactly as typed, every other cell stripped."""
    inscription = {}
    for column in _INSCRIPTION_COLUMNS & row.keys():
        cell = row[column] if column in {"text", "initials", "content"} else row[column].strip()
        if cell:
            inscription[column] = decimal(cell) if column in _NUMBERS else cell
    if "kind" not in inscription and "text" not in inscription:
        inscription |= {"text": row.get("text", "")}
    return inscription


def ship_by_of(cell: str, row: int, zone: ZoneInfo) -> datetime:
    """The moment in a cell; a date alone is the end of that day of the shop. Raises WrongRow."""
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        raise WrongRow(row, "ship_by is no ISO 8601 date") from None
    if len(cell) == len("2026-12-01"):
        return end_of_day(moment.date(), zone)
    if moment.tzinfo is None:
        raise WrongRow(row, "ship_by has a time but no zone; add Z or an offset")
    return moment


def store_for_later(tools: Tools, content: bytes, *, client: str) -> str:
    """Keep a file in the data folder and ask for its import as a task; returns the file's name (its digest).

    Raises UnreadableFile.
    """
    from service.records.outgoing import ask_for

    read_rows(content, needed=ORDER_COLUMNS, allowed=frozenset(COLUMNS))
    name = hashlib.sha256(content).hexdigest()
    folder = folder_of(tools)
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
    folder = folder_of(tools)
    reported = import_orders(tools, (folder / f"{name}.csv").read_bytes(), client=client, dry_run=False)
    (folder / f"{name}.report.csv").write_text(report_csv(reported), encoding="utf-8")
    later = sum(outcome.result is Result.LATER for outcome in reported)
    if later:
        raise NotAllDone(f"{later} of {len(reported)} orders could not be taken just now")
    return reported


def folder_of(tools: Tools) -> Path:
    """Where files of orders lie that were handed in, with their reports."""
    return tools.settings.data / FOLDER
