"""Callbacks: every event reaches its store, signed, whatever the receiver does meanwhile."""

from __future__ import annotations

import json
import random
import threading
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.callbacks import deliveries as callbacks
from service.callbacks.callback_rows import Shares
from service.callbacks.deliveries import ROTATION_WINDOW, SCHEDULE, next_attempt
from service.callbacks.guarded_post import Answer
from service.intake import proof_links
from service.records import outgoing as messages
from service.records.db import Database
from service.records.errors import BadRequest, MoveNotAllowed, NotFound
from service.records.tables import Callback, Delivery, Event, IdempotentRequest, Order
from service.records.who import By, Role, Who
from tests.benches import Bench
from tests.clocks import MORNING, SetClock
from tests.counter import an_open_counter
from tests.signatures import verifies

STORE = Who(role=Role.STORE, client="garden-shop", name="garden-shop")
OTHER = Who(role=Role.STORE, client="other-shop", name="other-shop")
OWNER = Who(role=Role.OWNER, client="house", name="Ada")

Behave = Callable[[int], tuple[int, dict[str, str]] | None]


class Receiver:
    """A store's end: keeps what came and answers as told (None: hangs up without a word)."""

    def __init__(self, behave: Behave) -> None:
        self.behave = behave
        self.received: list[tuple[dict[str, str], bytes]] = []
        self.url = ""

    @property
    def ids(self) -> list[str]:
        return [headers["webhook-id"] for headers, _ in self.received]


@contextmanager
def receiving(behave: Behave = lambda _: (204, {})) -> Iterator[Receiver]:
    receiver = Receiver(behave)
    lock = threading.Lock()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            with lock:
                number = len(receiver.received)
                receiver.received.append(({k.lower(): v for k, v in self.headers.items()}, body))
            told = receiver.behave(number)
            if told is None:
                self.close_connection = True
                return
            status, headers = told
            self.send_response(status)
            for name, value in {"content-length": "0", **headers}.items():
                self.send_header(name, value)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    receiver.url = f"http://127.0.0.1:{server.server_address[1]}/hook"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def register(database: Database, url: str, who: Who = STORE) -> Callback:
    return database.write(
        lambda s: callbacks.register(s, url, client=None, by=By(who, MORNING), loopback_allowed=True)
    )


def listen(database: Database, url: str, who: Who = STORE) -> Callback:
    """A callback whose ping has arrived: what is told from now on is `ev_2` where it is the first."""
    callback = register(database, url, who)
    database.write(
        lambda s: s.execute(
            update(Delivery)
            .where(Delivery.callback_id == callback.id)
            .values(delivered_at=MORNING, next_at=None)
        )
    )
    return callback


def happen(
    database: Database, count: int = 1, kind: str = "order.accepted", client: str = "garden-shop"
) -> None:
    def write(session: Any) -> None:
        for number in range(count):
            messages.tell(session, kind, client=client, now=MORNING, order=f"O{number + 1}")

    database.write(write)


def send(database: Database, clock: SetClock) -> int:
    return callbacks.send_due(database, clock=clock, loopback_allowed=True)


def deliveries(database: Database) -> list[Delivery]:
    with database.reading() as session:
        told = select(Delivery).join(Event, Event.id == Delivery.event_id).where(Event.type != messages.PING)
        return list(session.scalars(told.order_by(Delivery.id)))


def only_callback(database: Database) -> Callback:
    with database.reading() as session:
        return session.scalars(select(Callback)).one()


def test_an_event_is_delivered_signed_and_thin(database: Database, clock: SetClock) -> None:
    with receiving() as receiver:
        callback = listen(database, receiver.url)
        happen(database)

        sent = send(database, clock)

    ((headers, body),) = receiver.received
    assert sent == 1
    assert verifies(callback.secret, headers, body)
    assert json.loads(body) == {
        "type": "order.accepted",
        "timestamp": "2026-11-24T08:00:00+00:00",
        "data": {"order": "O1"},
    }
    assert headers["webhook-timestamp"] == str(int(clock().timestamp()))
    assert deliveries(database)[0].delivered_at == clock()


def test_only_what_stores_are_told_is_delivered_and_only_to_the_store_it_is_about(
    database: Database, clock: SetClock
) -> None:
    with receiving() as receiver:
        listen(database, receiver.url)
        happen(database, kind="load.claimed")
        happen(database, client="other-shop")
        happen(database, kind="job.scrapped")

        send(database, clock)

    assert [json.loads(body)["type"] for _, body in receiver.received] == ["job.scrapped"]


@pytest.mark.parametrize("status", [302, 404, 500, 503])
def test_anything_but_2xx_is_sent_again_under_the_same_id(
    database: Database, clock: SetClock, status: int
) -> None:
    with receiving(
        lambda n: (status, {"location": "http://127.0.0.1:1/"}) if n == 0 else (200, {})
    ) as receiver:
        listen(database, receiver.url)
        happen(database)

        first = send(database, clock)
        at_once = send(database, clock)
        clock.advance(seconds=6)
        later = send(database, clock)

    assert (first, at_once, later) == (1, 0, 1)
    assert receiver.ids == ["ev_2", "ev_2"]
    assert receiver.received[0][0]["webhook-timestamp"] != receiver.received[1][0]["webhook-timestamp"]


def test_the_schedule_is_that_of_the_specification() -> None:
    """Ten attempts over 75 h 35 min 5 s (Standard Webhooks 1.0.0, "Deliverability and reliability")."""
    at, times = MORNING, [MORNING]
    for attempt in range(1, 10):
        following = next_attempt(attempt, Answer(500), now=at, jitter=0.0)
        assert following is not None
        at = following
        times.append(at)

    assert len(times) == len(SCHEDULE) == 10
    assert times[-1] - times[0] == timedelta(hours=75, minutes=35, seconds=5)
    assert next_attempt(10, Answer(500), now=at) is None


@pytest.mark.parametrize(
    ("asked", "wait"),
    [
        ("120", timedelta(seconds=120)),
        ("Tue, 24 Nov 2026 08:10:00 GMT", timedelta(minutes=10)),
        ("1", timedelta(seconds=5)),
        ("999999", timedelta(hours=24)),
        ("soon", timedelta(seconds=5)),
        ("-5", timedelta(seconds=5)),
    ],
)
def test_retry_after_is_honoured_within_reason(asked: str, wait: timedelta) -> None:
    following = next_attempt(1, Answer(429, retry_after=asked), now=MORNING, jitter=0.0)

    assert following == MORNING + wait


def test_jitter_spreads_over_a_tenth_of_the_pause() -> None:
    earliest = next_attempt(2, Answer(500), now=MORNING, jitter=0.0)
    latest = next_attempt(2, Answer(500), now=MORNING, jitter=1.0)

    assert (earliest, latest) == (MORNING + timedelta(seconds=300), MORNING + timedelta(seconds=330))


def test_410_ends_all_sending_there(database: Database, clock: SetClock) -> None:
    with receiving(lambda _: (410, {})) as receiver:
        listen(database, receiver.url)
        happen(database)
        send(database, clock)
        happen(database, count=3)
        clock.advance(days=1)

        after = send(database, clock)

    assert (len(receiver.received), after) == (1, 0)
    assert only_callback(database).disabled_why == "its receiver answered 410 Gone"
    with database.reading() as session:
        told = session.scalars(select(Event).where(Event.type == "callback.disabled")).all()
    assert [event.data["callback"] for event in told] == ["CB1"]


def test_ten_failures_end_a_delivery_and_a_dead_receiver_is_disabled(
    database: Database, clock: SetClock
) -> None:
    with receiving(lambda _: (500, {})) as receiver:
        listen(database, receiver.url)
        happen(database)

        for _ in range(12):
            send(database, clock)
            clock.advance(hours=27)

    assert len(receiver.received) == 10
    assert only_callback(database).disabled_why == "nothing could be delivered for three days"
    assert deliveries(database)[0].last_status == 500


def test_resending_begins_again_and_wakes_a_disabled_callback(database: Database, clock: SetClock) -> None:
    with receiving(lambda n: (410, {}) if n == 0 else (204, {})) as receiver:
        callback = listen(database, receiver.url)
        happen(database)
        send(database, clock)

        count = database.write(
            lambda s: callbacks.resend(s, callbacks.find(s, "CB1", who=STORE), by=By(STORE, clock()))
        )
        sent = send(database, clock)

    assert (count, sent, receiver.ids) == (1, 1, ["ev_2", "ev_2"])
    assert callback.id == 1
    assert only_callback(database).disabled_at is None


def test_both_secrets_verify_for_a_day_after_a_rotation(database: Database, clock: SetClock) -> None:
    with receiving() as receiver:
        old = listen(database, receiver.url).secret
        rotated = database.write(
            lambda s: callbacks.rotate(s, callbacks.find(s, "CB1", who=STORE), by=By(STORE, clock()))
        )
        happen(database)
        send(database, clock)
        clock.advance(seconds=ROTATION_WINDOW.total_seconds() + 1)
        happen(database)
        send(database, clock)

    fresh, late = receiver.received
    assert [verifies(secret, *fresh) for secret in (old, rotated.secret)] == [True, True]
    assert [verifies(secret, *late) for secret in (old, rotated.secret)] == [False, True]


def test_a_sender_that_died_is_followed_by_another(database: Database, clock: SetClock) -> None:
    with receiving() as receiver:
        listen(database, receiver.url)
        happen(database)
        database.write(
            lambda s: callbacks.rows.claim_due(
                s, now=clock(), until=clock() + timedelta(seconds=120), limit=9, shares=callbacks._SHARES
            )
        )

        while_claimed = send(database, clock)
        clock.advance(seconds=121)
        after = send(database, clock)

    assert (while_claimed, after, receiver.ids) == (0, 1, ["ev_2"])


def test_every_event_arrives_at_a_receiver_that_fails_a_third_of_the_time(
    database: Database, clock: SetClock
) -> None:
    seed = 20261124
    chance = random.Random(seed)
    faults: list[Any] = [
        (500, {}),
        None,
        (302, {"location": "http://127.0.0.1:1/"}),
        (429, {"retry-after": "60"}),
    ]
    with receiving(lambda _: chance.choice(faults) if chance.random() < 0.3 else (200, {})) as receiver:
        secret = listen(database, receiver.url).secret
        happen(database, count=50)

        rounds = 0
        while any(delivery.delivered_at is None for delivery in deliveries(database)):
            send(database, clock)
            clock.advance(hours=1)
            rounds += 1
            assert rounds < 200, f"seed {seed}"

    attempts = defaultdict(int)
    for headers, body in receiver.received:
        attempts[headers["webhook-id"]] += 1
        assert verifies(secret, headers, body)
    assert set(attempts) == {f"ev_{number}" for number in range(2, 52)}
    assert len(receiver.received) > 55, "the faults never struck, so nothing was shown"


def test_a_store_sees_its_own_callbacks_only(database: Database) -> None:
    listen(database, "http://127.0.0.1:9/", who=STORE)
    listen(database, "http://127.0.0.1:9/", who=OTHER)

    with database.reading() as session:
        seen = [[row.id for row in callbacks.listed(session, who=who)] for who in (STORE, OTHER, OWNER)]
        with pytest.raises(NotFound):
            callbacks.find(session, "CB2", who=STORE)

    assert seen == [[1], [2], [1, 2]]


@pytest.mark.parametrize(
    ("url", "client", "who", "field"),
    [
        ("http://127.0.0.1/", None, STORE, "url"),
        ("https://shop.example/", "other-shop", STORE, "client"),
        ("https://shop.example/", None, OWNER, "client"),
    ],
)
def test_registering_what_can_not_be_names_the_field(
    database: Database, url: str, client: str | None, who: Who, field: str
) -> None:
    with pytest.raises(BadRequest) as refused:
        database.write(lambda s: callbacks.register(s, url, client=client, by=By(who, MORNING)))

    assert refused.value.about == {"field": field}


def test_a_callback_is_registered_once_per_key_and_its_secret_is_changed_over_http(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    told = {"url": "https://93.184.216.34/hook"}
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        first = counter.ask("store", "POST", "/v1/callbacks", told, Idempotency_Key="callback-1")
        again = counter.ask("store", "POST", "/v1/callbacks", told, Idempotency_Key="callback-1")
        keyless = counter.ask("store", "POST", "/v1/callbacks", told)
        listed = counter.ask("store", "GET", "/v1/callbacks").json()["callbacks"]
        rotated = counter.ask("store", "POST", "/v1/callbacks/CB1/rotate-secret").json()
        by_desk = counter.ask("desk", "POST", "/v1/callbacks/CB1/rotate-secret")
    with sqlite_database.reading() as session:
        (kept,) = session.scalars(select(IdempotentRequest))

    assert first.json()["secret"] not in f"{kept.body}{kept.headers}"
    assert (first.status_code, again.status_code, keyless.status_code) == (201, 201, 400)
    assert again.json() == {**first.json(), "secret": None}
    assert first.headers["Location"] == "/v1/callbacks/CB1"
    assert [one["id"] for one in listed] == ["CB1"]
    assert "secret" not in listed[0]
    assert rotated["secret"] != first.json()["secret"]
    assert rotated["previous_secret_until"] == (clock() + ROTATION_WINDOW).isoformat().replace("+00:00", "Z")
    assert by_desk.status_code == 403


# --- one order's events, one after another ---


def test_what_is_told_of_an_order_waits_for_what_was_told_of_it_before(
    database: Database, clock: SetClock
) -> None:
    with receiving() as receiver, receiving() as other:
        receiver.behave = lambda n: (
            500 if receiver.ids[: n + 1].count("ev_3") == 1 and receiver.ids[n] == "ev_3" else 204,
            {},
        )
        listen(database, receiver.url)
        listen(database, other.url)
        for kind in ("order.accepted", "job.engraved", "order.released"):
            happen(database, 1 if kind != "job.engraved" else 2, kind)

        send(database, clock)
        came_before = [_told(body) for _, body in receiver.received]
        clock.advance(seconds=6)
        send(database, clock)
        came = [_told(body) for _, body in receiver.received]

    assert sorted(came_before) == [("job.engraved", "O2"), ("order.accepted", "O1")]
    assert [kind for kind, order in came if order == "O1"] == [
        "order.accepted",
        "order.accepted",
        "job.engraved",
        "order.released",
    ]
    assert len(other.ids) == 4


def _told(body: bytes) -> tuple[str, str]:
    said = json.loads(body)
    return said["type"], said["data"]["order"]


def test_an_event_that_was_given_up_holds_up_none_after_it(database: Database, clock: SetClock) -> None:
    def happen_to_another(session: Session) -> None:
        messages.tell(session, "order.held", client="garden-shop", now=clock(), order="O9")

    with receiving() as receiver:
        receiver.behave = lambda n: (500 if receiver.ids[n] == "ev_2" else 204, {})
        listen(database, receiver.url)
        happen(database)
        happen(database, kind="order.released")
        for _ in SCHEDULE:
            assert "ev_3" not in receiver.ids
            database.write(happen_to_another)
            send(database, clock)
            clock.advance(hours=27)

    assert receiver.ids.count("ev_2") == len(SCHEDULE)
    assert receiver.ids.count("ev_3") == 1


def test_of_each_delivery_the_last_ten_attempts_are_kept_with_time_and_answer(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    who = Who(role=Role.STORE, client="store-1", name="store-1")
    began = clock()
    with (
        receiving(lambda n: (500 + n, {}) if n < 11 else (204, {})) as receiver,
        an_open_counter(sqlite_database, clock, tmp_path) as counter,
    ):
        listen(sqlite_database, receiver.url, who)
        happen(sqlite_database, client="store-1")
        for _ in range(10):
            send(sqlite_database, clock)
            clock.advance(hours=27)
        resent = counter.ask("store", "POST", "/v1/callbacks/CB1/resend", {}).json()["resent"]
        for _ in range(2):
            send(sqlite_database, clock)
            clock.advance(hours=27)
        told, _ping = counter.ask("store", "GET", "/v1/callbacks/CB1").json()["deliveries"]

    assert resent == 1
    assert [one["status"] for one in told["tries"]] == [*range(502, 511), 204]
    assert told["tries"][0]["at"] == (began + timedelta(hours=54)).isoformat().replace("+00:00", "Z")


# --- what was given up ---


def give_up(database: Database, *, which: Callable[[Event], bool] = lambda _: True) -> None:
    """As after the last attempt."""

    def write(session: Session) -> None:
        told = select(Delivery, Event).join(Event, Event.id == Delivery.event_id)
        for delivery, event in session.execute(told.where(Event.type != messages.PING)):
            if which(event):
                delivery.next_at, delivery.attempts = None, len(SCHEDULE)

    database.write(write)


def test_all_that_was_given_up_is_listed_page_by_page_and_sent_again_one_or_all(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    path = "/v1/callbacks/CB1/given-up"
    with an_open_counter(sqlite_database, clock, tmp_path) as counter, receiving() as receiver:
        listen(sqlite_database, receiver.url, Who(role=Role.STORE, client="store-1", name="store-1"))
        happen(sqlite_database, 60, client="store-1")
        give_up(sqlite_database, which=lambda event: event.data["order"] != "O60")

        newest = counter.ask("store", "GET", path)
        rest = counter.ask("store", "GET", newest.headers["Link"].partition("<")[2].partition(">")[0])
        listed = [one["id"] for page in (newest, rest) for one in page.json()["deliveries"]]
        one = counter.ask("store", "POST", "/v1/callbacks/CB1/resend", {"deliveries": [listed[-1]]})
        left = len(counter.ask("owner", "GET", f"{path}?limit=100").json()["deliveries"])
        others = counter.ask("other_store", "GET", path)
        send(sqlite_database, clock)
        first = set(receiver.ids)
        every = counter.ask("store", "POST", "/v1/callbacks/CB1/resend", {})
        send(sqlite_database, clock)

    assert (len(newest.json()["deliveries"]), len(set(listed))) == (50, 59)
    assert "Link" not in rest.headers
    assert (one.json(), left, others.status_code) == ({"resent": 1}, 58, 404)
    assert first == {"ev_2", "ev_61"}
    assert every.json() == {"resent": 58}
    assert len(receiver.ids) == len(set(receiver.ids)) == 60


def test_what_waits_for_an_address_to_which_nothing_is_sent_is_given_up(
    database: Database, clock: SetClock
) -> None:
    with receiving(lambda _: (410, {})) as receiver:
        listen(database, receiver.url)
        happen(database)
        send(database, clock)

    with database.reading() as session:
        row = callbacks.find(session, "CB1", who=STORE)
        assert callbacks.rows.count_given_up(session, row) == 1
        assert len(callbacks.rows.given_up(session, row, limit=9)) == 1


def test_the_owner_s_page_shows_what_was_given_up_beyond_the_newest_and_each_attempt(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter, receiving(lambda _: (503, {})) as one:
        listen(sqlite_database, one.url)
        happen(sqlite_database, 51)
        send(sqlite_database, clock)
        give_up(sqlite_database)
        counter.client.post("/sign-in", data={"key": counter.keys["owner"], "name": "Ada"})

        front = counter.client.get("/owner/callbacks").text
        page = counter.client.get("/owner/callbacks/CB1/given-up").text
        older = counter.client.get("/owner/callbacks/CB1/given-up?before=DV3").text

    assert 'All that were given up: 51<span class="unseen"> CB1' in front
    assert page.count('name="delivery"') == 50
    assert "?before=DV3" in page
    assert page.count("· 503</li>") == 50
    assert older.count('name="delivery"') == 1
    assert "Older deliveries" not in older


# --- receivers that hang ---


def _hanging(url: str, until: threading.Event, begun: list[str] | None = None) -> Callable[..., Answer]:
    """A post that one receiver leaves without an answer for as long as the test likes, as if time were up."""
    post = callbacks.posting.post

    def posted(to: str, **given: Any) -> Answer:
        if to != url:
            return post(to, **given)
        if begun is not None:
            begun.append(to)
        assert until.wait(20)
        return Answer(0, error="no answer in time", is_late=True)

    return posted


def _wait_for(is_so: Callable[[], bool], *, seconds: float = 10) -> None:
    for _ in range(int(seconds / 0.005)):
        if is_so():
            return
        threading.Event().wait(0.005)


def test_a_receiver_that_hangs_keeps_nobody_else_waiting(
    database: Database, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control gives every receiver as large a share as there is: then the one that hangs takes it all."""
    let_go, begun = threading.Event(), list[str]()
    url = "http://127.0.0.1:9/hangs"
    monkeypatch.setattr(callbacks.posting, "post", _hanging(url, let_go, begun))
    listen(database, url, OTHER)

    def delivered_beside_it(share: Shares, *, longest: float) -> int:
        monkeypatch.setattr(callbacks, "_SHARES", share)
        let_go.clear()
        begun.clear()
        with receiving() as receiver:
            mine = listen(database, receiver.url)
            happen(database, 40, client=OTHER.client)
            sending = threading.Thread(target=send, args=(database, clock))
            sending.start()
            _wait_for(lambda: len(begun) == min(40, share.callback, callbacks._AT_ONCE))
            happen(database, 20)
            _wait_for(lambda: len(receiver.ids) == 20, seconds=longest)
            reached = len(receiver.ids)
            let_go.set()
            sending.join()
        database.write(lambda s: callbacks.remove(s, mine, by=By(STORE, clock())))
        return reached

    everything = callbacks._AT_ONCE
    naive = delivered_beside_it(  # every place is taken before the neighbour has anything to be told
        Shares(everything, 1_000, everything, everything),
        longest=1,
    )
    clock.advance(days=4)
    shared = delivered_beside_it(Shares(callback=2, late=1_000, late_callback=1, client=4), longest=10)

    assert naive == 0
    assert shared == 20


def test_a_receiver_that_is_late_again_and_again_is_left_alone_longer_each_time(
    database: Database, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_once = threading.Event()
    at_once.set()
    url = "http://127.0.0.1:9/late"
    monkeypatch.setattr(callbacks.posting, "post", _hanging(url, at_once))
    listen(database, url)
    happen(database, 3)

    tried = send(database, clock)
    rest = only_callback(database).rests_until
    happen(database, 5)
    clock.advance(seconds=29)
    in_its_rest = send(database, clock)
    clock.advance(seconds=1)
    afterwards = send(database, clock)
    longer = only_callback(database).rests_until

    assert (tried, in_its_rest, afterwards) == (3, 0, 1)
    assert rest == MORNING + timedelta(seconds=30)
    assert longer == clock() + timedelta(seconds=60)


def test_an_answer_of_any_kind_ends_the_rests(
    database: Database, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    post, late = callbacks.posting.post, [True, True, True]
    monkeypatch.setattr(
        callbacks.posting,
        "post",
        lambda to, **given: Answer(0, is_late=True) if late and late.pop() else post(to, **given),
    )
    with receiving(lambda _: (500, {})) as receiver:
        listen(database, receiver.url)
        happen(database, 3)
        send(database, clock)
        rested = only_callback(database).rests_until
        happen(database)
        clock.advance(seconds=40)
        send(database, clock)

    assert rested is not None
    assert (only_callback(database).late_answers, only_callback(database).rests_until) == (0, None)


def test_a_callback_that_was_removed_stays_removed(database: Database, clock: SetClock) -> None:
    callback = listen(database, "http://127.0.0.1:9/gone")
    happen(database)
    database.write(lambda s: callbacks.remove(s, callback, by=By(STORE, clock())))

    with pytest.raises(MoveNotAllowed):
        database.write(
            lambda s: callbacks.resend(s, callbacks.find(s, "CB1", who=STORE), by=By(STORE, clock()))
        )

    assert send(database, clock) == 0


def test_a_store_may_have_ten_callbacks_and_a_removed_one_makes_room(
    database: Database, clock: SetClock
) -> None:
    first, *_ = [listen(database, f"http://127.0.0.1:9/{number}") for number in range(10)]

    with pytest.raises(BadRequest):
        listen(database, "http://127.0.0.1:9/eleventh")
    listen(database, "http://127.0.0.1:9/of-another-store", OTHER)
    database.write(lambda s: callbacks.remove(s, first, by=By(STORE, clock())))

    assert listen(database, "http://127.0.0.1:9/eleventh").id


def test_an_address_is_told_a_ping_when_it_is_registered_and_no_other_is(
    database: Database, clock: SetClock
) -> None:
    with receiving() as receiver, receiving() as other:
        listen(database, other.url)
        callback = register(database, receiver.url)

        assert send(database, clock) == 1

    [(headers, body)] = receiver.received
    assert verifies(callback.secret, headers, body)
    assert (json.loads(body)["type"], json.loads(body)["data"]) == ("ping", {"callback": "CB2"})
    assert other.ids == []


def test_a_store_is_told_that_its_buyer_wishes_for_a_change(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    bench = Bench(database, clock, tmp_path)
    bench.order()
    by = By(Who(role=Role.DESK, client="house", name="Dora"), bench.clock())

    def wish(session: Session) -> None:
        token, *_ = proof_links.make(session, session.get_one(Order, 1), secret=b"a test's secret", by=by)
        proof_links.ask_for_change(session, token, "Nan", secret=b"a test's secret", now=by.at)

    with receiving() as receiver:
        listen(bench.database, receiver.url, Who(role=Role.STORE, client="store-1", name="store-1"))
        bench.database.write(wish)
        send(bench.database, bench.clock)

    [(_, body)] = receiver.received
    assert json.loads(body)["type"] == "order.change_requested"
    ref = bench.database.write(lambda s: s.get_one(Order, 1).order_ref)
    assert json.loads(body)["data"] == {"order": "O1", "order_ref": ref}


def test_a_test_goes_to_one_callback_alone_and_to_none_that_was_removed(
    database: Database, clock: SetClock
) -> None:
    by = By(OWNER, clock())
    with receiving() as receiver, receiving() as other:
        for one in (receiver, other):
            listen(database, one.url)
        database.write(lambda s: callbacks.ping(s, callbacks.find(s, "CB1", who=OWNER), by=by))

        assert send(database, clock) == 1
        assert (len(receiver.ids), other.ids) == (1, [])

    database.write(lambda s: callbacks.remove(s, callbacks.find(s, "CB1", who=OWNER), by=by))
    with pytest.raises(MoveNotAllowed):
        database.write(lambda s: callbacks.ping(s, callbacks.find(s, "CB1", who=OWNER), by=by))
