"""Migrations: what `upgrade` builds is what the models say, on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import CheckConstraint, Engine, inspect, select, text
from sqlalchemy.engine import URL
from sqlalchemy.orm import Session

from service.records import schema
from service.records.db import open_engine
from service.records.tables import Base, Job, Order, OrderLine


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def empty_engine(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Engine]:
    if request.param == "sqlite":
        engine = open_engine(f"sqlite:///{tmp_path / 'empty.sqlite3'}")
    else:
        url: URL = request.getfixturevalue("empty_postgres_url")
        engine = open_engine(url.render_as_string(hide_password=False))
    yield engine
    engine.dispose()


def test_an_empty_database_has_everything_to_gain(empty_engine: Engine) -> None:
    missing = schema.differences(empty_engine)

    # The control of the next test: a comparison that finds nothing here could find nothing anywhere.
    assert len(missing) >= len(Base.metadata.tables)
    assert not schema.is_current(empty_engine)


def test_names_of_files_say_which_revision_follows_which() -> None:
    """`schema.revisions` goes by them, without opening any."""
    scripts = ScriptDirectory(str(Path(schema.__file__).parent / "migrations"))

    assert schema.revisions() == [script.revision for script in scripts.walk_revisions()][::-1]
    assert schema.head() == scripts.get_current_head()


def test_upgrading_an_empty_database_builds_exactly_the_models(empty_engine: Engine) -> None:
    schema.upgrade(empty_engine)

    assert schema.differences(empty_engine) == []
    assert schema.is_current(empty_engine)


def test_checks_and_partial_indexes_are_built_too(empty_engine: Engine) -> None:
    """Alembic's comparison leaves CHECK constraints out, so they are counted here."""
    schema.upgrade(empty_engine)
    built = inspect(empty_engine)

    wanted = {
        (table.name, str(check.name))
        for table in Base.metadata.sorted_tables
        for check in table.constraints
        if isinstance(check, CheckConstraint)
    }
    found = {
        (table, check["name"])
        for table in built.get_table_names()
        for check in built.get_check_constraints(table)
    }
    assert wanted
    assert wanted <= found
    assert {"uq_load_active_copy", "uq_load_burning_station"} <= {
        index["name"] for index in built.get_indexes("load") if index["unique"]
    }


def test_going_back_to_base_leaves_no_table_behind(empty_engine: Engine) -> None:
    schema.upgrade(empty_engine)

    schema.downgrade(empty_engine)

    assert set(inspect(empty_engine).get_table_names()) <= {"alembic_version"}


def test_processes_that_start_at_once_migrate_in_turn(empty_engine: Engine) -> None:
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda _: schema.upgrade(empty_engine), range(4)))

    assert schema.differences(empty_engine) == []


def test_orders_that_are_there_get_their_words_and_no_notes(empty_engine: Engine) -> None:
    """An order of before either could be kept is found like any other."""
    schema.upgrade(empty_engine)
    schema.downgrade(empty_engine, "0013")
    with empty_engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO orders (client, order_ref, ship_by, priority, proof, version, created_at)"
                " VALUES ('store-1', 'AQ-0417', '2026-12-01', 0, 'none', 1, '2026-11-01')"
            )
        )
        connection.execute(
            text(
                "INSERT INTO order_line (order_id, line_ref, sku, quantity, inscriptions, words_revision,"
                " verdict, findings, checked, eligible, catalogue_version) VALUES (1, '1', 'AQ-CHEF-20', 1,"
                """ '[{"zone": "heel", "kind": "text", "text": "For Zo\u00eb", "font": "lato-bold"}]',"""
                " 1, 'accept', '[]', '[]', '[]', '')"
            )
        )

    schema.upgrade(empty_engine)

    with empty_engine.connect() as connection:
        words = set(connection.scalars(text("SELECT word FROM order_word WHERE order_id = 1")))
        order = connection.execute(text("SELECT buyer, gift_note FROM orders")).one()
    assert {"aq-0417", "0417", "aq-chef-20", "for", "zoe"} <= words
    assert tuple(order) == ("", "")


def test_what_was_released_and_due_before_packing_was_kept_has_left(empty_engine: Engine) -> None:
    """Nobody is asked to scan last year's boxes; what is still to be shipped waits for packing."""
    schema.upgrade(empty_engine)
    with Session(empty_engine) as session:
        _put_order(session, "long gone", "released", year=2001)
        _put_order(session, "half done", "ready", year=2001)
        _put_order(session, "to be shipped", "released", year=2999)
        session.commit()
    schema.downgrade(empty_engine, "0016")

    schema.upgrade(empty_engine)

    with Session(empty_engine) as session:
        orders = {order.order_ref: order for order in session.scalars(select(Order))}
        gathered = {job.line.order.order_ref for job in session.scalars(select(Job)) if job.gathered_at}
    assert {ref for ref, order in orders.items() if order.handed_over_at} == gathered == {"long gone"}
    assert orders["long gone"].handed_over_by == "before packing was kept here"


def _put_order(session: Session, ref: str, state: str, *, year: int) -> None:
    """An order of one unit in that state, to be shipped on the first day of that year."""
    moment = datetime(year, 1, 1, tzinfo=UTC)
    order = Order(client="store-1", order_ref=ref, ship_by=moment, created_at=moment)
    line = OrderLine(order=order, line_ref="1", sku="PARER", quantity=1, verdict="accept")
    line.catalogue_version = ""
    line.inscriptions, line.findings, line.checked, line.eligible = [], [], [], []
    session.add(line)
    session.flush()
    job = Job(line=line, order_id=order.id, unit=1, sku="PARER", blade="parer", state=state, priority=0)
    job.ship_by, job.created_at, job.words_revision = moment, moment, 1
    job.faces, job.faces_done = [], []
    session.add(job)
    session.flush()
