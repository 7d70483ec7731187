"""A shop after a day in which units passed, were scrapped, burned again, interrupted and given back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import event

from service.callbacks import deliveries
from service.records.announcements import tell_order
from service.records.db import Database, open_engine
from service.records.moves import write_history
from service.records.states import Origin
from service.records.tables import CatalogueVersion, Order
from service.records.who import SWEEP, By, Role, Who
from service.shop.catalogue import digest_of, text_digest_of
from service.shop.versions import Judged, put_in_force
from tests.benches import Bench, a_bench_shop, kept_up
from tests.clocks import a_clock
from tests.servers import create_tables


def a_day(folder: Path) -> Bench:
    """The bench of that day, its database in the folder."""
    engine = open_engine(f"sqlite:///{folder / 'ricasso.sqlite3'}")
    event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA synchronous=OFF"))
    create_tables(engine)
    bench = Bench(Database(engine), a_clock(), folder, kept_up(a_bench_shop()))
    by = By(SWEEP, bench.clock())

    def prepare(session: Any) -> None:
        session.add(CatalogueVersion(version=bench.shop.version, loaded_at=by.at, content={}))
        for number, text in enumerate(("# first", "# second"), 1):  # described twice; the bench's is made up
            content = {"policy/policy.toml": text}
            put_in_force(
                session,
                Judged(content, digest_of(content), text_digest_of(content)),
                came_from=number - 1,
                by=by,
                why="",
                origin=Origin.FOLDER,
            )
        store = By(Who(role=Role.STORE, client="store-1", name="store-1"), by.at)
        deliveries.register(session, "https://93.184.216.34/told", client=None, by=store)

    bench.database.write(prepare)
    lived_through(bench)
    return bench


def _take(bench: Bench, **wanted: Any) -> None:
    """An order as intake leaves it, told and with its history."""
    bench.clock.advance(minutes=1)
    bench.order(**wanted)

    def tell(session: Any) -> None:
        order = session.query(Order).order_by(Order.id.desc()).first()
        tell_order(session, "order.accepted", order, now=bench.clock())

    bench.database.write(tell)


def lived_through(bench: Bench) -> None:
    """What happened on that day, in a shop whose stations are kept up (`kept_up`)."""
    for address, body in (
        ("stations/s1/routines/window", {"result": "not_ok", "note": "soot"}),
        ("stations/s1/routines/window", {"result": "ok"}),
        ("supplies/bags/refill", {}),
        ("supplies/bags/count", {"left": 90}),
        ("supplies/parcels/refill", {"pieces": 3}),
    ):
        bench.ask("POST", f"/v1/{address}", body).raise_for_status()
    _take(bench, quantity=2, faces=("mark_side", "pile_side"))
    load = bench.do(bench.burned(), "again", {"turn": 1, "jobs": ["J1"], "reason": "faint"})
    load = bench.do(bench.started(bench.seated(load)), "finish", {"turn": 1})
    while load["state"] != "burned":
        turn = load["current_turn"]
        load = bench.do(bench.started(bench.seated(load, turn=turn), turn=turn), "finish", {"turn": turn})
    bench.do(bench.passed(load), "release")
    for box in ("J1", "J2"):
        bench.ask("POST", "/v1/packing/scan", {"code": box}).raise_for_status()
    bench.ask("POST", "/v1/orders/O1/hand-over").raise_for_status()
    wish = {"line_ref": "1", "reason": "damaged", "pays": "carrier", "ship_by": "2030-01-31T16:00:00Z"}
    made = bench.ask("POST", "/v1/orders/O1/remakes", wish, role="desk", Idempotency_Key="remake-of-J1")
    made.raise_for_status()
    for where in ("polishing", "stocked"):
        bench.ask("POST", "/v1/remakes/R1/returned", {"returned": where}).raise_for_status()

    _take(bench)
    load = bench.burned()
    scrap = {load["jobs"][0]["job"]: {"result": "scrap", "reason": "slipped"}}
    bench.do(load, "inspect", {"jobs": scrap})
    bench.do(bench.claimed(), "drop")

    load = bench.burning()
    clean = {load["jobs"][0]["job"]: {"mark_side": "clean"}}
    bench.do(load, "resolve", {"jobs": clean})
    bench.do(bench.passed(bench.burned()), "release")

    _built_and_counted(bench)

    lot = int(bench.lot(quantity=3).removeprefix("LOT"))
    bench.database.write(lambda s: write_history(s, "lot", lot, "open", by=By(SWEEP, bench.clock())))
    _take(bench, quantity=3)
    bench.burning()


def _built_and_counted(bench: Bench) -> None:
    """Two units built, one of them reworked and given up; a bin counted; boxes moved."""
    wanted = {"sku": "PARER", "quantity": 2, "due": "2030-01-31T16:00:00Z"}
    made = bench.ask("POST", "/v1/work-orders", wanted, role="owner", Idempotency_Key="build-two")
    made.raise_for_status()
    for what, unit, body in (
        ("pass", "U1", {"points": []}),
        ("put-in", "U1", {"bin": "A1"}),
        ("rework", "U2", {"reason": "other", "note": "loose handle"}),
        ("give-up", "U2", {"reason": "other", "note": "cracked"}),
    ):
        bench.ask("POST", f"/v1/built-units/{unit}/{what}", body).raise_for_status()
    count = bench.ask("POST", "/v1/stock/counts", {"bin": "B1"}).json()
    for what, said in (("counted", {"counted": {"PARER": 49}}), ("take", {})):
        at, seen = f"/v1/stock/counts/{count['id']}/{what}", count["etag"]
        answer = bench.ask("POST", at, said, If_Match=seen)
        answer.raise_for_status()
        count = answer.json()
    move = {"from": "B1", "to": "A1", "sku": "PARER", "units": 3}
    bench.ask("POST", "/v1/stock/moves", move, Idempotency_Key="move-three").raise_for_status()
