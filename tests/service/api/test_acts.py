"""Who did what with the shop itself: on the owner's page, for programs and on the command line."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, insert, text

from service.cli.main import run
from service.records.db import Database
from service.records.tables import History
from service.records.who import SWEEP, Role
from service.requests import act_rows, keys
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_lot, an_open_counter, an_order
from tests.made_up import put_in_force


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(database, clock, tmp_path) as opened:
        yield opened


def signed_in(counter: Counter, role: str = "owner") -> None:
    counter.client.post("/sign-in", data={"key": counter.keys[role], "name": "Ada"})


def token(counter: Counter, path: str) -> str:
    return counter.client.get(path).text.partition('name="token" value="')[2].partition('"')[0]


def test_acts_on_keys_callbacks_and_lots_are_listed_newest_first(counter: Counter, clock: SetClock) -> None:
    signed_in(counter)
    form = {"token": token(counter, "/owner/keys"), "client": "garden-shop", "role": "store"}
    made = counter.client.post("/owner/keys", data=form).text
    key_id = made.partition("rcs_store_")[2][:8]
    clock.advance(minutes=1)
    counter.client.post(f"/owner/keys/{key_id}/revoke", data=form)
    counter.client.post(f"/owner/keys/{key_id}/revoke", data=form)  # there is nothing left to do
    clock.advance(minutes=1)
    address = {"url": "https://receiver.example/told"}
    callback = counter.ask("store", "POST", "/v1/callbacks", address, Idempotency_Key=a_key()).json()
    counter.ask("store", "POST", f"/v1/callbacks/{callback['id']}/rotate-secret", X_Operator="Nan")
    counter.ask("store", "POST", f"/v1/callbacks/{callback['id']}/resend", {})
    counter.ask("store", "DELETE", f"/v1/callbacks/{callback['id']}")
    counter.ask("owner", "POST", "/v1/lots", a_lot(), Idempotency_Key=a_key(), X_Operator="Ada")
    counter.post_order(an_order())  # no act on the shop

    listed = counter.ask("owner", "GET", "/v1/acts?limit=7").json()["acts"]

    assert [(act["about"], act["what"], act["who"]) for act in listed] == [
        ("lot", "open", "owner:Ada"),
        ("callback", "removed", "store:store-1"),
        ("callback", "sent_again", "store:store-1"),
        ("callback", "new_secret", "store:Nan"),
        ("callback", "added", "store:store-1"),
        ("key", "revoked", "owner:Ada"),
        ("key", "made", "owner:Ada"),
    ]
    assert listed[-1]["details"] == f"{key_id}: store garden-shop"
    assert listed[-1]["at"] < listed[-2]["at"] == clock().replace(minute=1).isoformat()
    assert callback["secret"] not in str(listed)


def test_pages_of_acts_skip_none_and_repeat_none(counter: Counter) -> None:
    whole = counter.ask("owner", "GET", "/v1/acts?limit=200").json()["acts"]
    pages, path = [], "/v1/acts?limit=2"
    while path:
        answer = counter.ask("owner", "GET", path)
        pages += answer.json()["acts"]
        path = answer.headers.get("Link", "").partition("<")[2].partition(">")[0]

    assert len(whole) > 4
    assert pages == whole


def test_the_page_of_keys_says_until_when_each_is_good(counter: Counter, clock: SetClock) -> None:
    def make(session: Any) -> None:
        for client, hours in (("soon-over", 1), ("later-over", 48)):
            ends = clock() + timedelta(hours=hours)
            keys.new_key(session, Role.STORE, client=client, now=clock(), expires_at=ends, who=SWEEP)

    counter.tools.database.write(make)
    clock.advance(hours=2)
    signed_in(counter)

    rows = counter.client.get("/owner/keys").text.split("<tr>")

    state = {
        client: next(row for row in rows if client in row)
        for client in ("soon-over", "later-over", "store-2")
    }
    assert "ended" in state["soon-over"] and "Revoke" not in state["soon-over"]
    assert "until" in state["later-over"] and "Revoke" in state["later-over"]
    assert "until" not in state["store-2"] and "Revoke" in state["store-2"]


@pytest.mark.parametrize("role", ["store", "desk", "bench"])
def test_they_are_the_owner_s_business(counter: Counter, role: str) -> None:
    assert counter.ask(role, "GET", "/v1/acts").status_code == 403


def test_the_owner_s_page_says_them_in_words(counter: Counter) -> None:
    signed_in(counter)
    put_in_force(counter.tools.database, by=counter.tools.by(SWEEP))
    form = {"token": token(counter, "/owner/keys"), "client": "garden-shop", "role": "store"}
    counter.client.post("/owner/keys", data=form)

    page = counter.client.get("/owner/acts").text

    assert "key made" in page and "store garden-shop" in page and "Ada (owner)" in page
    assert "new description of the shop in force" in page and "the service itself" in page
    assert "/owner/acts" in counter.client.get("/owner").text


def test_the_command_line_lists_them_and_signs_with_the_name_of_whoever_types(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("getpass.getuser", lambda: "ines")
    data = ["--data", str(tmp_path)]
    run(["keys", "new", "store", "--client", "garden-shop", *data])
    key_id = capsys.readouterr().out.split("_")[2]
    run(["keys", "rotate", key_id, *data])
    run(["keys", "revoke", key_id, *data])
    capsys.readouterr()

    run(["acts", *data])

    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[2:5] for line in lines] == [
        ["owner:ines", "key", what] for what in ("revoked", "replaced", "made", "made")
    ]
    assert all("garden-shop" in line for line in lines)


def test_listing_them_reads_no_more_of_a_long_history(database: Database) -> None:
    """By the index of subjects, however long the history of jobs and loads is."""
    statements: list[tuple[str, Any]] = []
    now = datetime(2026, 11, 30, tzinfo=UTC)
    with database.writing() as session:
        move = {"subject": "job", "move_to": "ready", "who": "owner:Ada", "why": "", "at": now}
        session.execute(insert(History), [move | {"subject_id": number} for number in range(20_000)])
        if not database.is_sqlite:  # as PostgreSQL does by itself; SQLite is never told to
            session.execute(text("ANALYZE history"))
    with database.reading() as session:
        connection = session.connection()
        event.listen(connection, "before_cursor_execute", lambda *a: statements.append((a[2], a[3])))
        act_rows.listed(session, limit=50)
        sql, given = statements[0]
        explain = "EXPLAIN QUERY PLAN" if database.is_sqlite else "EXPLAIN"
        plan = str(connection.exec_driver_sql(f"{explain} {sql}", given).all())

    assert "ix_history_subject" in plan
    assert "SCAN history" not in plan and "Seq Scan" not in plan
