"""How often a request looks its load up: what was read once is handed on, not asked for again."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, select
from sqlalchemy.orm import Session

from service.loads import waiting
from service.loads.load_answers import LoadAnswer
from service.records.db import Database
from service.records.tables import OrderLine
from tests.benches import Bench, jobs_of
from tests.clocks import SetClock

#: A lock reads the load's number, and then the whole load as it is under the lock.
LOCKED = 2


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


@contextmanager
def look_ups(database: Database, of: str = "load") -> Iterator[list[str]]:
    """The statements that read the table within the block, one by one."""
    pattern = re.compile(rf"SELECT.*\bFROM {of}\s", re.DOTALL)
    with statements(database) as sent:
        seen: list[str] = []
        yield seen
        seen += filter(pattern.match, sent)


@contextmanager
def statements(database: Database) -> Iterator[list[str]]:
    """What is sent to the database within the block."""
    seen: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        seen.append(statement)

    event.listen(database.engine, "before_cursor_execute", note)
    try:
        yield seen
    finally:
        event.remove(database.engine, "before_cursor_execute", note)


def test_a_download_of_a_file_that_is_there_looks_its_load_up_once(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()

    with look_ups(bench.database) as seen:
        answer = bench.ask("GET", load["turns"][0]["files"]["svg"])

    assert answer.status_code == 200
    assert len(seen) == 1, seen


def test_a_download_that_builds_its_file_looks_once_and_locks_once(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()

    with look_ups(bench.database) as seen:
        answer = bench.ask("GET", load["turns"][0]["files"]["pdf"])

    assert answer.status_code == 200
    assert len(seen) == 1 + LOCKED, seen


def test_an_act_reads_its_load_under_one_lock_and_answers_from_that(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()
    jobs = {one["job"]: "found" for one in load["jobs"]}

    with look_ups(bench.database) as seen:
        answer = bench.post(load, "pulled", {"jobs": jobs, "lots": {}})

    assert answer.json()["state"] == "pulled"
    # One more, for the answer: a guarded move tells what has become of the row.
    assert len(seen) == LOCKED + 1, seen


def test_what_was_frozen_with_words_that_wait_is_read_once_and_anew_when_they_change(bench: Bench) -> None:
    bench.order(quantity=2)

    def options() -> tuple[int, set[int]]:
        """Statements that read what is frozen, and the number of ways to seat each unit."""
        with bench.database.reading() as session, statements(bench.database) as sent:
            ready = waiting.candidates(session, bench.shop, "s1")
        frozen = [statement for statement in sent if re.search(r"FROM (order_line|frozen_mark)\s", statement)]
        return len(frozen), {len(candidate.options) for candidate in ready}

    def change_words(session: Session) -> None:
        """As if its line were amended to what fits into one slot."""
        line = session.scalars(select(OrderLine)).one()
        line.words_revision, line.eligible = 2, line.eligible[:1]
        for row in (*line.jobs, *line.marks):
            row.words_revision = 2

    before = [options(), options()]
    bench.database.write(change_words)

    assert [*before, options(), options()] == [(2, {6}), (0, {6}), (2, {1}), (0, {1})]


@pytest.mark.postgres
def test_an_act_on_a_full_plate_asks_no_more_often_than_one_on_two_units(
    postgres_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    """SQLite is sent a row that has changed with a statement of its own, and waits for none of them."""
    bench = Bench(postgres_database, clock, tmp_path)
    _, few, many = (asked_by_acts(bench, units) for units in (1, 2, 6))

    assert many == few


def asked_by_acts(bench: Bench, units: int) -> dict[str, int]:
    """How many statements each act sends on a load of so many units, every one of another order."""
    for _ in range(units):
        bench.order()
    load = bench.mounted(bench.claimed())
    slots = [slot["slot"] for slot in load["turns"][0]["slots"]]
    jobs = jobs_of(load)
    acts = {
        "pulled": {"jobs": dict.fromkeys(jobs, "found"), "lots": {}},
        "seated": {"turn": 1, "slots": dict.fromkeys(slots, "seated")},
        "start": {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]},
        "finish": {"turn": 1},
        "inspect": {"jobs": {job: {"result": "pass"} for job in jobs}},
        "release": None,
    }
    asked = {}
    for act, body in acts.items():
        with statements(bench.database) as sent:
            load = bench.do(load, act, body)
        asked[act] = len(sent)
    assert (load["state"], len(slots)) == ("closed", units)
    return asked


def test_whoever_looks_at_a_load_again_reads_no_outline_again(bench: Bench) -> None:
    bench.order()
    load = bench.claimed()
    first = bench.see(load)

    with look_ups(bench.database, of="frozen_mark") as seen:
        again = bench.see(load)

    assert again == first
    assert seen and not any("frozen_mark.outline" in statement for statement in seen)


def test_the_answer_of_an_act_that_makes_files_stale_is_shaped_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())
    from service.bench import acts

    shaped: list[int] = []
    as_before = acts.load_answer

    def counting(session: Any, row: Any, shop: Any) -> LoadAnswer:
        shaped.append(row.revision)
        return as_before(session, row, shop)

    monkeypatch.setattr(acts, "load_answer", counting)
    slot = load["turns"][0]["slots"][0]["slot"]

    answer = bench.post(load, "seated", {"turn": 1, "slots": {slot: "does_not_fit"}}).json()

    assert answer["turns"][0]["file_sha256"] not in {None, load["turns"][0]["file_sha256"]}
    assert shaped == [answer["revision"]]
