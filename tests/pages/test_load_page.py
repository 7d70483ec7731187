"""The page of a load at every step of its way, without a browser: what it names is there."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import update

from service.records.db import Database
from service.records.tables import Order
from tests.benches import Bench, jobs_of
from tests.clocks import SetClock


def test_the_page_of_a_load_is_drawn_at_every_step(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(sqlite_database, clock, tmp_path)
    bench.order(faces=("mark_side", "pile_side"), quantity=2)
    notes = {"bench_note": "Handle is oiled.", "gift_note": "Happy birthday!"}
    bench.database.write(lambda session: session.execute(update(Order).values(**notes)))
    bench.client.post("/sign-in", data={"name": "Olga", "key": bench.keys["owner"]})
    seen: dict[str, str] = {}

    def look(step: str, under: str = "") -> None:
        answer = bench.client.get(f"/bench/loads/L1{under}")
        assert answer.status_code == 200, (step, answer.text)
        seen[step] = answer.text

    load = bench.claimed()
    look("claimed")
    load = bench.pulled(load)
    look("pulled")
    load = bench.seated(load)
    look("seated")
    load = bench.started(load)
    look("burning")
    look("stopped", "/interrupted")
    load = bench.do(load, "finish", {"turn": 1})
    look("turning")
    look("turned over", "/turn-over")
    load = bench.started(bench.seated(load, turn=2), turn=2)
    load = bench.do(load, "finish", {"turn": 2})
    look("burned")
    load = bench.do(load, "again", {"turn": 2, "jobs": jobs_of(load)[:1], "reason": "faint mark"})
    look("again")
    load = bench.do(
        load, "again", {"turn": 2, "jobs": jobs_of(load)[:1], "reason": "good enough", "withdraw": True}
    )
    bench.passed(load)
    look("passed")
    bench.client.get("/bench")

    first, second = jobs_of(load)
    assert "All 2 found" in seen["claimed"] and load["copy"] in seen["claimed"]
    assert first in seen["pulled"] and "Seat the units" in seen["pulled"]
    assert load["turns"][0]["slots"][0]["texts"][0] in seen["seated"]
    assert "Burning" in seen["burning"] and f"job|{first}|mark_side" in seen["stopped"]
    assert "Look first" in seen["turning"] and "Turn over: turn 2" in seen["turned over"]
    assert f"Burn {first} again" in seen["burned"] and f"Burn {second} again" in seen["burned"]
    assert f"These marks stay as they are: {first}." in seen["again"]
    assert f"Scrap {first}" in seen["again"]
    assert all("Handle is oiled." in seen[step] for step in ("pulled", "turned over", "burned"))
    assert "Gift note" in seen["passed"]
    assert not [step for step, text in seen.items() if "Happy birthday!" in text]
