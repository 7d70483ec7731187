"""The sandbox: every state and every event can be seen there, and nothing of it in the shop."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from difflib import ndiff
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, select, text

from service.cli.main import run
from service.intake import batches
from service.records.db import Database
from service.records.errors import BadRequest
from service.records.outgoing import TOLD
from service.records.states import JobState
from service.records.tables import Event, Job, KeptPlan, Load
from service.records.who import SWEEP, Role
from service.requests import keys
from service.rooms import API
from service.running import tasks
from service.sandbox.advance import To
from service.shop import sandbox
from service.shop.settings import Settings
from tests.benches import all_rows
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_line, an_inscription, an_open_counter, an_order

WAY = ["ready", "loaded", "engraved", "passed", "released", "handed_over"]


@contextmanager
def with_test_keys(counter: Counter) -> Iterator[Counter]:
    """The counter with two stores' test keys, `test` and `other_test`; the store of the first has the same
    name as the one with the key `store`."""
    database = counter.tools.sandbox.tools().database
    for name, client in (("test", "store-1"), ("other_test", "store-2")):
        counter.keys[name] = database.write(
            lambda session, client=client: keys.new_key(  # type: ignore[misc]
                session, Role.STORE, client=client, now=counter.tools.clock(), who=SWEEP
            )
        )
    yield counter
    counter.tools.sandbox.close()


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with (
        an_open_counter(sqlite_database, clock, tmp_path, callbacks_to_loopback=True) as opened,
        with_test_keys(opened) as counter,
    ):
        yield counter


def post(counter: Counter, *, role: str = "test", **changes: Any) -> dict[str, Any]:
    answer = counter.post_order(an_order(**changes), role=role)
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def advance(counter: Counter, order: str, to: str | None = None, *, role: str = "test") -> Any:
    body = {} if to is None else {"to": to}
    return counter.ask(role, "POST", f"/v1/sandbox/orders/{order}/advance", body)


def events(counter: Counter) -> list[str]:
    with counter.tools.sandbox.tools().database.reading() as session:
        return list(session.scalars(select(Event.type).order_by(Event.id)))


# --- the way of an order ---


def test_an_order_goes_through_every_state_and_is_marked_in_each(counter: Counter) -> None:
    order = post(counter)
    seen = [order["state"]]

    while seen[-1] != "handed_over":
        answer = advance(counter, order["id"])
        assert answer.status_code == 200, answer.text
        assert answer.json()["test"] is True
        assert (
            answer.headers["ETag"] == counter.ask("test", "GET", f"/v1/orders/{order['id']}").headers["ETag"]
        )
        seen.append(answer.json()["state"])

    assert seen == WAY
    assert events(counter) == ["order.accepted", "job.engraved", "order.released", "order.handed_over"]
    further = advance(counter, order["id"])
    assert (further.status_code, further.json()["code"]) == (409, "move_not_allowed")


def test_asked_for_a_state_it_goes_through_all_between_and_then_stays(counter: Counter) -> None:
    order = post(counter, lines=[a_line(quantity=2), a_line(line_ref="2", inscriptions=[])])

    first, second = (advance(counter, order["id"], "handed_over").json() for _ in range(2))

    assert first["state"] == second["state"] == "handed_over"
    assert events(counter).count("job.engraved") == 2  # the third unit is plain
    assert events(counter).count("order.released") == events(counter).count("order.handed_over") == 1
    with counter.tools.sandbox.tools().database.reading() as session:
        assert {job.state for job in session.scalars(select(Job))} == {"released"}


def test_every_state_and_every_event_can_be_met(counter: Counter) -> None:
    seen: set[str] = set()

    def see(answer: Any) -> None:
        assert answer.status_code in {200, 201}, answer.text
        seen.update(job["state"] for line in answer.json()["lines"] for job in line["jobs"])

    held = post(counter, proof="buyer")
    seen.update(job["state"] for job in held["lines"][0]["jobs"])
    link = counter.ask("test", "POST", f"/v1/orders/{held['id']}/proof-link").json()["url"]
    wished = counter.client.post(link, data={"answer": "change", "wish": "Please: Ada, not Eda"})
    assert wished.status_code == 200
    for to in ("ready", "short", "ready", "promised", "promised", "loaded", "doubtful", "engraved"):
        see(advance(counter, held["id"], to))
    for to in ("scrapped", "passed", "released"):
        see(advance(counter, held["id"], to))
    remake = {"line_ref": "1", "reason": "damaged", "pays": "carrier"}
    counter.ask("test", "POST", f"/v1/orders/{held['id']}/remakes", remake, Idempotency_Key=a_key())
    see(advance(counter, held["id"], "handed_over"))
    called_off = post(counter)
    etag = counter.ask("test", "GET", f"/v1/orders/{called_off['id']}").headers["ETag"]
    see(counter.ask("test", "POST", f"/v1/orders/{called_off['id']}/cancel", {}, If_Match=etag))

    assert seen == {state.value for state in JobState}
    # What a buyer wants changed comes from the proof's page, not from the store; packing takes back what it
    # handed over by mistake, and has no hand in the sandbox.
    assert set(events(counter)) >= TOLD - {"order.change_requested", "order.hand_over_taken_back"}
    assert {to.value for to in To} >= seen - {"held", "cancelled"}


def test_what_other_words_alone_can_mend_stays_held_and_goes_on_when_they_come(counter: Counter) -> None:
    order = post(counter, lines=[a_line(inscriptions=[an_inscription(text="Zoë ♥ Bo")])])

    refused = advance(counter, order["id"])
    etag = counter.ask("test", "GET", f"/v1/orders/{order['id']}").headers["ETag"]
    counter.ask(
        "test",
        "PATCH",
        f"/v1/orders/{order['id']}/lines/1",
        {"inscriptions": [an_inscription(text="Zoë & Bo")]},
        If_Match=etag,
    )

    assert (refused.status_code, refused.json()["line_ref"]) == (409, "1")
    assert advance(counter, order["id"]).json()["state"] == "loaded"


def test_an_order_that_is_late_or_unapproved_goes_on_as_if_people_had_said_yes(counter: Counter) -> None:
    order = post(counter, proof="buyer", ship_by="2020-12-01T12:00:00Z")
    assert order["lines"][0]["holds"][0]["reason"] == "buyer_approval"

    assert advance(counter, order["id"]).json()["state"] == "ready"


def test_a_buyers_link_leads_to_the_order_of_the_sandbox(counter: Counter) -> None:
    post(counter, role="store", order_ref="REAL")
    order = post(counter, proof="buyer", order_ref="TRIED")
    assert order["id"] == "O1"  # as the real one's
    link = counter.ask("test", "POST", "/v1/orders/O1/proof-link").json()["url"]

    page = counter.client.get(link)
    yes = counter.client.post(link, data={"answer": "yes"})

    assert (page.status_code, yes.status_code) == (200, 200)
    assert "TRIED" in page.text
    assert counter.ask("test", "GET", "/v1/orders/O1").json()["state"] == "ready"
    assert counter.client.get(link.replace("test.", "")).status_code != 200


def test_callbacks_are_sent_and_say_that_it_is_a_test(counter: Counter) -> None:
    from tests.service.callbacks.test_deliveries import receiving

    with receiving() as receiver:
        address = {"url": receiver.url}
        counter.ask("test", "POST", "/v1/callbacks", address, Idempotency_Key=a_key())
        post(counter, role="store")  # the same store's real order is not told there
        advance(counter, post(counter)["id"], "engraved")

        tasks.run_periodic(counter.tools, lanes=(tasks.CALLBACKS,))

    told = [body for _, body in receiver.received]
    types = [json.loads(body)["type"] for body in told]
    assert types.count("ping") == 1  # of no order, so it may come before or after those of one
    assert [one for one in types if one != "ping"] == ["order.accepted", "job.engraved"]
    assert all(b'"test":true' in body for body in told)


def test_batches_are_taken_there_too(counter: Counter) -> None:
    body = {"orders": [an_order(), an_order()]}
    at = counter.ask("test", "POST", "/v1/orders/batch", body, Idempotency_Key=a_key()).headers["Location"]

    tasks.run_periodic(counter.tools, lanes=(tasks.BATCHES,))

    assert counter.ask("test", "GET", at).json()["taken"] == 2
    assert counter.ask("store", "GET", at).status_code == 404
    assert batches.take_waiting(counter.tools) == 0


# --- nothing of it in the shop ---


def a_day_in_the_sandbox(counter: Counter) -> list[str]:
    """Orders in every state, with words, a buyer and references that are nowhere else."""
    stops = [None, "short", "loaded", "doubtful", "engraved", "scrapped", "passed", "released", "handed_over"]
    named = {"buyer": {"name": "Zenobia Quill"}, "notes": {"order": "Xanthippe"}}
    made = []
    for stop in stops:
        lines = [a_line(quantity=2, inscriptions=[an_inscription(text="Ophelia")])]
        order = post(counter, order_ref=f"SANDBOX-{stop}", lines=lines, **named)
        if stop in {"doubtful", "scrapped"}:
            advance(counter, order["id"], "loaded")
        if stop is not None:
            assert advance(counter, order["id"], stop).status_code == 200
        made.append(order["id"])
    for again in range(2):
        assert advance(counter, made[again], "promised").status_code == 200
    return made


def everything_shown(counter: Counter, order: str, job: str) -> dict[str, str]:
    """What every address of the shop answers to a GET, by role and address: lists, files, counts, pages."""
    shown = {}
    routes = [route for module in API for route in module.router.routes]
    paths = [route.path for route in routes if "GET" in (getattr(route, "methods", None) or ())]
    for path in sorted(set(paths) - {"/v1/events"}):
        filled = (
            path.replace("/orders/{identity}", f"/orders/{order}")
            .replace("/jobs/{identity}", f"/jobs/{job}")
            .replace("{kind}", "svg")
        )
        filled = re.sub(r"{\w+}", "1", filled)
        for role in ("owner", "store"):  # what others see is part of what the owner sees
            shown[f"{role} {filled}"] = _without_clock(counter.ask(role, "GET", filled).content)
    for query in ("q=ophelia", "q=zenobia", "order_ref=SANDBOX-loaded", "state=doubtful", "state=short"):
        shown[query] = _without_clock(counter.ask("owner", "GET", f"/v1/orders?{query}").content)
    shown["stream"] = counter.ask("owner", "GET", "/v1/events?until=now", Last_Event_ID="0").text
    signed = counter.client.post("/sign-in", data={"key": counter.keys["owner"]}, follow_redirects=False)
    assert signed.status_code == 303
    for page in ("/", "/desk", "/bench", "/board", "/packing", "/owner", "/owner/stock", "/owner/callbacks"):
        shown[f"page {page}"] = _without_clock(counter.client.get(page).content)
    counter.client.cookies.clear()
    return shown


def _without_clock(content: bytes) -> str:
    """An answer without what differs from one request to the next: measured times, and tokens of forms."""
    text = content.decode("utf-8", "replace")
    text = re.sub(r"^(ricasso_http|ricasso_check|process_|python_).*\n", "", text, flags=re.MULTILINE)
    return re.sub(r'(name="token" value|nonce|data-token|content)="[^"]*"', "", text)


def rows_of_the_shop(counter: Counter) -> dict[str, Any]:
    """All rows but those that note when somebody last looked."""
    return {table: rows for table, rows in all_rows(counter.tools.database).items() if table != "tick"}


def test_nothing_of_a_day_in_the_sandbox_is_in_any_list_file_count_promise_or_plan(counter: Counter) -> None:
    real = post(counter, role="store", order_ref="REAL")
    job = real["lines"][0]["jobs"][0]["id"]
    tasks.run_periodic(counter.tools)
    rows, shown = rows_of_the_shop(counter), everything_shown(counter, real["id"], job)
    files = {file for file in counter.tools.settings.data.rglob("*") if "sandbox" not in file.parts}

    made = a_day_in_the_sandbox(counter)
    with counter.tools.sandbox.tools().database.reading() as session:
        states = {row.state for row in session.scalars(select(Job))}
    after = everything_shown(counter, real["id"], job)

    assert len(made) == 9 and len(states) >= 7  # there was something to find
    assert rows_of_the_shop(counter) == rows
    assert [
        line for n in shown for line in ndiff(shown[n].splitlines(), after[n].splitlines()) if line[0] in "+-"
    ] == []
    assert len(shown) > 60
    assert {f for f in counter.tools.settings.data.rglob("*") if "sandbox" not in f.parts} == files
    assert not any(word in text for text in after.values() for word in ("SANDBOX", "Zenobia", "Ophelia"))


def test_nothing_in_the_sandbox_is_planned_or_loaded(counter: Counter, clock: SetClock) -> None:
    a_day_in_the_sandbox(counter)
    for _ in range(3):
        clock.advance(hours=2)
        tasks.run_periodic(counter.tools)

    taken = counter.ask("bench", "POST", "/v1/loads/next", {"station": "north", "operator": "Kit"})

    assert taken.status_code == 204
    for database in (counter.tools.database, counter.tools.sandbox.tools().database):
        with database.reading() as session:
            assert session.scalars(select(Load)).all() == []
    with counter.tools.sandbox.tools().database.reading() as session:
        assert session.scalars(select(KeptPlan)).all() == []


def test_no_task_that_plans_loads_or_moves_units_is_done_there(counter: Counter) -> None:
    """A new periodic task is not done in the sandbox unless somebody says so."""
    there = {job.name for job in tasks.periodic(counter.tools) if "in_sandbox" in job.work.__qualname__}

    assert there == {
        "send_test_callbacks",
        "take_test_batches",
        "forget_old_rows_of_tests",
        "forget_words_of_tests",
    }


# --- keys ---


def test_a_test_key_reads_nothing_of_the_shop_and_a_real_one_nothing_of_the_sandbox(counter: Counter) -> None:
    real, tried = post(counter, role="store", order_ref="REAL"), post(counter, order_ref="TRIED")

    lists = {
        role: [order["order_ref"] for order in counter.ask(role, "GET", "/v1/orders").json()["orders"]]
        for role in ("store", "owner", "test", "other_test", "other_store")
    }

    assert lists == {
        "store": ["REAL"],
        "owner": ["REAL"],
        "test": ["TRIED"],
        "other_test": [],
        "other_store": [],
    }
    assert "test" not in real
    assert tried["test"] is True
    assert advance(counter, real["id"], role="store").status_code == 404
    assert advance(counter, tried["id"], role="other_test").status_code == 404
    assert advance(counter, tried["id"], role="owner").status_code == 403
    for method, path in (
        ("GET", "/v1/stock"),
        ("GET", "/v1/plan"),
        ("GET", "/v1/backlog"),
        ("POST", "/v1/lots"),
    ):
        assert counter.ask("test", method, path, {}).status_code in {403}, path
    assert counter.client.post("/sign-in", data={"key": counter.keys["test"]}).status_code != 303


def test_a_key_made_to_look_like_the_other_kind_is_none(counter: Counter) -> None:
    for role, word in (("store", "_test_"), ("owner", "_test_"), ("test", "_store_"), ("test", "_owner_")):
        key = re.sub(r"_[a-z]+_", word, counter.keys[role], count=1)[:-7]
        counter.keys["forged"] = key + keys._checksum(key)

        assert counter.ask("forged", "GET", "/v1/orders").status_code == 401, (role, word)


def test_a_test_key_is_a_stores_and_units_of_tests_count_for_no_day(counter: Counter) -> None:
    with pytest.raises(BadRequest):
        counter.tools.sandbox.tools().database.write(
            lambda session: keys.new_key(
                session, Role.OWNER, client="x", now=counter.tools.clock(), who=SWEEP
            )
        )
    assert counter.tools.rates is not counter.tools.sandbox.tools().rates


def test_without_a_sandbox_a_test_key_is_unknown_and_none_is_made(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        key = "rcs_test_abcdefgh_" + "x" * 40
        counter.keys["test"] = key + keys._checksum(key)

        assert counter.ask("test", "GET", "/v1/orders").status_code == 401
        tasks.run_periodic(counter.tools)

        assert not counter.tools.settings.sandbox.data.exists()


def test_words_of_tests_are_kept_no_longer_than_those_of_orders(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with (
        an_open_counter(sqlite_database, clock, tmp_path, keep_words_days=30) as opened,
        with_test_keys(opened) as counter,
    ):
        order = post(counter, buyer={"name": "Zenobia"})
        advance(counter, order["id"], "handed_over")
        clock.advance(days=60)
        tasks.run_periodic(counter.tools)

        answer = counter.ask("test", "GET", f"/v1/orders/{order['id']}").json()

    assert answer["erased_at"] is not None
    assert "Zenobia" not in str(answer)


def test_on_postgresql_the_sandbox_is_a_schema_of_its_own(
    postgres_database: Database, tmp_path: Path
) -> None:
    url = postgres_database.engine.url.render_as_string(hide_password=False)
    settings = Settings(data=tmp_path, database_url=url)
    before = all_rows(postgres_database)
    assert not sandbox.is_made(settings, postgres_database.engine)
    database = sandbox.open_database(settings)
    try:
        sandbox.open_database(settings).engine.dispose()  # once more changes nothing
        assert sandbox.is_made(settings, postgres_database.engine)
        database.write(lambda s: s.add(Event(type="order.held", client="x", data={}, at=_now())))
        with database.reading() as session:
            assert session.scalar(text("SELECT current_schema()")) == sandbox.SCHEMA
            assert len(session.scalars(select(Event)).all()) == 1
        assert all_rows(postgres_database) == before
    finally:
        database.engine.dispose()
        with postgres_database.engine.begin() as connection:
            connection.execute(text(f"DROP SCHEMA {sandbox.SCHEMA} CASCADE"))


def _now() -> Any:
    from service.records import clock

    return clock.now()


def test_test_keys_are_made_listed_and_revoked_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = ["--data", str(tmp_path)]

    made = run(["keys", "new", "store", "--test", "--client", "web", *data])
    key = capsys.readouterr().out.strip()
    listed = run(["keys", "list", "--test", *data])
    said = capsys.readouterr().out
    refused = run(["keys", "new", "bench", "--test", *data])
    revoked = run(["keys", "revoke", "--test", key.split("_")[2], *data])

    assert (made, listed, refused, revoked) == (0, 0, 1, 0)
    assert keys.is_test_key(key)
    assert key.split("_")[2] in said
    assert "ricasso: --test: a test key is a store's" in capsys.readouterr().err
    engine = create_engine(f"sqlite:///{tmp_path}/sandbox/ricasso.sqlite3")
    with engine.connect() as connection:
        assert (
            connection.execute(text("SELECT count(*) FROM api_key WHERE revoked_at IS NOT NULL")).scalar()
            == 1
        )
    engine.dispose()
