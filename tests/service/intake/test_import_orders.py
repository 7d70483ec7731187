"""Orders and stock from CSV files."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from datetime import UTC, date, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from openpyxl import Workbook, load_workbook
from sqlalchemy import delete, func, select, update

from service.intake import import_orders as imports
from service.intake.import_orders import import_orders
from service.plan.build_list import build_list_csv
from service.plan.build_list_answers import BuildListAnswer, ForOrderAnswer, ToBuildAnswer
from service.records.db import Database
from service.records.tables import (
    FrozenMark,
    IdempotentRequest,
    Job,
    Order,
    OrderLine,
    OrderWord,
    Outbox,
    Stock,
)
from service.requests import sheet_files
from service.requests.sheet_files import UnreadableFile, cells_of, harmless, written
from service.requests.spreadsheet import Reported, Result, report_csv, shown
from service.running import tasks
from service.shop.catalogue import default_folder
from service.shop.geometry_workers import Geometry
from service.shop.settings import Settings
from service.shop.tools import Tools
from service.shop.versions import Shelf
from service.stock.import_stock import import_stock, open_the_store_room
from service.stock.import_stock import template as stock_template
from tests.benches import all_rows
from tests.clocks import SetClock

HEADING = "order_ref,ship_by,line_ref,sku,quantity,zone,text,font\n"


@pytest.fixture(scope="module")
def shelf() -> Shelf:
    return Shelf(default_folder())


@pytest.fixture(scope="module")
def geometry(tmp_path_factory: pytest.TempPathFactory) -> Geometry:
    return Geometry(default_folder(), tmp_path_factory.mktemp("features"), workers=0, timeout_seconds=60)


@pytest.fixture
def tools(
    sqlite_database: Database, shelf: Shelf, geometry: Geometry, clock: SetClock, tmp_path: Path
) -> Tools:
    return Tools(
        database=sqlite_database,
        settings=Settings(data=tmp_path / "data"),
        catalogue=shelf,
        geometry=geometry,
        clock=clock,
    )


def orders_file(*rows: str, heading: str = HEADING) -> bytes:
    return (heading + "".join(row + "\n" for row in rows)).encode()


def an_order(
    ref: str = "W-1", *, text: str = "Ada", quantity: str = "1", line: str = "1", zone: str = "heel"
) -> str:
    return f"{ref},2026-12-01,{line},AQ-CHEF-20,{quantity},{zone},{text},lato-bold"


def take(tools: Tools, content: bytes, *, dry_run: bool = False) -> list[Any]:
    return import_orders(tools, content, client="garden-shop", dry_run=dry_run)


def counted(tools: Tools, model: Any) -> int:
    with tools.database.reading() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def test_orders_are_taken_line_by_line_and_face_by_face(tools: Tools) -> None:
    content = orders_file(
        an_order("W-1", quantity="2"), an_order("W-1", line="2", text="Bo"), an_order("W-2", text="Cy")
    )

    reported = take(tools, content)

    assert [(one.ref, one.result) for one in reported] == [("W-1", Result.TAKEN), ("W-2", Result.TAKEN)]
    assert (counted(tools, Order), counted(tools, Job)) == (2, 4)


def test_a_file_read_twice_takes_nothing_twice(tools: Tools, clock: SetClock) -> None:
    content = orders_file(an_order("W-1"), an_order("W-2"))
    take(tools, content)

    again = take(tools, content)
    clock.advance(days=30)  # the idempotency keys may be gone by now; order_ref is for ever
    much_later = take(tools, content)

    assert {one.result for one in again + much_later} == {Result.KNOWN}
    assert counted(tools, Order) == 2


def test_the_same_order_with_other_words_is_refused_with_its_row(tools: Tools) -> None:
    take(tools, orders_file(an_order("W-1", text="Ada")))

    (reported,) = take(tools, orders_file(an_order("W-1", text="Eve")))

    assert (reported.row, reported.result) == (2, Result.REFUSED)
    assert "amend" in reported.message


def test_a_dry_run_says_what_would_happen_and_stores_nothing(tools: Tools) -> None:
    content = orders_file(an_order("W-1"), an_order("W-2", text="X" * 200), an_order("W-3", quantity="0"))

    reported = take(tools, content, dry_run=True)

    assert [one.result for one in reported] == [Result.WOULD_TAKE, Result.WOULD_HOLD, Result.REFUSED]
    assert counted(tools, Order) == 0


def test_a_dry_run_knows_what_was_taken_before_and_what_else_would_hold_an_order(tools: Tools) -> None:
    take(tools, orders_file(an_order("W-1"), an_order("W-2")))
    content = orders_file(
        an_order("W-1"),
        an_order("W-2", text="Eve"),
        an_order("W-3").replace("2026-12-01", "2020-12-01"),
        an_order("W-4", quantity="99") + "\n" + an_order("W-4", line="2", text="Bo", quantity="99"),
    )
    before = all_rows(tools.database)

    said = take(tools, content, dry_run=True)
    assert all_rows(tools.database) == before
    done = take(tools, content)

    truly = {Result.WOULD_TAKE: Result.TAKEN, Result.WOULD_HOLD: Result.HELD}
    assert [truly.get(one.result, one.result) for one in said] == [one.result for one in done]
    assert [one.result for one in said] == [
        Result.KNOWN,
        Result.REFUSED,
        Result.WOULD_HOLD,
        Result.WOULD_TAKE,
    ]
    assert "ship_by_past" in said[2].message


def test_a_dry_run_of_counts_says_what_would_be_refused(tools: Tools) -> None:
    content = b"bin,sku,boxed,walking_order\nZ-01,AQ-CHEF-20,5,900\nZ-03,AQ-CHEF-20,1,\n"

    said = import_stock(tools, content, dry_run=True)

    assert [one.result for one in said] == [Result.WOULD_TAKE, Result.REFUSED]
    assert counted(tools, Stock) == 0
    assert [one.message for one in said] == [
        one.message for one in import_stock(tools, content, dry_run=False)
    ]


def test_what_can_not_be_engraved_is_held_not_lost(tools: Tools) -> None:
    (reported,) = take(tools, orders_file(an_order("W-1", text="X" * 200)))

    assert reported.result is Result.HELD
    assert counted(tools, Order) == 1


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (an_order(quantity="0"), "quantity: "),
        (an_order(quantity="100"), "quantity: "),
        (an_order(quantity="two"), "quantity: "),
        (an_order(quantity="1.5"), "quantity: "),
        (an_order(text="a\x00b"), "text: holds U+0000"),
        ("W-1,soon,1,AQ-CHEF-20,1,heel,Ada,lato-bold", "ship_by is no ISO 8601 date"),
        ("W-1,2026-12-01T10:00,1,AQ-CHEF-20,1,heel,Ada,lato-bold", "ship_by has a time but no zone"),
        (",2026-12-01,1,AQ-CHEF-20,1,heel,Ada,lato-bold", "order_ref: "),
        (an_order() + ",what,is,this", "has more cells than the heading"),
    ],
)
def test_wrong_rows_are_named_and_the_others_taken(tools: Tools, row: str, message: str) -> None:
    content = orders_file(an_order("GOOD-1"), row, an_order("GOOD-2"))

    reported = take(tools, content)

    results = {one.row: one for one in reported}
    assert results[3].result is Result.REFUSED
    assert results[3].message.startswith(message)
    assert (results[2].result, results[4].result) == (Result.TAKEN, Result.TAKEN)


def test_the_row_of_a_wrong_inscription_is_named_not_the_first_of_its_order(tools: Tools) -> None:
    content = orders_file(an_order("W-1"), an_order("W-1", line="2"), an_order("W-1", line="2", zone=""))

    (reported,) = take(tools, content)

    assert (reported.row, reported.result) == (4, Result.REFUSED)
    assert reported.message.startswith("zone: ")


def test_a_wrong_date_is_named_by_the_first_row_of_its_order(tools: Tools) -> None:
    rows = [an_order("W-2", line=line).replace("2026-12-01", "soon") for line in ("1", "2")]

    good, wrong = take(tools, orders_file(an_order("W-1"), *rows))

    assert (good.result, wrong.row, wrong.result) == (Result.TAKEN, 3, Result.REFUSED)


def test_a_priority_is_taken_and_an_empty_cell_is_none(tools: Tools) -> None:
    heading = HEADING.strip() + ",priority\n"
    take(tools, orders_file(an_order("W-1") + ",7", an_order("W-2") + ",", heading=heading))

    with tools.database.reading() as session:
        assert dict(session.execute(select(Order.order_ref, Order.priority)).all()) == {"W-1": 7, "W-2": 0}


def test_buyer_and_notes_are_said_alike_in_all_rows_of_an_order(tools: Tools) -> None:
    heading = HEADING.strip() + ",buyer,gift_note,bench_note\n"
    rows = [an_order("W-1") + ",Nan Alder,,Handle is oiled.", an_order("W-2") + ",,,"]
    rows += [an_order("W-3", line=line) + f",{name},," for line, name in (("1", "Nan"), ("2", "Ada"))]

    results = [reported.result for reported in take(tools, orders_file(*rows, heading=heading))]

    assert results == [Result.TAKEN, Result.TAKEN, Result.REFUSED]
    with tools.database.reading() as session:
        kept = session.execute(
            select(Order.buyer, Order.gift_note, Order.bench_note).order_by(Order.id)
        ).all()
    assert [tuple(row) for row in kept] == [("Nan Alder", "", "Handle is oiled."), ("", "", "")]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the heading lacks"),
        (b"order_ref,sku\n", "the heading lacks font|the heading lacks line_ref"),
        (HEADING.replace("text", "words").encode(), "columns that mean nothing here: words"),
        (HEADING.strip().encode() + b",text\n", "names a column twice"),
        (HEADING.encode() + b"\xff\xfe\n", "line 2 is not UTF-8"),
        (HEADING.encode() + b'"open,2026\n', "is not CSV"),
    ],
)
def test_files_that_are_no_order_files_are_refused_whole(tools: Tools, content: bytes, message: str) -> None:
    with pytest.raises(UnreadableFile, match=message):
        take(tools, content)


def test_semicolons_and_a_byte_order_mark_are_read_as_spreadsheets_write_them(tools: Tools) -> None:
    content = b"\xef\xbb\xbf" + orders_file(an_order("W-1")).replace(b",", b";")

    (reported,) = take(tools, content)

    assert reported.result is Result.TAKEN


def test_two_lines_of_text_in_one_quoted_cell_stay_two(tools: Tools) -> None:
    take(tools, orders_file(an_order("W-1", text='"Ada\nBo"')))

    with tools.database.reading() as session:
        assert session.get_one(Order, 1).lines[0].inscriptions[0]["text"] == "Ada\nBo"


def test_progress_goes_up_to_the_number_of_orders(tools: Tools) -> None:
    seen: list[tuple[int, int]] = []

    import_orders(
        tools,
        orders_file(an_order("W-1"), an_order("W-2")),
        client="garden-shop",
        dry_run=True,
        progress=lambda done, total: seen.append((done, total)),
    )

    assert seen == [(1, 2), (2, 2)]


def test_counts_are_set_row_by_row_and_again_without_harm(tools: Tools) -> None:
    content = (
        b"bin,sku,boxed,walking_order\nZ-01,AQ-CHEF-20,5,900\nZ-01,NO-SUCH,5,900\nZ-02,AQ-CHEF-20,3,901\n"
        b"Z-03,AQ-CHEF-20,1,\nZ-04,AQ-CHEF-20,-1,903\n"
    )

    first = import_stock(tools, content, dry_run=False)
    second = import_stock(tools, content, dry_run=False)

    assert [one.result for one in first] == [
        Result.TAKEN,
        Result.REFUSED,
        Result.TAKEN,
        Result.REFUSED,
        Result.REFUSED,
    ]
    assert first == second
    assert [one.message for one in first if one.result is Result.REFUSED] == [
        "sku: there is no product NO-SUCH",
        "bin Z-03 is new; add its walking order",
        "boxed: a whole number from 0 to 100000",
    ]
    with tools.database.reading() as session:
        assert sorted((row.bin, row.boxed) for row in session.scalars(select(Stock))) == [
            ("Z-01", 5),
            ("Z-02", 3),
        ]


def test_the_opening_stock_is_put_in_once(tools: Tools) -> None:
    first = open_the_store_room(tools)
    second = open_the_store_room(tools)

    assert first > 0
    assert second == 0


def test_a_stored_file_is_imported_by_its_task(tools: Tools) -> None:
    name = imports.store_for_later(tools, orders_file(an_order("W-1")), client="garden-shop")

    outcome = tasks.run(tools, 1)

    assert outcome is tasks.Outcome.DONE
    assert counted(tools, Order) == 1
    assert '"taken"' in (tools.settings.data / "imports" / f"{name}.report.csv").read_text()
    with tools.database.reading() as session:
        assert session.get_one(Outbox, 1).arguments == {"file": name, "client": "garden-shop"}


def test_an_import_that_meets_an_unanswered_request_is_put_off_not_called_done(
    tools: Tools, clock: SetClock
) -> None:
    """A worker that was killed leaves its claim on the key behind for a minute."""
    content = orders_file(an_order("W-1"), an_order("W-2"))
    imports.store_for_later(tools, content, client="garden-shop")
    take(tools, orders_file(an_order("W-2")))
    killed = update(IdempotentRequest).values(status=None, claimed_until=clock() + timedelta(seconds=60))
    tools.database.write(lambda s: s.execute(killed))
    tools.database.write(lambda s: s.execute(delete(Job)) and s.execute(delete(FrozenMark)))
    tools.database.write(lambda s: [s.execute(delete(table)) for table in (OrderWord, OrderLine, Order)])

    at_once = tasks.run(tools, 1)
    clock.advance(seconds=61)
    later = tasks.run(tools, 1)

    assert (at_once, later) == (tasks.Outcome.PUT_OFF, tasks.Outcome.DONE)
    with tools.database.reading() as session:
        assert sorted(session.scalars(select(Order.order_ref))) == ["W-1", "W-2"]


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_template_has_every_column_and_its_rows_are_taken(tools: Tools, kind: str) -> None:
    file = imports.template(tools.catalogue.current, ship_by=date(2026, 12, 14), kind=kind)

    reported = take(tools, file)

    assert cells_of(file)[0] == list(imports.COLUMNS)
    assert [(one.ref, one.result) for one in reported] == [("A-1001", Result.TAKEN), ("A-1002", Result.TAKEN)]
    counts = import_stock(tools, stock_template(tools.catalogue.current, kind=kind), dry_run=True)
    assert {one.result for one in counts} == {Result.WOULD_TAKE}


def test_the_cells_of_a_workbook_are_read_as_they_would_be_typed(tools: Tools) -> None:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (
        [*HEADING.strip().split(","), "height_mm"],
        [1001, date(2026, 12, 1), 1, "AQ-CHEF-20", 2.0, "heel", "Ada\nBo", "lato-bold", 3.5],
        [None, None],
        ["W-2", "2026-12-01", "1", "AQ-CHEF-20", "two", "heel", "Cy", "lato-bold"],
    ):
        sheet.append(row)
    file = io.BytesIO()
    book.save(file)

    taken, refused = take(tools, file.getvalue())

    assert (taken.ref, taken.result) == ("1001", Result.TAKEN)
    assert (refused.row, refused.result) == (4, Result.REFUSED)
    with tools.database.reading() as session:
        line = session.get_one(Order, 1).lines[0]
        assert (line.line_ref, line.quantity) == ("1", 2)
        assert (line.inscriptions[0]["text"], line.inscriptions[0]["height_mm"]) == ("Ada\nBo", 3.5)


def a_workbook(*, dimension: str = "A1:A1", cells: str = "", more: bytes = b"") -> bytes:
    """A workbook with what its sheet says of its size, cells of one's own, and a part that is only large."""
    plain, file = written(["order_ref"], [], kind="xlsx"), io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(plain)) as parts,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as made,
    ):
        for name in parts.namelist():
            content = parts.read(name)
            if name.endswith("sheet1.xml"):
                head = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
                content = (
                    f'{head}<dimension ref="{dimension}"/><sheetData>{cells}</sheetData></worksheet>'
                ).encode()
            made.writestr(name, content)
        made.writestr("xl/more.bin", more)
    return file.getvalue()


@pytest.mark.parametrize(
    ("file", "message"),
    [
        (b"PK\x03\x04 and then nothing", "no XLSX workbook"),
        (written(["order_ref"], [["x"]], kind="xlsx")[:-200], "no XLSX workbook"),
        (a_workbook(more=bytes(65 * 2**20)), "larger than 64 MB"),
        (a_workbook(cells='<row r="1048576"><c r="A1048576"><v>1</v></c></row>'), "more than 100000 rows"),
        (a_workbook(cells="<row><c><v>x"), "no XLSX workbook"),
        (a_workbook(dimension="A1:XFD1048576"), "the heading lacks"),
    ],
)
def test_a_workbook_that_is_none_or_only_pretends_is_refused_whole(
    tools: Tools, file: bytes, message: str
) -> None:
    with pytest.raises(UnreadableFile, match=message):
        take(tools, file)


def test_nothing_else_writes_tables_for_spreadsheet_programs() -> None:
    root = Path(sheet_files.__file__).parents[2]
    writers = {
        file.relative_to(root).as_posix()
        for package in ("service", "layout", "demo")
        for file in (root / package).rglob("*.py")
        if re.search(r"csv\.(writer|DictWriter)|Workbook", file.read_text(encoding="utf-8"))
    }

    assert writers == {"service/requests/sheet_files.py"}


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_no_cell_of_any_file_that_leaves_is_run(tools: Tools, kind: str) -> None:
    """A shop whose every name begins as a formula does: the report, the build list and both templates."""
    shop = tools.catalogue.current
    evil = {f"=1+{sku}": replace(product, sku=f"=1+{sku}") for sku, product in shop.products.items()}
    shop = replace(shop, products=evil)
    listed = BuildListAnswer(
        made_at=tools.clock(),
        rows=(
            ToBuildAnswer(
                sku="=1",
                name="@SUM(A1)",
                needed_by=tools.clock(),
                is_late=True,
                quantity=-1,
                cumulative=1,
                built_from="+1",
                orders=(ForOrderAnswer(order="O1", order_ref="-2+3", units=1, ship_by=tools.clock()),),
            ),
        ),
        blades=(),
    )
    files = {
        "report": report_csv([Reported(2, "=1", Result.REFUSED, "\t=1")]).encode(),
        "build list": build_list_csv(listed).encode(),
        "orders": imports.template(shop, ship_by=date(2026, 12, 14), kind=kind),
        "stock": stock_template(shop, kind=kind),
        "any": written(["=A"], [["=1", -5, "+1", "-1", "@x", "\tx", "\rx"]], kind=kind),
    }

    cells = [cell for file in files.values() for row in cells_of(file) for cell in row]

    assert [cell for cell in cells if re.match(r"[=+@\t\r]|-(?!5$|1$)", cell)] == []
    assert sum(cell.startswith("'") for cell in cells) >= 14
    if kind == "xlsx":
        sheet = load_workbook(io.BytesIO(files["any"])).worksheets[0]
        assert {cell.data_type for row in sheet.iter_rows() for cell in row} == {
            "s",
            "n",
        }  # none is a formula


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "\n=x", " =1", "＝1", "\u3000-1"])
def test_cells_that_a_spreadsheet_would_run_are_made_harmless(cell: str) -> None:
    """OWASP, CSV Injection (https://owasp.org/www-community/attacks/CSV_Injection)."""
    report = report_csv([Reported(2, cell, Result.REFUSED, cell)])

    assert harmless(cell) == f"'{cell}"
    assert report.count("\"'") == 2


def test_ordinary_cells_stay_as_they_are() -> None:
    assert [harmless(cell) for cell in ("Ada", "W-1", "a=b", "")] == ["Ada", "W-1", "a=b", ""]


def test_what_is_printed_can_not_steer_the_terminal() -> None:
    assert shown("a\x1b[2Jb\nc") == "a\N{REPLACEMENT CHARACTER}[2Jb\N{REPLACEMENT CHARACTER}c"
    assert len(shown("x" * 500)) == 60


def test_a_date_alone_is_the_end_of_that_day_of_the_shop() -> None:
    summer = imports.ship_by_of("2026-07-01", 2, ZoneInfo("Europe/Berlin"))  # two hours before UTC

    assert summer.astimezone(UTC).isoformat() == "2026-07-01T21:59:59+00:00"
