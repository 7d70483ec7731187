"""No list and no sweep reads a growing table whole: what the service asks of the database is explained by the
database itself, in a shop with a long past. A statement that may take its time is named, with the reason."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event, text

from service.bench.claim import next_load
from service.callbacks import deliveries
from service.records.db import Database
from service.records.tables import Base
from service.records.who import By, Role, Who
from service.running import tasks
from tests.audited_day import lived_through
from tests.benches import OPERATOR, Bench, a_bench_shop, kept_up
from tests.clocks import SetClock

_TIMES = 3_000
#: Rows that a statement may look at: far fewer than the past has.
_LOOKED_AT = 1_500
#: Tables that grow with the shop's past, and which of their rows belong to an order and a load that are over.
_PAST = {
    "orders": "id = 1",
    "order_line": "order_id = 1",
    "frozen_mark": "line_id = 1",
    "job": "order_id = 1",
    "history": "subject IN ('order', 'job') AND subject_id = 1",
    "event": "id = 2",
    "delivery": "event_id = 2",
    "outbox": "id = 1",
    "load": "id = 1",
    "load_slot": "load_id = 1",
    "load_job": "load_id = 1",
    "turn_file": "load_id = 1",
    "burn_start": "load_id = 1",
    "stock_change": "what = 'pulled' AND job_id = 1",
    "work_order": "id = 1",
    "built_unit": "id = 1",
    "routine_entry": "id = 1",
    "supply_change": "id = 1",
}
_MOMENTS = (
    "ship_by",
    "created_at",
    "checked_at",
    "at",
    "due_at",
    "sent_at",
    "done_at",
    "started_at",
    "finished_at",
    "ended_at",
    "mounted_at",
    "lease_until",
)
#: A known limit: the load that each station burned last is found among all loads that there have ever been, a
#: tenth as many as orders.
_KNOWN = re.compile(r"FROM load\s+WHERE load\.id IN \(SELECT max\(load\.id\)")
#: Indexes of the few rows that are not over.
_WHAT_IS_OPEN = {
    "ix_outbox_open",
    "ix_outbox_unsent",
    "ix_outbox_failed",
    "uq_load_active_copy",
    "uq_load_preparing_station",
}
_OWN = {"id", "order_id", "line_id", "job_id", "load_id", "subject_id", "event_id", "work_order_id"}
#: Lists and what they are asked with besides nothing.
_LISTS = (
    ("owner", "/v1/orders"),
    ("store", "/v1/orders"),
    ("owner", "/v1/orders?state=ready"),
    ("owner", "/v1/orders?order_ref=M-1000"),
    ("owner", "/v1/orders?q=allotment"),
    ("owner", "/v1/jobs"),
    ("owner", "/v1/jobs?state=ready"),
    ("store", "/v1/jobs?state=ready"),
    ("bench", "/v1/pulls"),
    ("bench", "/v1/stock"),
    ("bench", "/v1/stock/in-hand"),
    ("bench", "/v1/stock/counts"),
    ("bench", "/v1/stock/changes?bin=A1"),
    ("owner", "/v1/work-orders"),
    ("owner", "/v1/work-orders?state=open"),
    ("owner", "/v1/work-orders/W1"),
    ("bench", "/v1/assembly"),
    ("bench", "/v1/backlog"),
    ("owner", "/v1/plan"),
    ("owner", "/v1/lots"),
    ("owner", "/v1/build-list"),
    ("owner", "/v1/build-plan"),
    ("desk", "/v1/figures?from=2026-11-20&to=2026-11-25"),
    ("bench", "/v1/routines"),
    ("bench", "/v1/routines/log?station=s1"),
    ("bench", "/v1/supplies"),
    ("owner", "/v1/estimates"),
    ("owner", "/v1/calibrations"),
    ("owner", "/v1/callbacks"),
    ("store", "/v1/callbacks/CB1"),
    ("store", "/v1/callbacks/CB1/given-up"),
    ("bench", "/v1/loads/L1"),
    ("owner", "/v1/orders/O1"),
    ("owner", "/v1/jobs/J1"),
)
# Left out on purpose: `/metrics` counts the jobs and loads of every state.
_MAY_TAKE_ITS_TIME = {
    # Once an hour, and every two weeks of burns are looked at to learn paces from them.
    "learn_paces",
    # Once an hour: what is older than a week or three days is deleted.
    "forget_old_rows",
    "forget_words",
}


@pytest.fixture
def long_past(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    """A shop whose first day was lived through many times."""
    bench = Bench(database, clock, tmp_path, kept_up(a_bench_shop()))
    store = By(Who(role=Role.STORE, client="store-1", name="store-1"), clock())
    database.write(  # nothing is sent there: this machine's own addresses are refused
        lambda s: deliveries.register(s, "http://127.0.0.1:9/", client=None, by=store, loopback_allowed=True)
    )
    lived_through(bench)
    bench.in_background()
    # Connections made anew: one remembers how it looked up parents while there was a handful of them.
    database.engine.dispose()
    with database.engine.begin() as connection:
        for table, which in _PAST.items():
            _multiply(connection, table, which)
    with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("ANALYZE"))
    return bench


def _multiply(connection: Connection, table: str, which: str) -> None:
    """Copies of those rows, as over as the first of them can be: nothing of the past waits for anybody."""
    columns = [column.name for column in Base.metadata.tables[table].columns]
    over = {
        "order_ref": "'M-' || n",
        "state": {"job": "'released'", "load": "'closed'"}.get(table, "state"),
        "active": "active" if table != "load_job" else "(1 = 0)",
        "bin": "NULL" if table == "job" else "bin",
        "replaces": "NULL",
        "job_id": "job_id + n * 1000",
        "next_at": "NULL",
        "number": "number + n * 1000",
    }
    earlier = (
        "strftime('%Y-%m-%d %H:%M:%S.000000', \"{0}\", '-' || (n * 12) || ' hours')"
        if connection.dialect.name == "sqlite"
        else "\"{0}\" - n * interval '12 hours'"
    )
    over |= {name: earlier.format(name) for name in _MOMENTS}
    if table == "outbox":
        over["done_at"] = earlier.format("created_at")
    if table == "delivery":
        over["delivered_at"] = earlier.format("next_at")
    values = [f"{name} + n * 1000" if name in _OWN else over.get(name, f'"{name}"') for name in columns]
    named = ", ".join(f'"{name}"' for name in columns)
    connection.execute(
        text(
            f"WITH RECURSIVE times(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM times WHERE n < {_TIMES})"
            f' INSERT INTO "{table}" ({named}) SELECT {", ".join(values)} FROM "{table}", times WHERE {which}'
        )
    )


@contextmanager
def _asked(database: Database) -> Iterator[list[tuple[str, Any]]]:
    """What is asked of the database meanwhile."""
    asked: list[tuple[str, Any]] = []

    def note(_: Any, __: Any, statement: str, parameters: Any, *___: Any) -> None:
        if statement.lstrip().startswith(("SELECT", "WITH", "UPDATE", "DELETE")):
            asked.append((statement, parameters))

    event.listen(database.engine, "before_cursor_execute", note)
    try:
        yield asked
    finally:
        event.remove(database.engine, "before_cursor_execute", note)


def whole_reads(database: Database, asked: list[tuple[str, Any]]) -> list[str]:
    """Of these statements those that look at much of a growing table, with how much."""
    explain = _by_sqlite if database.is_sqlite else _by_postgres
    found = []
    with database.engine.connect() as connection:
        for statement, parameters in asked:
            if _KNOWN.search(statement):
                continue
            many = isinstance(parameters, list)
            for reads in explain(connection, statement, parameters[0] if many else parameters):
                found.append(f"{reads}: {' '.join(statement.split())[:300]}")
        connection.rollback()
    return found


def _by_sqlite(connection: Connection, statement: str, parameters: Any) -> list[str]:
    """`EXPLAIN QUERY PLAN` (https://www.sqlite.org/eqp.html): SCAN reads all rows, SEARCH those of an index.
    A walk along the key that ends with a LIMIT is none."""
    rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).all()
    scanned = [
        match[1]
        for row in rows
        if (match := re.match(r"SCAN (\w+)(?: USING (?:COVERING )?INDEX (\w+))?", row[3]))
        and match[2] not in _WHAT_IS_OPEN
    ]
    walks = re.compile(r"ORDER BY (\w+)\.id(?: DESC)?\s+LIMIT").findall(statement)
    return [f"all of {table}" for table in scanned if table in _PAST and table not in walks]


def _by_postgres(connection: Connection, statement: str, parameters: Any) -> list[str]:
    """`EXPLAIN ANALYZE`: rows that each node has really looked at, those that its filter has thrown away
    included. Sequential scans are put at a disadvantage: the planner prefers them while a table is small."""
    connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
    answer = connection.exec_driver_sql(
        f"EXPLAIN (ANALYZE, FORMAT JSON) {statement}", parameters
    ).scalar_one()
    plan = answer if isinstance(answer, list) else json.loads(answer)
    return list(_much(plan[0]["Plan"]))


def _much(node: dict[str, Any]) -> Iterator[str]:
    thrown = sum(node.get(f"Rows Removed by {why}", 0) for why in ("Filter", "Index Recheck"))
    looked_at = (node["Actual Rows"] + thrown) * node["Actual Loops"]
    if node.get("Relation Name") in _PAST and looked_at > _LOOKED_AT:
        yield f"{looked_at:.0f} rows of {node['Relation Name']}"
    for inner in node.get("Plans", ()):
        yield from _much(inner)


def test_no_list_and_no_sweep_reads_a_growing_table_whole(long_past: Bench) -> None:
    """In one test: to make the past takes longer than to look at it."""
    assert len(_of_one_that_reads_all(long_past)) == 1  # the control

    found = [*_of_lists(long_past), *_of_sweeps(long_past), *_of_a_claim(long_past)]

    assert found == [], "\n".join(found)


def _of_lists(shop: Bench) -> Iterator[str]:
    for role, path in _LISTS:
        with _asked(shop.database) as asked:
            status = shop.ask("GET", path, role=role).status_code
        assert status == 200, path
        yield from (f"{path} as {role}: {read}" for read in whole_reads(shop.database, asked))


def _of_sweeps(shop: Bench) -> Iterator[str]:
    for job in tasks.periodic(shop.tools):
        if job.name in _MAY_TAKE_ITS_TIME:
            continue
        with _asked(shop.database) as asked:
            job.work(shop.tools)
        yield from (f"{job.name}: {read}" for read in whole_reads(shop.database, asked))


def _of_a_claim(shop: Bench) -> Iterator[str]:
    """Of what is read before a load is given out; what is written of it hangs together and can't be explained
    piece by piece."""
    shop.do(shop.passed(shop.see({"id": "L2"})), "release")  # frees a plate
    shop.order(quantity=2)
    station = next(iter(shop.shop.stations))
    by, lease = By(OPERATOR, shop.clock()), timedelta(minutes=15)
    with _asked(shop.database) as asked:
        found = shop.database.rehearse(
            lambda session: next_load(
                session, shop=shop.shop, station=station, operator="One", lease=lease, by=by
            )
        )
    assert found is not None
    asked = [(statement, values) for statement, values in asked if statement.startswith("SELECT")]
    yield from (f"a claim: {read}" for read in whole_reads(shop.database, asked))


def _of_one_that_reads_all(shop: Bench) -> list[str]:
    """By what no index knows."""
    with _asked(shop.database) as asked, shop.database.reading() as session:
        session.execute(text("SELECT id FROM orders WHERE order_note = 'none'"))
    return whole_reads(shop.database, asked)
