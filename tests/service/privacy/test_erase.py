"""Words, names and outlines of a finished order go for good, everywhere; what happened stays on record."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service.audit.look import look
from service.privacy import erase as erasing
from service.records.db import Database
from service.records.tables import Order
from service.records.who import SWEEP
from service.running import sweeps, tasks
from tests.benches import Bench, all_rows
from tests.clocks import SetClock
from tests.counter import Counter, a_key, an_inscription, an_open_counter, an_order

SECRETS = ("Zenobia", "Quillfeather", "for aunt Marjory", "ring twice")


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(database, clock, tmp_path) as counter:
        yield counter


def a_named_order(**changes: Any) -> dict[str, Any]:
    order = an_order(
        buyer={"name": "Quillfeather"}, notes={"gift": "for aunt Marjory", "order": "ring twice"}, **changes
    )
    order["lines"][0]["inscriptions"] = [an_inscription(text="Zenobia")]
    return order


def everything(counter: Counter) -> str:
    """All rows and all files of orders of the shop, as text."""
    files = [path.read_text() for path in counter.tools.settings.data.rglob("*.csv")]
    return json.dumps(all_rows(counter.tools.database), default=str, ensure_ascii=False) + "".join(files)


def cancelled(counter: Counter, at: str, reason: str) -> None:
    etag = counter.ask("desk", "GET", at).headers["ETag"]
    answer = counter.ask("desk", "POST", f"{at}/cancel", {"reason": reason}, If_Match=etag)
    assert answer.status_code == 200, answer.text


def test_nothing_that_was_said_is_left_and_what_happened_is(counter: Counter) -> None:
    key, body = a_key(), a_named_order()
    order = counter.post_order(body, key=key).json()
    at = f"/v1/orders/{order['id']}"
    link = counter.ask("desk", "POST", f"{at}/proof-link").json()["url"]
    imports = counter.tools.settings.data / "imports"
    imports.mkdir()
    (imports / "a.csv").write_text(f"order_ref,text\n{order['order_ref']},Zenobia\n")
    (imports / "b.csv").write_text("order_ref,text\nsomebody else's,Ada\n")
    refused = counter.ask("desk", "POST", f"{at}/erase", {})
    cancelled(counter, at, "Zenobia called")
    before = counter.ask("desk", "GET", at).json()
    assert all(secret in everything(counter) for secret in SECRETS)

    erased = counter.ask("desk", "POST", f"{at}/erase", {"reason": "asked for"})

    now = counter.ask("desk", "GET", at).json()
    assert (refused.status_code, refused.json()["code"]) == (409, "move_not_allowed")
    assert erased.status_code == 200 and erased.json()["erased_at"] == now["erased_at"] is not None
    assert [secret for secret in SECRETS if secret in everything(counter)] == []
    assert not {"buyer", "notes"} & set(now) and now["lines"][0]["inscriptions"][0]["text"] == ""
    for name in ("state", "order_ref", "ship_by"):
        assert now[name] == before[name]
    assert [line["jobs"] for line in now["lines"]] == [line["jobs"] for line in before["lines"]]
    assert len(now["history"]) == len(before["history"]) + 2  # links withdrawn, erased
    assert counter.ask("desk", "GET", f"{at}/proof.svg").status_code == 404
    assert counter.ask("desk", "GET", f"{at}/proof.pdf").status_code == 404
    assert counter.client.get(link).status_code == 409
    assert [path.name for path in imports.iterdir()] == ["b.csv"]
    # The store can't have it taken a second time, and asking again to erase changes nothing.
    assert counter.post_order(body, key=key).json()["code"] == "order_ref_taken"
    assert counter.ask("owner", "POST", f"{at}/erase", {}).json() == erased.json()
    assert counter.ask("store", "POST", f"{at}/erase", {}).status_code == 403
    assert look(counter.tools.database.engine, None).counts == {}


def test_all_that_erasing_takes_is_exported_before_and_none_of_it_after(counter: Counter) -> None:
    order = counter.post_order(a_named_order()).json()
    counter.post_order(an_order())  # somebody else's
    at = f"/v1/orders/{order['id']}"
    imports = counter.tools.settings.data / "imports"
    imports.mkdir()
    (imports / "a.csv").write_text(f"order_ref,text\n{order['order_ref']},Zenobia\n")
    cancelled(counter, at, "Quillfeather called")

    before = counter.ask("desk", "GET", f"{at}/export")
    erased = counter.ask("desk", "POST", f"{at}/erase", {})
    after = counter.ask("owner", "GET", f"{at}/export")

    assert (before.status_code, erased.status_code, after.status_code) == (200, 200, 200)
    told = before.json()
    assert [secret for secret in SECRETS if secret not in before.text] == []
    assert "Quillfeather called" in before.text
    assert told["imported_files"] == ["a.csv"] and not after.json()["imported_files"]
    assert {row["id"] for row in told["rows"]["orders"]} == {int(order["id"][1:])}
    assert told["rows"]["frozen_mark"][0]["outline"] != after.json()["rows"]["frozen_mark"][0]["outline"]
    assert {"order_line", "job", "history", "order_word", "idempotent_request"} <= set(told["rows"])
    assert [secret for secret in SECRETS if secret in after.text] == []
    assert counter.ask("store", "GET", f"{at}/export").status_code == 403
    assert counter.ask("desk", "GET", "/v1/orders/O999/export").status_code == 404


def test_a_load_with_erased_marks_is_still_shown_and_audited(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(sqlite_database, clock, tmp_path)
    bench.order(quantity=2)
    load = bench.burned()
    bench.do(bench.passed(load), "release")
    files = bench.tools.settings.data / "files"
    assert [path for path in files.rglob("*") if path.is_file()]

    erasing.erase(bench.tools, "O1", by=bench.tools.by(SWEEP))

    assert not [path for path in files.rglob("*") if path.is_file()]
    bench.client.post("/sign-in", data={"name": "Olga", "key": bench.keys["owner"]})
    for page in (f"/bench/loads/{load['id']}", "/desk/orders/O1", "/desk", "/board"):
        assert bench.client.get(page).status_code == 200, page
    assert "proof-link" not in bench.client.get("/desk/orders/O1").text  # there is nothing to show a buyer
    for paper in ("sheet.pdf", "labels.pdf"):
        assert bench.ask("GET", f"/v1/loads/{load['id']}/{paper}", role="owner").status_code == 200, paper
    report = look(bench.database.engine, bench.tools.catalogue)  # type: ignore[arg-type]
    assert not {"file_differs", "mark_changed", "erased_in_part"} & set(report.counts)


def test_an_order_is_erased_altogether_or_not_yet(counter: Counter, monkeypatch: pytest.MonkeyPatch) -> None:
    """The power goes while files are deleted: the next try finds all that is left."""
    order = counter.post_order(a_named_order()).json()
    at = f"/v1/orders/{order['id']}"
    cancelled(counter, at, "")
    imports = counter.tools.settings.data / "imports"
    imports.mkdir()
    (imports / "a.csv").write_text(f"order_ref,text\n{order['order_ref']},Zenobia\n")

    def cut(*_: object) -> None:
        raise OSError("the power goes")

    with monkeypatch.context() as patched:
        patched.setattr(erasing, "_drop_imports", cut)
        with pytest.raises(OSError, match="the power goes"):
            erasing.erase(counter.tools, order["id"], by=counter.tools.by(SWEEP))
    in_between = counter.ask("desk", "GET", at).json()
    erasing.erase(counter.tools, order["id"], by=counter.tools.by(SWEEP))

    assert in_between["erased_at"] is None
    assert [secret for secret in SECRETS if secret in everything(counter)] == []
    assert list(imports.iterdir()) == []


def test_words_are_kept_as_long_as_the_shop_says(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(sqlite_database, clock, tmp_path)
    bench.order()
    bench.do(bench.passed(bench.burned()), "release")
    bench.order()  # waits still
    kept = bench.tools.settings.model_copy(update={"keep_words_days": 30})
    forgetting = replace(bench.tools, settings=kept)
    clock.advance(days=400)

    erased = [sweeps.forget_words(tools) for tools in (bench.tools, forgetting, forgetting)]

    assert erased == [0, 1, 0]
    assert "forget_words" in {task.name for task in tasks.periodic(bench.tools)}
    with bench.database.reading() as session:
        orders = session.scalars(select(Order).order_by(Order.id)).all()
        assert [order.erased_at is None for order in orders] == [False, True]


def test_what_was_erased_is_erased_again_after_a_backup_came_back(counter: Counter) -> None:
    order = counter.post_order(a_named_order()).json()
    cancelled(counter, f"/v1/orders/{order['id']}", "")
    listed = counter.tools.settings.data / "elsewhere.jsonl"
    entries = [(order["client"], order["order_ref"]), ("nobody", "nothing")]
    listed.write_text(
        "".join(json.dumps({"client": client, "order_ref": ref}) + "\n" for client, ref in entries)
    )

    assert erasing.erase_again(counter.tools, listed) == 1
    assert erasing.erase_again(counter.tools, listed) == 0

    assert [secret for secret in SECRETS if secret in everything(counter)] == []
    kept = (counter.tools.settings.data / erasing.LIST).read_text().splitlines()
    assert [json.loads(line)["order_ref"] for line in kept] == [order["order_ref"]]
