"""Words and names stay in rows, answers and burn files: a day is lived through, with what goes wrong on it,
and then all is read that leaves the shop by another way: log, metrics, events, names of files, errors."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import structlog
from sqlalchemy import select

from service.app import set_up_logging
from service.callbacks import deliveries
from service.intake import import_orders, take_order
from service.privacy import erase as erasing
from service.records.db import Database
from service.records.outgoing import ask_for
from service.records.tables import Delivery, Event, Order, Outbox, Tick
from service.records.who import SWEEP
from service.running import relay, sweeps, tasks
from tests.clocks import SetClock
from tests.counter import Counter, an_inscription, an_open_counter, an_order

#: What is said in each place; none may be seen elsewhere.
WORDS = ("Zenobia", "Quillfeather", "Marjory", "Wolfgangus", "Ottoline", "Peregrine", "Hildegardis")


def the_log(monkeypatch: pytest.MonkeyPatch) -> io.StringIO:
    """All that is logged from now on. (Called by the test itself: a fixture's standard error is another.)"""
    kept = io.StringIO()
    monkeypatch.setattr("sys.stderr", kept)
    set_up_logging("DEBUG")
    return kept


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


def named(text: str = "Zenobia", **changes: Any) -> dict[str, Any]:
    notes = {"order": "for aunt Marjory", "gift": "love, Ottoline", "bench": "ask Peregrine"}
    order = an_order(buyer={"name": "Quillfeather"}, notes=notes, **changes)
    order["lines"][0]["inscriptions"] = [an_inscription(text=text)]
    return order


def burned(counter: Counter) -> list[str]:
    """One load from the queue to packing; the names that its files go by."""
    taken = counter.ask("bench", "POST", "/v1/loads/next", {"station": "north", "operator": "Operator One"})
    assert taken.status_code == 201, taken.text
    at, load, etag = f"/v1/loads/{taken.json()['id']}", taken.json(), taken.headers["ETag"]

    def act(what: str, body: dict[str, Any]) -> None:
        nonlocal load, etag
        answer = counter.ask("bench", "POST", f"{at}/{what}", body, If_Match=etag)
        assert answer.status_code == 200, (what, answer.text)
        load, etag = answer.json(), answer.headers["ETag"]

    bins: dict[str, Any] = {}
    for pull in load["pulls"]:
        bins.setdefault(pull["bin"], {})[pull["sku"]] = {"found": pull["quantity"]}
    (turn,) = load["turns"]
    copy = next(iter(counter.tools.catalogue.current.plates[load["plate"]].copies))
    act("mounted", {"turn": 1, "copy": load.get("copy") or copy, "how": "by_hand"})
    act("pulled", {"bins": bins})
    act("seated", {"turn": 1, "slots": {slot["slot"]: "seated" for slot in turn["slots"]}})
    names = []
    for file in ("turns/1/burn.svg", "turns/1/burn.dxf", "turns/1/guide.svg", "sheet.pdf", "labels.pdf"):
        answer = counter.ask("bench", "GET", f"{at}/{file}")
        assert answer.status_code in {200, 404}, file
        names.append(answer.headers.get("Content-Disposition", ""))
    act("start", {"turn": 1, "file_sha256": load["turns"][0]["file_sha256"]})
    act("finish", {"turn": 1})
    act("inspect", {"jobs": {slot["job"]: {"result": "pass"} for slot in turn["slots"]}})
    act("release", {})
    return names


def test_a_day_leaves_no_word_in_log_metrics_events_or_names_of_files(
    counter: Counter, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    tools, headers, log = counter.tools, [], the_log(monkeypatch)

    def hang_up(*_: Any, **__: Any) -> None:
        raise RuntimeError("Wolfgangus was to be engraved")

    # What the store and the desk do.
    tools.database.write(
        lambda s: deliveries.register(s, "https://93.184.216.34/told", client="store-1", by=tools.by(SWEEP))
    )
    order = counter.post_order(named()).json()
    counter.post_order(named("Zenobia \u2665"))  # held
    refused = [
        counter.post_order({**named(), "Hildegardis": "Zenobia"}),
        counter.post_order(named("Zenobia", ship_by="Hildegardis")),
        counter.client.post("/v1/orders", content=b'{"Zenobia', headers={"X-Request-ID": "Hildegardis !"}),
        counter.client.get("/Hildegardis/Zenobia?Zenobia=1"),
        counter.client.request("ZENOBIA", "/v1/orders"),
        counter.ask("desk", "GET", "/v1/orders?zenobia=Zenobia"),
    ]
    assert {answer.status_code // 100 for answer in refused} == {4}
    assert len(counter.ask("desk", "GET", "/v1/orders?q=Zenobia").json()["orders"]) == 2
    at = f"/v1/orders/{order['id']}"
    link = counter.ask("desk", "POST", f"{at}/proof-link").json()["url"]
    token = link.rsplit("/", 1)[1]
    headers += [counter.client.get(link).headers, counter.ask("desk", "GET", f"{at}/proof.pdf").headers]
    ship_by = f"{clock() + timedelta(days=9):%Y-%m-%d}"
    content = (
        "order_ref,ship_by,line_ref,sku,quantity,zone,text,font,buyer\n"
        f"C-1,{ship_by},1,AQ-HORI-18,1,ricasso,Zenobia,lato-bold,Quillfeather\n"
    )
    import_orders.store_for_later(tools, content.encode(), client="store-1")
    relay.send_due(tools.database, lambda hint: tasks.run(tools, hint.id), clock=clock)

    # What the bench does.
    names = burned(counter)

    # What goes wrong, with words in the errors.
    with monkeypatch.context() as broken:
        broken.setattr(take_order, "take", hang_up)
        assert counter.post_order(named()).status_code == 500
    with monkeypatch.context() as broken:
        broken.setattr(import_orders, "import_stored", hang_up)
        broken.setattr(sweeps, "sweep_short", hang_up)
        tools.database.write(
            lambda s: ask_for(s, "import_orders", now=clock(), file="1.csv", client="store-1")
        )
        for _ in range(tasks.MAX_ATTEMPTS):
            relay.send_due(tools.database, lambda hint: tasks.run(tools, hint.id), clock=clock)
            clock.advance(hours=1)
        tasks.run_periodic(tools, lanes=(tasks.SWEEPS,))
    erasing.erase(tools, order["id"], by=tools.by(SWEEP))

    lines = [json.loads(line) for line in log.getvalue().splitlines()]
    with tools.database.reading() as session:
        outside = {
            "log": log.getvalue(),
            "metrics": counter.ask("owner", "GET", "/metrics").text,
            "events": [event.data for event in session.scalars(select(Event))],
            "callbacks": [row.event_id for row in session.scalars(select(Delivery))],
            "tasks": [(row.arguments, row.failed_why) for row in session.scalars(select(Outbox))],
            "ticks": [row.task for row in session.scalars(select(Tick))],
            "file names": [str(path) for path in tools.settings.data.rglob("*")],
            "names of answers": names + [one.get("Content-Disposition", "") for one in headers],
            "list of erasures": (tools.settings.data / erasing.LIST).read_text(),
        }
        assert session.scalars(select(Order)).first() is not None
    found = {
        where: [word for word in (*WORDS, token) if word.lower() in str(what).lower()]
        for where, what in outside.items()
    }
    assert {where: words for where, words in found.items() if words} == {}
    # And the day was lived through: each of these was logged.
    assert {"request", "unhandled", "task_failed", "task_given_up", "periodic_task_failed"} <= {
        line["event"] for line in lines
    }
    assert {line["kind"] for line in lines if "kind" in line} == {"RuntimeError"}
    assert len(outside["events"]) > 5 and len(outside["file names"]) > 5


def test_a_word_in_the_log_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    log = the_log(monkeypatch)

    structlog.get_logger("test").warning("said", words="Zenobia")

    assert "Zenobia" in log.getvalue()
