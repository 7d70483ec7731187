"""What a load holds, as its rows say it: units in hand, and repeats."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.loads import contents, repeats
from service.loads import load as loads
from service.records.db import Database
from tests.benches import Bench
from tests.clocks import SetClock


@pytest.fixture
def bench(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(sqlite_database, clock, tmp_path)


def test_a_unit_is_in_hand_once_it_was_found(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.do(bench.claimed(), "pulled", {"jobs": {"J1": "found"}})

    with bench.database.reading() as session:
        load = loads.find(session, 1)

        assert contents.is_in_hand(load, "J1")
        assert not contents.is_in_hand(load, "J2")


def test_a_face_in_doubt_is_not_yet_one_to_be_burned_again(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.do(bench.burning(), "resolve", {"jobs": {"J1": {"mark_side": "partial"}}})

    with bench.database.reading() as session:
        in_doubt = repeats.to_burn_again(session, loads.find(session, 1))
    load = bench.do(bench.see({"id": "L1"}), "resolve", {"jobs": {"J2": {"mark_side": "partial"}}})
    bench.do(load, "again", {"turn": 1, "jobs": ["J1", "J2"], "reason": "interrupted burn"})
    with bench.database.reading() as session:
        asked_for = repeats.to_burn_again(session, loads.find(session, 1))

    assert in_doubt == []
    assert [slot.job_id for slot in asked_for] == [1, 2]
