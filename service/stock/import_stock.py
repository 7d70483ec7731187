"""Counts of boxed units from a spreadsheet, row by row: wrong rows are named, the others are taken."""

from collections.abc import Mapping, Sequence
from itertools import islice

from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.records.errors import Refusal
from service.records.who import Role, Who
from service.requests.sheet_files import written
from service.requests.spreadsheet import Progress, Reported, Result, WrongRow, read_rows, shown, whole
from service.shop.tools import Tools
from service.stock import reservations as stock

#: What may stand in a file, in a template's order, and what each column says.
COLUMNS = {
    "bin": "the storage place",
    "sku": "the product in it",
    "boxed": "boxed units counted there, 0 to 100000",
    "walking_order": "needed for a new bin: bins are walked by in this order",
}
STOCK_COLUMNS = frozenset({"bin", "sku", "boxed"})

#: Rows of a count that are written together; a transaction for each of ten thousand would take minutes.
_STOCK_BATCH = 200


def import_stock(
    tools: Tools, content: bytes, *, dry_run: bool, progress: Progress | None = None
) -> list[Reported]:
    """Set the counts of a file, each row on its own; with `dry_run` it is tried and undone. Raises
    UnreadableFile."""
    rows = read_rows(content, needed=STOCK_COLUMNS, allowed=frozenset(COLUMNS))
    reported: list[Reported] = []
    for begin in range(0, len(rows), _STOCK_BATCH):
        batch = rows[begin : begin + _STOCK_BATCH]
        read = [_read_count(tools, number, row) for number, row in batch]
        counts = [count for count in read if isinstance(count, stock.Count)]
        refused = iter(_put_counts(tools, counts, dry_run=dry_run))
        for (number, row), count_or_why in zip(batch, read, strict=True):
            ref = f"{row['bin'].strip()} {row['sku'].strip()}"
            wrong = next(refused) if isinstance(count_or_why, stock.Count) else count_or_why
            if isinstance(count_or_why, stock.Count) and wrong is None:
                result = Result.WOULD_TAKE if dry_run else Result.TAKEN
                reported.append(Reported(number, ref, result, f"{count_or_why.boxed} boxed"))
            else:
                reported.append(Reported(number, ref, Result.REFUSED, str(wrong)))
        if progress:
            progress(begin + len(batch), len(rows))
    return reported


def template(shop: Shop, *, kind: str) -> bytes:
    """A file with every column and a row for two of the shop's products: `kind` is `csv` or `xlsx`."""
    skus = islice(shop.products, 2)
    rows = [(f"A-{number:02}", sku, 12, 10 * number) for number, sku in enumerate(skus, start=1)]
    return written([*COLUMNS], rows, kind=kind)


def _read_count(tools: Tools, number: int, row: Mapping[str, str]) -> stock.Count | str:
    """The row's count, or what is wrong with the row."""
    try:
        return _count(tools, number, row)
    except WrongRow as wrong:
        return wrong.message


def _put_counts(tools: Tools, counts: Sequence[stock.Count], *, dry_run: bool) -> list[str | None]:
    """Write the counts in one transaction or, if that is refused, each by itself; with `dry_run` all of it is
    undone. Returns for each why it was refused, None where it was not."""
    who = Who(role=Role.OWNER, client="house", name="csv import")
    act = tools.database.rehearse if dry_run else tools.database.write

    def put(some: list[stock.Count]) -> str | None:
        try:
            act(lambda session: stock.put_counts(session, some, by=tools.by(who)))
        except Refusal as refusal:
            return refusal.message
        return None

    return [None] * len(counts) if put([*counts]) is None else [put([count]) for count in counts]


def _count(tools: Tools, number: int, row: Mapping[str, str]) -> stock.Count:
    sku, place = row["sku"].strip(), row["bin"].strip()
    boxed, order = whole(row["boxed"]), whole(row.get("walking_order", ""))
    if "_extra" in row:
        raise WrongRow(number, "has more cells than the heading")
    if sku not in tools.catalogue.current.products:
        raise WrongRow(number, f"sku: there is no product {shown(sku)}")
    if not place or len(place) > 30 or not place.isprintable():
        raise WrongRow(number, "bin: 1 to 30 printable characters")
    if not isinstance(boxed, int) or boxed > 100_000:
        raise WrongRow(number, "boxed: a whole number from 0 to 100000")
    if order == "":
        return stock.Count(place, sku, boxed)
    if not isinstance(order, int) or order > 1_000_000:
        raise WrongRow(number, "walking_order: a whole number from 0 to 1000000")
    return stock.Count(place, sku, boxed, order)


def open_the_store_room(tools: Tools) -> int:
    """Put the shop's opening stock into a database without bins; returns how many counts."""
    from service.shop import catalogue
    from service.stock import stock_rows

    who = Who(role=Role.OWNER, client="house", name="opening stock")
    counts = [
        stock.Count(entry.bin, entry.sku, entry.boxed, entry.walking_order)
        for entry in catalogue.load_stock(tools.catalogue.described.source)
    ]

    def work(session: Session) -> int:
        if stock_rows.all_rows(session):
            return 0
        stock.put_counts(session, counts, by=tools.by(who))
        return len(counts)

    return tools.database.write(work)
