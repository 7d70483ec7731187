"""A claim under a short and a very long backlog, twenty claimers at once, and planning over reading, on
PostgreSQL.

No plan is in force here: every claim looks at the queue itself, which is the longer way. Two orders are put
in as intake leaves them and then multiplied by the database, so every row is one that could be there.
"""

from __future__ import annotations

import multiprocessing
import statistics
import threading
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import timedelta

from sqlalchemy import Connection, func, select, text, update
from sqlalchemy.engine import URL
from sqlalchemy.orm import Session

from layout.plan.planner import plan
from layout.shop.shop import Shop
from service.bench import claim as claims
from service.plan.backlog import backlog_of
from service.records.db import Database, open_engine
from service.records.errors import DatabaseBusy
from service.records.tables import Base, FrozenMark, History, Job, Load, LoadJob, Order, OrderLine, Stock
from service.records.who import By
from tests.bench.timing import figure, input_line, median_seconds
from tests.benches import OPERATOR, a_bench_shop, put_order, put_stock, turning_plate
from tests.clocks import MORNING
from tests.servers import create_tables, new_postgres_database, running_postgres
from tests.service.bench.test_races import next_load, put_backlog
from tests.service.bench.test_races import the_shop as storm_shop

CLAIMS, ORDERS, UNITS = 25, 2, 4
SHORT, LONG, PLANNED = 1_000, 1_000_000, 10_000
CLAIMERS, STORM = 20, 2_000
#: Orders are due within 400 days, one in fifty has a higher priority; a prime spreads them.
_SHIP_BY = "t.ship_by + {order} * 7919 % 400 * interval '1 day'"
_PRIORITY = "CASE WHEN {order} % 50 = 0 THEN 5 ELSE 0 END"


def main() -> None:
    shop = a_bench_shop(turning_plate(slots=12, copies=4))
    medians = {}
    with running_postgres(f"bench-{uuid.uuid4().hex[:8]}") as server:
        with a_backlog(server, shop, PLANNED) as database:
            plan_over_read(database, shop)
        for jobs in (SHORT, LONG):
            with a_backlog(server, shop, jobs) as database:
                medians[jobs] = claim_seconds(database, shop)
    figure("claim_1k_ms", 1_000 * medians[SHORT])
    figure("claim_1m_ms", 1_000 * medians[LONG])
    figure("claim_1m_vs_1k", medians[LONG] / medians[SHORT])
    with running_postgres(f"bench-{uuid.uuid4().hex[:8]}") as server:
        twenty_claimers(server)


def twenty_claimers(server: URL) -> None:
    """Twenty operators at as many stations claim at once until nothing is left, in two processes that have
    claimed before; each load is closed before its operator takes the next. A claim that gave way to others
    goes on where it began."""
    with new_postgres_database(server, "bench_storm") as url:
        engine = open_engine(url.render_as_string(hide_password=False))
        create_tables(engine)
        database = Database(engine)
        put_backlog(database, storm_shop(CLAIMERS), jobs=STORM)
        engine.dispose()
        begun = time.perf_counter()
        halves = [range(1, CLAIMERS // 2 + 1), range(CLAIMERS // 2 + 1, CLAIMERS + 1)]
        where = url.render_as_string(hide_password=False)
        with multiprocessing.get_context("spawn").Pool(2) as pool:
            made = pool.starmap(_claimers, [(where, half) for half in halves])
        seconds = time.perf_counter() - begun
    claims_made = [claim for half in made for claim in half]
    taken = [job for _, jobs in claims_made for job in jobs]
    times = [took for took, jobs in claims_made if jobs]
    assert sorted(taken) == sorted(set(taken)) and len(taken) == STORM
    input_line("twenty claimers", f"{STORM} jobs in {len(times)} loads", f"{len(set(taken))}")
    figure("claim_20_loads_a_second", len(times) / seconds)
    figure("claim_20_p99_s", statistics.quantiles(times, n=100)[-1])


def _claimers(url: str, stations: range) -> list[tuple[float, list[int]]]:
    """How long each claim took, tries included, and what it got."""
    database, shop = Database(open_engine(url)), storm_shop(CLAIMERS)
    database.rehearse(lambda session: next_load(session, shop, f"s{stations[0]}", f"s{stations[0]}"))
    begin = threading.Barrier(len(stations))

    def claimer(station: int) -> list[tuple[float, list[int]]]:
        made: list[tuple[float, list[int]]] = []
        begin.wait()
        while True:
            begun = time.perf_counter()
            while True:
                try:
                    load = _claimed(database, shop, f"s{station}")
                    break
                except DatabaseBusy:
                    continue
            took = time.perf_counter() - begun
            if load is None:
                with database.reading() as session:
                    if not session.scalar(select(func.count()).where(Job.state == "ready")):
                        return made
                continue
            with database.reading() as session:
                jobs = list(session.scalars(select(LoadJob.job_id).where(LoadJob.load_id == load)))
            made.append((took, jobs))
            database.write(lambda session, load=load: _close(session, load))

    with ThreadPoolExecutor(len(stations)) as pool:
        return [claim for made in pool.map(claimer, stations) for claim in made]


def _claimed(database: Database, shop: Shop, station: str) -> int | None:
    found = database.write(lambda session: next_load(session, shop, station, station))
    return found[0].id if found else None


def plan_over_read(database: Database, shop: Shop) -> None:
    """Planning over what reading the same jobs as the planner's values takes."""

    def read() -> object:
        with database.reading() as session:
            return backlog_of(session, shop, now=MORNING)

    with database.reading() as session:
        backlog, _ = backlog_of(session, shop, now=MORNING)
    reading = median_seconds(read, rounds=3)
    planning = median_seconds(lambda: plan(backlog), rounds=3)
    input_line("plan over read", f"{len(backlog.jobs)} jobs", repr(plan(backlog).score))
    figure("read_10k_s", reading)
    figure("plan_10k_vs_read", planning / reading)


def claim_seconds(database: Database, shop: Shop) -> float:
    """Median time of a claim's transaction; each load is closed before the next is taken."""
    times, taken = [], 0
    for number in range(CLAIMS + 1):
        begun = time.perf_counter()
        found = database.write(
            lambda session: claims.next_load(
                session,
                shop=shop,
                station="s1",
                operator="One",
                lease=timedelta(minutes=15),
                by=By(OPERATOR, MORNING),
            )
        )
        spent = time.perf_counter() - begun
        assert found is not None
        if number:  # the first one warms the connection and the statements
            times.append(spent)
        taken += database.write(lambda session, load=found[0].id: _close(session, load))
    input_line("claim", f"{CLAIMS} claims", f"{taken} units")
    return statistics.median(times)


def _close(session: Session, load: int) -> int:
    """The rest of a load's day in one go; gives how many units it had."""
    mine = select(LoadJob.job_id).where(LoadJob.load_id == load)
    done = session.execute(update(Job).where(Job.id.in_(mine)).values(state="released"))
    session.execute(update(LoadJob).where(LoadJob.load_id == load).values(active=False))
    session.execute(update(Load).where(Load.id == load).values(state="closed"))
    return int(done.rowcount)  # type: ignore[attr-defined]


@contextmanager
def a_backlog(server: URL, shop: Shop, jobs: int) -> Iterator[Database]:
    """A database with so many ready jobs of two products, four to an order, their units reserved in a bin."""
    with new_postgres_database(server, f"bench_{jobs}") as url:
        engine = open_engine(url.render_as_string(hide_password=False))
        create_tables(engine)
        database = Database(engine)
        database.write(lambda session: _put_two_orders(session, shop))
        begun = time.perf_counter()
        with engine.begin() as connection:
            _multiply_orders(connection, jobs // (ORDERS * UNITS) - 1)
        with engine.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
            connection.execute(text("VACUUM ANALYZE"))
        with database.reading() as session:
            ready = session.scalar(select(func.count()).where(Job.state == "ready"))
        input_line(
            "backlog", f"{ready} ready jobs, written in {time.perf_counter() - begun:.0f} s", f"{ready}"
        )
        try:
            yield database
        finally:
            engine.dispose()


def _put_two_orders(session: Session, shop: Shop) -> None:
    put_stock(session, shop)
    for sku in ("PARER", "CHEF"):
        put_order(session, shop, now=MORNING, sku=sku, quantity=UNITS)


def _multiply_orders(connection: Connection, times: int) -> None:
    """So many more of each of the two orders, with everything that belongs to them."""
    orders, units = f"{ORDERS} * n", f"{ORDERS * UNITS} * n"
    order = f"(t.order_id + {orders})"
    connection.execute(text("SET LOCAL statement_timeout = 0"))
    _multiply(
        connection,
        Order,
        times,
        id=f"t.id + {orders}",
        order_ref=f"'M-' || (t.id + {orders})",
        ship_by=_SHIP_BY.format(order=f"(t.id + {orders})"),
        priority=_PRIORITY.format(order=f"(t.id + {orders})"),
    )
    _multiply(connection, OrderLine, times, id=f"t.id + {orders}", order_id=order)
    _multiply(connection, FrozenMark, times, id=f"t.id + {orders}", line_id=f"t.line_id + {orders}")
    _multiply(
        connection,
        Job,
        times,
        id=f"t.id + {units}",
        order_id=order,
        line_id=f"t.line_id + {orders}",
        ship_by=_SHIP_BY.format(order=order),
        priority=_PRIORITY.format(order=order),
    )
    _multiply(connection, History, times, id=f"t.id + {units}", subject_id=f"t.subject_id + {units}")
    connection.execute(
        update(Stock).values(boxed=Stock.boxed * (times + 1), reserved=Stock.reserved * (times + 1))
    )


def _multiply(connection: Connection, model: type[Base], times: int, **changed: str) -> None:
    """Copies of every row there is, numbered n from 1; columns that are not `changed` stay as they are."""
    table = model.__table__
    columns = [column.name for column in table.columns]
    values = [changed.get(name, f't."{name}"') for name in columns]
    named = ", ".join(f'"{name}"' for name in columns)
    connection.execute(
        text(
            f'INSERT INTO "{table}" ({named}) SELECT {", ".join(values)}'
            f' FROM "{table}" t, generate_series(1, :times) n'
        ),
        {"times": times},
    )
    connection.execute(
        text(f"SELECT setval(pg_get_serial_sequence('\"{table}\"', 'id'), (SELECT max(id) FROM \"{table}\"))")
    )


if __name__ == "__main__":
    main()
