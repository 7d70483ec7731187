"""Jobs as they are listed, and which slots a unit may be tried in again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.intake import order_rows
from service.records.db import Database
from service.records.tables import LoadSlot
from tests.benches import Bench
from tests.clocks import SetClock


@pytest.fixture
def bench(database: Database, clock: SetClock, tmp_path: Path) -> Bench:
    return Bench(database, clock, tmp_path)


def listed(bench: Bench, path: str, *, role: str = "desk") -> list[list[str]]:
    """The jobs' ids, page by page."""
    pages = []
    while path:
        answer = bench.ask("GET", path, role=role)
        pages.append([job["id"] for job in answer.json()["jobs"]])
        link = answer.headers.get("Link")
        path = link[1 : link.index(">")] if link else ""
    return pages


def test_pages_of_jobs_come_in_the_order_of_their_making_and_skip_none(bench: Bench) -> None:
    bench.order(quantity=3)
    bench.order(quantity=2)

    assert listed(bench, "/v1/jobs?limit=2") == [["J1", "J2"], ["J3", "J4"], ["J5"]]


def test_a_state_and_a_store_narrow_the_list(bench: Bench) -> None:
    bench.order(quantity=2)
    bench.order(client="store-2")
    load = bench.claimed()
    bench.order(quantity=2)

    assert listed(bench, "/v1/jobs?state=loaded") == [[slot["job"] for slot in load["turns"][0]["slots"]]]
    assert listed(bench, "/v1/jobs?state=ready") == [["J4", "J5"]]
    assert listed(bench, "/v1/jobs", role="store") == [["J1", "J2", "J4", "J5"]]
    assert listed(bench, "/v1/jobs?state=ready&limit=1", role="store") == [["J4"], ["J5"]]


def test_only_the_slots_that_this_unit_did_not_fit_are_tried_again(bench: Bench) -> None:
    bench.order(quantity=2)
    load = bench.pulled(bench.claimed())
    slots = {slot["job"]: slot["slot"] for slot in load["turns"][0]["slots"]}
    bench.do(load, "seated", {"turn": 1, "slots": dict.fromkeys(slots.values(), "does_not_fit")})

    def forget(session: Session) -> None:
        session.add(a_removed_slot(job_id=1, slot="S6", why="missing"))
        session.flush()
        order_rows.forget_misfits(session, 1)

    bench.database.write(forget)

    why = {(row.job_id, row.slot): row.removed_why for row in bench.rows(LoadSlot)}
    assert why == {
        (1, slots["J1"]): "did_not_fit",
        (1, "S6"): "missing",
        (2, slots["J2"]): "does_not_fit",
    }


def a_removed_slot(*, job_id: int, slot: str, why: str) -> LoadSlot:
    given: dict[str, Any] = {"load_id": 1, "turn": 1, "face": "mark_side", "attempt": 2}
    return LoadSlot(job_id=job_id, slot=slot, state="removed", removed_why=why, **given)
