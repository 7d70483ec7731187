"""The whole shop over HTTP, driven by chance and held against a simple model of what clients know.

Two stores, the desk and two operators at one station; a receiver of callbacks that fails or is slow to say
that it succeeded; a broker that loses and doubles; a process that may be killed before or after any of its
commits and then forgets everything but the rows. Words are checked by a stand-in for geometry (squares), so
that a step takes milliseconds; everything else is the service as it runs.

The model knows only what clients were told: which orders were acknowledged, under which key and with which
answer; what was counted into bins; which starts were confirmed; what the receiver has seen; what is left of
supplies, whether the day's check was done, and which photos were kept; which boxes packing has, which orders
left and when, and which were made again in an order of their own.
"""

from __future__ import annotations

import hashlib
import io
import itertools
import shutil
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from anyio.from_thread import start_blocking_portal
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from PIL import Image
from sqlalchemy import select
from structlog.testing import capture_logs

from layout.check.feasibility import Checked, CheckResult
from layout.shop.findings import Finding, Severity, Verdict
from layout.shop.inscriptions import Inscription, TextInscription
from layout.shop.loads import Mark, Place
from layout.shop.people import Pickups
from layout.shop.shop import Shop
from layout.shop.upkeep import Routine
from service.audit.look import look
from service.callbacks import deliveries
from service.callbacks.guarded_post import Answer
from service.photos import photos
from service.photos.develop import develop
from service.plan import promises
from service.records.db import Database
from service.records.errors import Refusal
from service.records.ids import JOB, LOAD, ORDER, PHOTO, UNIT, WORK_ORDER, number, public
from service.records.outgoing import TOLD
from service.records.tables import (
    Base,
    BuiltUnit,
    BurnStart,
    Callback,
    CatalogueVersion,
    Delivery,
    Event,
    History,
    Job,
    Load,
    MarkPhoto,
    Order,
    Outbox,
    Remake,
    RoutineEntry,
    SupplyChange,
    SupplyLeft,
)
from service.records.who import SWEEP, Role
from service.requests import keys
from service.running import relay, tasks
from service.running.outbox_rows import Hint
from service.shop.settings import Settings
from service.shop.tools import Tools
from tests.benches import (
    BenchShelf,
    HereGeometry,
    a_bench_shop,
    a_square,
    eligible_places,
    kept_up,
    put_stock,
    turning_plate,
)
from tests.clocks import SetClock, a_clock
from tests.counter import a_key_of, an_app
from tests.golden.turns import SATIN
from tests.models.mortal import Death, Killed, MortalDatabase
from tests.models.must_hold import Seen, all_holds, seen_now
from tests.servers import empty_all_tables
from tests.signatures import verifies

STORES = ("store", "other_store")
OPERATORS = ("Kit", "Ines")
#: Units of the product in each of the two bins when the day begins.
BOXED = 3
#: Words, by what the check says of them.
WORDS = st.sampled_from(["Anna", "Anna", "Anna", "refuse", "review"])
#: On which faces; none: nothing is engraved, and packing fetches the unit.
FACES = st.sampled_from([("mark_side",), ("mark_side",), ("mark_side", "pile_side"), ()])
ZONES = {"mark_side": "flat", "pile_side": "back"}
DEATHS = st.builds(Death, after=st.integers(0, 3), committed=st.booleans())
#: Of a process that works on, mostly.
PERHAPS = st.one_of(st.none(), st.none(), DEATHS)
KEPT = timedelta(hours=72)
#: A check of every day, without which no load is given out and nothing is burned.
WINDOW = Routine("window", "Look at the window", "Laser off, key out.", "day", stops=True)
ROUTINE = "/v1/stations/s1/routines/window"
#: The carrier comes every day at this second of it, in UTC; the clock stands at whole ones.
CUT_OFF_S = 16 * 3600 + 0.5
PICKUPS = Pickups(tuple(day * 86_400 + CUT_OFF_S for day in range(7)), 600.0)
SHELVES = ("P1", "P2")
#: Bags go one for each unit and one for each load; parcels with orders handed over only.
SUPPLIES = ("bags", "bags", "parcels")


def _drawn(grey: int) -> bytes:
    """A small picture, as a camera might send it."""
    file = io.BytesIO()
    Image.new("L", (12, 8), grey).save(file, "JPEG")
    return file.getvalue()


PHOTOS = (_drawn(60), _drawn(200))
_OF_LEAVING = ("order.handed_over", "order.hand_over_taken_back")


class SquareGeometry(HereGeometry):
    """Every inscription becomes a square where its zone is; the words say what the check finds."""

    def __init__(self, shop: Shop) -> None:
        super().__init__()
        self._shop = shop

    def work(self, function: Any, *arguments: Any, seconds: float | None = None) -> Any:
        """Photos are made harmless as ever, and held against nothing."""
        if function is develop:
            arguments = (arguments[0], None)
        return super().work(function, *arguments, seconds=seconds)

    def check(
        self,
        sku: str,
        inscriptions: Sequence[Inscription],
        *,
        in_force: Any,
        client: str | None = None,
        store: str | None = None,
    ) -> CheckResult:
        said = " ".join(one.text for one in inscriptions if isinstance(one, TextInscription))
        faces = {zone: face for face, zone in ZONES.items()}
        if "refuse" in said:
            finding = Finding("too_many_characters", Severity.REFUSE, "These words can't be engraved.")
            return CheckResult(
                Verdict.REFUSE, (finding,), tuple(Checked(one, faces[one.zone]) for one in inscriptions)
            )
        marks = tuple(Mark(one.zone, faces[one.zone], SATIN, a_square()) for one in inscriptions)
        places = eligible_places(self._shop, self._shop.products[sku].blade, [mark.face for mark in marks])
        review = Finding("mixed_directions", Severity.REVIEW, "A person should look at these words.")
        return CheckResult(
            Verdict.REVIEW if "review" in said else Verdict.ACCEPT,
            (review,) if "review" in said else (),
            tuple(
                Checked(one, mark.face, ("Anna",), 3.0, mark=mark)
                for one, mark in zip(inscriptions, marks, strict=True)
            ),
            marks,
            frozenset(Place(*place) for place in places),
        )


@dataclass
class Posted:
    """An order as its store knows it: `text` is the acknowledgement, None while there was none."""

    role: str
    key: str
    body: dict[str, Any]
    at: Any
    text: str | None = None
    is_forgotten: bool = False  # the key; the reference never is

    @property
    def ref(self) -> tuple[str, str]:
        return self.role, self.body["order_ref"]

    @property
    def units(self) -> int:
        return sum(line["quantity"] for line in self.body["lines"])


@dataclass
class Receiver:
    """A store's end of its callbacks: what came, by address; every signature must hold."""

    secrets: dict[str, list[str]] = field(default_factory=dict)
    seen: dict[tuple[str, str], bytes] = field(default_factory=dict)
    mood: str = "takes"

    def post(self, url: str, *, headers: Any, body: bytes, loopback_allowed: bool = False) -> Answer:
        if self.mood == "fails":
            return Answer(500)
        if self.mood == "hangs":
            return Answer(0, error="no answer in time", is_late=True)
        assert any(verifies(secret, headers, body) for secret in self.secrets[url]), "a wrong signature"
        first = self.seen.setdefault((url, headers["webhook-id"]), body)
        assert first == body, "one id with two bodies"
        return Answer(0, error="ReadError") if self.mood == "takes and hangs up" else Answer(204)


class ShopMachine(RuleBasedStateMachine):
    """See the module."""

    database: Database
    folder: Path
    patch: pytest.MonkeyPatch
    portal: Any
    #: Steps between two looks of the audit, which takes longer than a step.
    audited_every: int

    def __init__(self) -> None:
        super().__init__()
        if self.database.is_sqlite:
            with self.database.engine.begin() as connection:
                for table in reversed(Base.metadata.sorted_tables):
                    connection.execute(table.delete())
        else:
            self.database.engine.dispose()  # its own connections are thrown out with the others
            empty_all_tables(self.database.engine)
        self.clock: SetClock = a_clock()
        shop = kept_up(a_bench_shop(turning_plate(slots=3, copies=2)), WINDOW)
        self.shop = replace(shop, policy=replace(shop.policy, shelves=SHELVES, pickups=PICKUPS))
        shutil.rmtree(self.folder / photos.FOLDER, ignore_errors=True)  # of the day before
        self.keys: dict[str, str] = {}
        self.database.write(self._prepare)
        self.receiver = Receiver()
        self.patch.setattr(deliveries.posting, "post", self.receiver.post)
        self.patch.setattr(deliveries, "_AT_ONCE", 1)  # in an order that can be repeated
        self.numbers = itertools.count(1)
        self.posted: list[Posted] = []
        self.waits: list[Posted] = []  # their store has no answer yet, and asks again
        self.arrived = 2 * BOXED
        self.starts: Counter[tuple[str, int, str]] = Counter()  # confirmed, by load, turn and file
        self.told_states: set[tuple[str, str]] = set()  # confirmed, by load
        self.tags: dict[str, list[str]] = {}  # every ETag that was ever given out, by load
        self.told_stocked: set[int] = set()  # built units that were confirmed in a bin
        self.cancelled: dict[int, int] = {}  # by job: starts when it was cancelled
        self.left: dict[str, int] = {}  # of each supply that was ever counted or refilled
        self.window: tuple[bool, datetime] | None = None  # how it was found last, and when
        self.photos: dict[int, str] = {}  # confirmed and not deleted since: what is kept of each
        self.erased: set[int] = set()  # orders
        self.sisters: set[tuple[str, str]] = set()  # orders of one unit that is made again: client, reference
        self.made_elsewhere: dict[int, int] = {}  # units that left: the one of those that was made last
        self.gathered: set[int] = set()  # boxes that packing has
        self.away: dict[int, datetime] = {}  # orders, and when they were handed over
        self.told_of: Counter[tuple[int, str]] = Counter()  # what is told of an order's leaving, how often
        self.broker: list[Hint] = []
        self.steps = 0
        self.boots()

    def _prepare(self, session: Any) -> None:
        for role in Role:
            self.keys[role.value] = a_key_of(session, role, now=self.clock())
        self.keys["other_store"] = keys.new_key(
            session, Role.STORE, client="store-2", now=self.clock(), who=SWEEP
        )
        session.add(CatalogueVersion(version=self.shop.version, loaded_at=self.clock(), content={}))
        put_stock(session, self.shop, boxed=BOXED)

    # --- processes ---

    def boots(self) -> None:
        """A process begins: it knows the rows and nothing else."""
        self.process = MortalDatabase(self.database.engine)
        self.tools = Tools(
            database=self.process,
            settings=Settings(data=self.folder, lease_seconds=900, sweep_seconds=1.0),
            catalogue=BenchShelf(self.shop),  # type: ignore[arg-type]
            geometry=SquareGeometry(self.shop),  # type: ignore[arg-type]
            clock=self.clock,
        )
        self.client = TestClient(an_app(self.tools))
        self.client.portal = self.portal  # one event loop for all requests, instead of one each

    def ask(self, role: str, method: str, path: str, body: Any = None, **headers: str) -> Any:
        """An answer, or None when the process died before it had answered; then another one begins. A body
        of bytes is sent as it is."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        named["Authorization"] = f"Bearer {self.keys[role]}"
        try:
            sent: dict[str, Any] = {"content": body} if isinstance(body, bytes) else {"json": body}
            answer = self.client.request(method, path, headers=named, **sent)
        except Exception:
            if not self.process.is_dead:
                raise
            answer = None
        if self.process.is_dead:
            self.boots()
            return None
        assert answer is not None
        assert answer.status_code < 500, answer.text
        return answer

    def asked_until_answered(self, role: str, method: str, path: str, body: Any, **headers: str) -> Any:
        """As a client asks who has no answer yet, under one key."""
        while True:
            answer = self.ask(role, method, path, body, **headers)
            if answer is None:
                continue
            if answer.json().get("code") != "request_in_flight":
                return answer
            self.clock.advance(seconds=int(answer.headers["Retry-After"]))

    def in_background(self, work: Any) -> bool:
        """Whether it came to its end."""
        try:
            work(self.tools)
        except Killed:
            pass
        except Refusal:
            assert not self.process.is_dead
        if self.process.is_dead:
            self.boots()
            return False
        return True

    @rule(death=DEATHS)
    def the_process_will_be_killed(self, death: Death) -> None:
        self.process.die(death)

    def may_die(self, death: Death | None) -> None:
        if death is not None:
            self.process.die(death)

    @rule(seconds=st.sampled_from([60, 60, 1000, 20_000, 300_000]))
    def time_passes(self, seconds: int) -> None:
        self.clock.advance(seconds=seconds)

    # --- stores ---

    @initialize()
    def a_backlog(self) -> None:
        self.address_comes("store")
        self.order_comes("store", "Anna", ("mark_side", "pile_side"), 2, "none")
        self.order_comes("other_store", "Anna", ("mark_side",), 2, "none")

    @rule(
        role=st.sampled_from(STORES),
        words=WORDS,
        faces=FACES,
        quantity=st.integers(1, 3),
        proof=st.sampled_from(["none", "none", "none", "buyer"]),
    )
    def order_comes(self, role: str, words: str, faces: Sequence[str], quantity: int, proof: str) -> None:
        number = next(self.numbers)
        inscriptions = [{"zone": ZONES[face], "text": words, "font": "Lato-Bold.ttf"} for face in faces]
        line = {"line_ref": "1", "sku": "PARER", "quantity": quantity, "inscriptions": inscriptions}
        ship_by = (self.clock() + timedelta(days=3 + number % 7)).isoformat()
        body = {"order_ref": f"W-{number}", "ship_by": ship_by, "proof": proof, "lines": [line]}
        posted = Posted(role, f"key-key-{number}", body, self.clock())
        self.posted.append(posted)
        self.waits.append(posted)
        self.post(posted)

    @rule(death=DEATHS, role=st.sampled_from(STORES))
    def the_process_dies_under_an_order(self, death: Death, role: str) -> None:
        self.process.die(death)
        self.order_comes(role, "Anna", ("mark_side",), 1, "none")
        if self.waits:
            self.post(self.waits[0])

    def post(self, posted: Posted) -> None:
        """Send an order that has no answer yet; what a killed process claimed lapses as the answer says."""
        for _ in range(3):
            answer = self.ask(posted.role, "POST", "/v1/orders", posted.body, Idempotency_Key=posted.key)
            if answer is None:
                return
            if answer.status_code != 409:
                break
            assert answer.json()["code"] == "request_in_flight", answer.text
            wait_s = int(answer.headers["Retry-After"])
            assert 1 <= wait_s <= 6
            self.clock.advance(seconds=wait_s)
        assert answer.status_code == 201, answer.text
        posted.text = answer.text
        self.waits.remove(posted)

    @precondition(lambda self: self.waits)
    @rule()
    def a_store_asks_again(self) -> None:
        self.post(self.waits[0])

    @rule(data=st.data(), how=st.sampled_from(["same", "same", "other body", "other key", "other store"]))
    def a_post_is_doubled(self, data: st.DataObject, how: str) -> None:
        answered = [posted for posted in self.posted if posted.text is not None]
        if not answered:
            return
        posted = data.draw(st.sampled_from(answered))
        body, key, role = posted.body, posted.key, posted.role
        if how == "other store":
            role = next(store for store in STORES if store != role)
            if any(one.role == role and one.key == key for one in self.posted):
                return
            again = Posted(role, key, body, self.clock())
            self.posted.append(again)
            self.waits.append(again)
            self.post(again)  # its own order: keys and references are a store's own
            return
        if how == "other body":
            body = {**body, "order_ref": f"{body['order_ref']}-b"}
            if posted.is_forgotten:
                return  # a new order, as any other
        elif how == "other key":
            key = f"{key}-{next(self.numbers)}"
        answer = self.ask(role, "POST", "/v1/orders", body, Idempotency_Key=key)
        if answer is None:
            return
        if how == "other body":
            assert (answer.status_code, answer.json()["code"]) == (422, "idempotency_key_reused")
        elif how == "other key" or posted.is_forgotten:
            assert answer.status_code == 409, answer.text
            assert answer.json()["code"] in {"order_ref_taken", "request_in_flight"}
        else:
            assert (answer.status_code, answer.text) == (201, posted.text)
            assert answer.headers["Idempotency-Replayed"] == "true"

    @rule(data=st.data(), is_loaded=st.booleans())
    def an_order_is_cancelled(self, data: st.DataObject, is_loaded: bool) -> None:
        """Perhaps one of which a unit is in a load, and may be in hand or burning."""
        in_loads = {job.order_id for job in self.jobs() if is_loaded and job.state == "loaded"}
        known = [one for one in self.known_orders() if not in_loads or one[0] in in_loads]
        if not known:
            return
        number, role = data.draw(st.sampled_from(known))
        answer = self.ask(role, "POST", f"/v1/orders/O{number}/cancel", {}, If_Match="*")
        assert answer is None or answer.status_code in {200, 409}, answer.text
        for job in self.jobs():
            if job.state == "cancelled" and job.id not in self.cancelled:
                assert answer is None or answer.status_code == 200
                self.cancelled[job.id] = self.starts_of(job.id)

    @rule(data=st.data(), words=WORDS)
    def words_are_changed(self, data: st.DataObject, words: str) -> None:
        known = self.known_orders()
        if not known:
            return
        number, role = data.draw(st.sampled_from(known))
        body = {"inscriptions": [{"zone": "flat", "text": words, "font": "Lato-Bold.ttf"}]}
        answer = self.ask(role, "PATCH", f"/v1/orders/O{number}/lines/1", body, If_Match="*")
        assert answer is None or answer.status_code in {200, 409}, answer.text

    @rule(data=st.data(), by=st.sampled_from(["desk", "desk", "buyer"]))
    def the_desk_approves(self, data: st.DataObject, by: str) -> None:
        held = sorted({job.order_id for job in self.jobs() if job.state == "held"})
        if not held:
            return
        body = {"by": by, "said_by": "A. Buyer" if by == "buyer" else ""}
        number = data.draw(st.sampled_from(held))
        answer = self.ask("desk", "POST", f"/v1/orders/O{number}/approve", body, If_Match="*")
        assert answer is None or answer.status_code in {200, 409}, answer.text

    # --- callbacks ---

    @precondition(lambda self: len(self.receiver.secrets) < 4)
    @rule(role=st.sampled_from(STORES))
    def address_comes(self, role: str) -> None:
        number = next(self.numbers)
        url = f"https://receiver.example/{role}/{number}"
        answer = self.ask(
            "owner" if number % 2 else role,
            "POST",
            "/v1/callbacks",
            {"url": url, "client": _client(role)},
            Idempotency_Key=f"callback-{number}",
        )
        with self.database.reading() as session:  # the secret may be lost with the answer; then it is rotated
            for callback in session.scalars(select(Callback).where(Callback.url == url)):
                self.receiver.secrets[url] = [callback.secret]
        if answer is not None and answer.status_code == 201:
            assert answer.json()["secret"] == self.receiver.secrets[url][0]
        else:
            assert answer is None or answer.status_code == 422  # there are enough

    @rule(data=st.data(), what=st.sampled_from(["rotate-secret", "resend", "resend", "remove"]))
    def an_address_is_seen_to(self, data: st.DataObject, what: str) -> None:
        callbacks = self.callbacks()
        if not callbacks:
            return
        callback = data.draw(st.sampled_from(callbacks))
        path = f"/v1/callbacks/CB{callback.id}"
        if what == "remove":
            self.ask("owner", "DELETE", path)
        elif what == "resend":
            answer = self.ask("owner", "POST", f"{path}/resend", {})
            is_removed = callback.disabled_why == "removed"
            assert answer is None or answer.status_code == (409 if is_removed else 200), answer.text
        else:
            self.ask("owner", "POST", f"{path}/rotate-secret")
            secret = next(one.secret for one in self.callbacks() if one.id == callback.id)
            self.receiver.secrets[callback.url].append(secret)

    @rule(mood=st.sampled_from(["takes", "takes", "fails", "hangs", "takes and hangs up"]))
    def deliveries_go_out(self, mood: str) -> None:
        self.receiver.mood = mood
        self.in_background(tasks.send_callbacks)

    # --- tasks ---

    @rule(broker=st.sampled_from(["takes", "takes", "takes and fails", "fails"]))
    def hints_are_sent(self, broker: str) -> None:
        def publish(hint: Hint) -> None:
            if broker != "fails":
                self.broker.append(hint)
            if broker != "takes":
                raise ConnectionError("the broker went away")

        self.in_background(lambda tools: relay.send_due(tools.database, publish, clock=tools.clock))

    @precondition(lambda self: self.broker)
    @rule(data=st.data(), is_kept=st.booleans())
    def a_worker_takes_a_hint(self, data: st.DataObject, is_kept: bool) -> None:
        """In any order; a hint that is kept comes again."""
        hint = self.broker[data.draw(st.integers(0, len(self.broker) - 1))]
        if not is_kept:
            self.broker.remove(hint)
        self.in_background(lambda tools: tasks.run(tools, hint.id))

    @precondition(lambda self: self.broker)
    @rule()
    def the_broker_forgets(self) -> None:
        self.broker.clear()

    @rule(what=st.sampled_from(["sweeps", "sweeps", "plans"]))
    def the_background_works(self, what: str) -> None:
        if what == "plans":
            self.in_background(promises.keep_promises)
            return
        before = self.clock()
        if self.in_background(lambda tools: tasks.run_periodic(tools, lanes={tasks.SWEEPS})):
            for posted in self.posted:
                if posted.at < before - KEPT:
                    posted.is_forgotten = self.is_forgotten(posted)

    def is_forgotten(self, posted: Posted) -> bool:
        from service.requests import idempotency_rows

        with self.database.reading() as session:
            row = idempotency_rows.find(
                session, client=_client(posted.role), route="POST /v1/orders", key=posted.key
            )
        return row is None

    # --- stock ---

    @rule(more=st.sampled_from([-1, 1, 1, 2]), bin_name=st.sampled_from(["A1", "B1"]))
    def stock_is_counted(self, more: int, bin_name: str) -> None:
        before = self.boxed(bin_name)
        count = {"bin": bin_name, "sku": "PARER", "boxed": max(0, before + more)}
        answer = self.ask("desk", "PUT", "/v1/stock", {"counts": [count]})
        assert answer is None or answer.status_code in {200, 409}, answer.text
        self.arrived += self.boxed(bin_name) - before
        assert answer is None or answer.status_code == 409 or self.boxed(bin_name) == count["boxed"]

    @precondition(lambda self: self.cancelled)
    @rule(twice=st.booleans())
    def units_are_put_back(self, twice: bool) -> None:
        answer = self.ask("bench", "GET", "/v1/pulls")
        for one in [] if answer is None else answer.json()["put_backs"]:
            first = self.ask("bench", "POST", f"/v1/jobs/{one['job']}/put-back", {})
            assert first is None or first.status_code == 200, first.text
            if twice and first is not None:
                again = self.ask("bench", "POST", f"/v1/jobs/{one['job']}/put-back", {})
                assert again is None or again.status_code == 409, again.text

    @rule(data=st.data(), units=st.integers(1, 3), twice=st.booleans())
    def boxes_are_moved(self, data: st.DataObject, units: int, twice: bool) -> None:
        came_from, to = data.draw(st.permutations(["A1", "B1"]))
        body = {"from": came_from, "to": to, "sku": "PARER", "units": units}
        key, before = f"boxes-moved-{next(self.numbers)}", self.all_boxed()
        first = self.ask("bench", "POST", "/v1/stock/moves", body, Idempotency_Key=key)
        assert first is None or first.status_code in {201, 409}, first.text
        there = self.boxed(to)
        if twice and first is not None and first.status_code == 201:
            again = self.ask("bench", "POST", "/v1/stock/moves", body, Idempotency_Key=key)
            assert again is None or again.text == first.text
            assert self.boxed(to) == there
        assert self.all_boxed() == before

    @rule(data=st.data(), more=st.sampled_from([-1, 0, 1]), bin_name=st.sampled_from(["A1", "B1"]))
    def a_bin_is_counted_by_tablet(self, data: st.DataObject, more: int, bin_name: str) -> None:
        """Begun, counted and taken, or left open for whoever comes next."""
        before = self.boxed(bin_name)
        count = self.ask("bench", "POST", "/v1/stock/counts", {"bin": bin_name})
        if count is None:
            return
        at, wanted = f"/v1/stock/counts/{count.json()['id']}", max(0, before + more)
        said = self.ask(
            "bench", "POST", f"{at}/counted", {"counted": {"PARER": wanted}}, If_Match=count.json()["etag"]
        )
        assert said is None or said.status_code == 200, said.text
        assert self.boxed(bin_name) == before, "shown before it is taken"
        if said is None or data.draw(st.booleans()):
            return
        taken = self.ask("bench", "POST", f"{at}/take", {"sure": ["PARER"]}, If_Match=said.json()["etag"])
        assert taken is None or taken.status_code in {200, 409}, taken.text
        assert taken is None or self.boxed(bin_name) == (wanted if taken.status_code == 200 else before)
        self.arrived += self.boxed(bin_name) - before

    # --- assembly ---

    @precondition(lambda self: len(self.built()) < 12)
    @rule(quantity=st.integers(1, 3), twice=st.booleans())
    def units_are_to_be_built(self, quantity: int, twice: bool) -> None:
        body = {"sku": "PARER", "quantity": quantity, "due": "2030-01-31T16:00:00Z"}
        key = f"work-order-{next(self.numbers)}"
        first = self.ask("owner", "POST", "/v1/work-orders", body, Idempotency_Key=key)
        assert first is None or first.status_code == 201, first.text
        if twice and first is not None:
            again = self.ask("owner", "POST", "/v1/work-orders", body, Idempotency_Key=key)
            assert again is None or again.text == first.text

    @precondition(lambda self: self.built())
    @rule(
        data=st.data(),
        what=st.sampled_from(["pass", "pass", "put-in", "put-in", "rework", "give-up", "scan", "cancel"]),
        twice=st.booleans(),
    )
    def a_unit_is_worked_at(self, data: st.DataObject, what: str, twice: bool) -> None:
        unit = data.draw(st.sampled_from(self.built()))
        name, before = public(UNIT, unit.id), self.all_boxed()
        bad = {"reason": "other", "note": "loose"}
        bodies = {"pass": {"points": []}, "put-in": {"bin": "B1"}, "rework": bad, "give-up": bad}
        for _ in range(2 if twice else 1):
            if what == "scan":
                answer = self.ask("bench", "POST", "/v1/assembly/scan", {"code": name, "bin": "A1"})
            elif what == "cancel":
                at = f"/v1/work-orders/{public(WORK_ORDER, unit.work_order_id)}/cancel"
                answer = self.ask("owner", "POST", at, {"reason": "no steel"}, If_Match="*")
            else:
                answer = self.ask("bench", "POST", f"/v1/built-units/{name}/{what}", bodies[what])
            assert answer is None or answer.status_code in {200, 409}, answer.text
            if answer is not None and answer.status_code == 200 and what == "put-in":
                self.told_stocked.add(unit.id)
        more = self.all_boxed() - before
        assert more in {0, 1}, "counted twice"
        assert more == 0 or what in {"put-in", "scan"}
        self.arrived += more

    # --- remakes ---

    @rule(data=st.data(), twice=st.booleans(), death=PERHAPS)
    def a_released_unit_is_made_again(self, data: st.DataObject, twice: bool, death: Death | None) -> None:
        """In its order while that is here, in an order of its own where that has left."""
        released = [job for job in self.jobs() if job.state == "released" and job.order_id not in self.erased]
        if not released:
            return
        job = data.draw(st.sampled_from(released))
        order = self.order(job.order_id)
        ship_by = (self.clock() + timedelta(days=5)).isoformat()
        body = {"line_ref": "1", "unit": job.unit, "reason": "damaged", "pays": "shop", "ship_by": ship_by}
        at, key = f"/v1/orders/O{job.order_id}/remakes", f"remake-{next(self.numbers)}"
        self.may_die(death)
        first = self.asked_until_answered("desk", "POST", at, body, Idempotency_Key=key)
        if first.json().get("code") == "remade_already":
            assert self.is_made_elsewhere(job.id), "made again once, and not known"
            return
        assert (first.status_code, first.json()["job"]) == (201, public(JOB, job.id)), first.text
        assert not self.is_made_elsewhere(job.id), "made again twice"
        made = first.json()["made"]
        if job.order_id in self.away:
            sister = next(
                name
                for again in itertools.count(1)
                if (name := (order.client, f"{order.order_ref}-R{again}")) not in self.sisters
            )
            self.sisters.add(sister)
            self.made_elsewhere[job.id] = number(ORDER, made["order"])
            assert (made["order"] != public(ORDER, order.id), made["order_ref"]) == (True, sister[1])
        else:
            self.gathered.discard(job.id)
            assert made["order"] == public(ORDER, order.id), "made elsewhere, though its order is here"
        if twice:
            again = self.ask("desk", "POST", at, body, Idempotency_Key=key)
            assert again is None or again.text == first.text
            other = self.ask("desk", "POST", at, body, Idempotency_Key=f"{key}-b")
            assert other is None or other.json()["code"] == "remade_already", other.text

    def is_made_elsewhere(self, job_id: int) -> bool:
        """By an order that was not called off."""
        order_id = self.made_elsewhere.get(job_id)
        return order_id is not None and all(
            job.state != "cancelled" for job in self.jobs() if job.order_id == order_id
        )

    @rule(data=st.data(), to=st.sampled_from(["not_returned", "polishing", "stocked", "stocked", "scrapped"]))
    def a_first_unit_is_seen_to(self, data: st.DataObject, to: str) -> None:
        with self.database.reading() as session:
            remakes = session.scalars(select(Remake.id).order_by(Remake.id)).all()
        if not remakes:
            return
        number, bin_name = data.draw(st.sampled_from(remakes)), "A1"
        before = self.boxed(bin_name)
        body = {"returned": to, "bin": bin_name} if to == "stocked" else {"returned": to}
        answer = self.ask("bench", "POST", f"/v1/remakes/R{number}/returned", body)
        assert answer is None or answer.status_code in {200, 409}, answer.text
        self.arrived += self.boxed(bin_name) - before
        assert to == "stocked" or self.boxed(bin_name) == before

    # --- packing ---

    @rule(data=st.data(), is_open=st.booleans(), twice=st.booleans(), death=PERHAPS)
    def something_is_scanned_at_packing(
        self, data: st.DataObject, is_open: bool, twice: bool, death: Death | None
    ) -> None:
        """A box from anywhere, with any order open on the tablet, or none."""
        jobs = self.jobs()
        if not jobs:
            return
        job = data.draw(st.sampled_from(jobs))
        opened = data.draw(st.sampled_from([job.order_id, *(one for one, _ in self.known_orders())]))
        self.may_die(death)
        for _ in range(2 if twice else 1):
            self.scan(job.id, opened if is_open else None)

    @precondition(lambda self: any(job.state == "released" for job in self.jobs()))
    @rule(data=st.data(), hands_over=st.integers(0, 2), death=PERHAPS)
    def an_order_is_packed(self, data: st.DataObject, hands_over: int, death: Death | None) -> None:
        """All that is here of one, or all but a box; it is handed over so many times, complete or not."""
        orders = sorted({job.order_id for job in self.jobs() if job.state == "released"})
        here = [one for one in orders if one not in self.away] or orders
        order_id = data.draw(st.sampled_from(here))
        boxes = [job.id for job in self.units_of(order_id)]
        luck = data.draw(st.integers(0, 3)) > 0
        self.may_die(death)
        for job_id in boxes if luck else boxes[1:]:
            self.scan(job_id, order_id)
        for _ in range(hands_over):
            self.hand_over(order_id)

    @precondition(lambda self: self.told_of)
    @rule(data=st.data(), hours=st.sampled_from([0, 0, 7, 20]), taps=st.integers(1, 2), death=PERHAPS)
    def a_hand_over_is_taken_back(
        self, data: st.DataObject, hours: int, taps: int, death: Death | None
    ) -> None:
        """Of an order that left, or that was here all the time."""
        orders = [*self.away, *self.away, *(one for one, _ in self.known_orders())]
        order_id = data.draw(st.sampled_from(orders))
        self.clock.advance(hours=hours)
        self.may_die(death)
        for _ in range(taps):
            self.take_back(order_id)

    def scan(self, job_id: int, opened: int | None) -> None:
        """The label of a box; the barcode, where nothing is engraved and it stands in its bin."""
        job = next(one for one in self.jobs() if one.id == job_id)
        is_in_bin = job.is_plain and job.state == "ready" and job.bin is not None
        if is_in_bin and opened == job.order_id:
            self.fetch(opened)
            return
        is_wanted = (
            job.state == "released" and job.order_id not in self.away and opened in {None, job.order_id}
        )
        body = {"code": public(JOB, job_id)} | ({} if opened is None else {"order": public(ORDER, opened)})
        answer = self.ask("bench", "POST", "/v1/packing/scan", body)
        if answer is not None and is_wanted:
            what = "gathered_before" if job_id in self.gathered else "gathered"
            assert (answer.status_code, answer.json()["what"]) == (200, what), answer.text
        elif answer is not None:
            assert (answer.status_code, answer.json()["code"]) == (409, "wrong_box"), answer.text
        if is_wanted and (answer is not None or job_id in self.at_packing()):
            self.gathered.add(job_id)

    def fetch(self, order_id: int) -> None:
        """One of its units on which nothing is engraved comes from its bin; which one is the service's."""
        before = self.at_packing()
        body = {"code": "PARER", "order": public(ORDER, order_id)}
        answer = self.ask("bench", "POST", "/v1/packing/scan", body)
        more = self.at_packing() - before
        assert len(more) == 1 if answer is not None else len(more) <= 1
        assert answer is None or (answer.status_code, answer.json()["what"]) == (200, "fetched"), answer.text
        assert answer is None or {answer.json()["job"]} == {public(JOB, job) for job in more}
        self.gathered |= more

    def hand_over(self, order_id: int) -> None:
        units = self.units_of(order_id)
        missing = [public(JOB, job.id) for job in units if job.id not in self.gathered]
        is_new = order_id not in self.away and bool(units) and not missing
        answer = self.ask("bench", "POST", f"/v1/orders/{public(ORDER, order_id)}/hand-over")
        if answer is not None and not is_new and order_id not in self.away:
            assert answer.status_code == 409, f"handed over, and {missing} not there"
            assert sorted(answer.json().get("missing", [])) == sorted(missing)
        elif answer is not None:
            assert (answer.status_code, answer.json()["state"]) == (200, "handed_over"), answer.text
        if is_new and (answer is not None or self.order(order_id).handed_over_at is not None):
            self.away[order_id] = self.clock()
            self.told_of[order_id, "order.handed_over"] += 1
            if "parcels" in self.left:
                self.left["parcels"] = max(0, self.left["parcels"] - 1)

    def take_back(self, order_id: int) -> None:
        """Once, before the carrier was here."""
        left = self.away.get(order_id)
        is_new = left is not None and self.clock() < _carrier_after(left) and order_id not in self.erased
        is_new = is_new and not any(job.id in self.made_elsewhere for job in self.units_of(order_id))
        was_before = left is None and self.told_of[order_id, "order.hand_over_taken_back"] > 0
        answer = self.ask("bench", "DELETE", f"/v1/orders/{public(ORDER, order_id)}/hand-over")
        if answer is not None:
            assert answer.status_code == (200 if is_new or was_before else 409), answer.text
            assert answer.status_code == 409 or "handed_over_at" not in answer.json()
        if is_new and (answer is not None or self.order(order_id).handed_over_at is None):
            del self.away[order_id]
            self.told_of[order_id, "order.hand_over_taken_back"] += 1
            if "parcels" in self.left:
                self.left["parcels"] += 1

    # --- supplies and routine checks ---

    @rule(
        supply=st.sampled_from(SUPPLIES),
        what=st.sampled_from(["refill", "count"]),
        pieces=st.integers(1, 6),
        taps=st.integers(1, 2),
        death=PERHAPS,
    )
    def a_supply_is_seen_to(
        self, supply: str, what: str, pieces: int, taps: int, death: Death | None
    ) -> None:
        """Of two taps of one page one counts, whether the first was answered or not."""
        self.may_die(death)
        seen = self.said_of(supply)
        body = {"pieces" if what == "refill" else "left": pieces, "seen": seen}
        answers = [self.ask("bench", "POST", f"/v1/supplies/{supply}/{what}", body) for _ in range(taps)]
        assert all(answer is None or answer.status_code == 200 for answer in answers)
        said = self.said_of(supply)
        assert said == seen + 1 if any(answer is not None for answer in answers) else said in {seen, seen + 1}
        if said > seen:
            self.left[supply] = pieces + (self.left.get(supply, 0) if what == "refill" else 0)
        assert all(answer is None or answer.json()["left"] == self.left[supply] for answer in answers)

    @rule(result=st.sampled_from(["ok", "ok", "not_ok"]), taps=st.integers(1, 2), death=PERHAPS)
    def the_window_is_looked_at(self, result: str, taps: int, death: Death | None) -> None:
        self.may_die(death)
        self.note_window(result, times=taps)

    def note_window(self, result: str, *, times: int) -> None:
        """Of two taps of one page one counts."""
        seen = len(self.entries())
        body = {"result": result, "seen": seen}
        answers = [self.ask("bench", "POST", ROUTINE, body) for _ in range(times)]
        assert all(answer is None or answer.status_code == 200 for answer in answers)
        assert all(answer is None or answer.json()["number"] == seen + 1 for answer in answers)
        more = len(self.entries()) - seen
        assert more == 1 if any(answer is not None for answer in answers) else more in {0, 1}
        if more:
            self.window = (result == "ok", self.clock())

    def is_window_due(self) -> bool:
        """The shop is always open, and its days are those of UTC."""
        if self.window is None:
            return True
        is_ok, at = self.window
        return not is_ok or at.date() != self.clock().date()

    # --- photos ---

    @rule(data=st.data(), sent=st.sampled_from(PHOTOS), twice=st.booleans(), death=PERHAPS)
    def a_photo_is_sent(self, data: st.DataObject, sent: bytes, twice: bool, death: Death | None) -> None:
        """Of one face that was burned, or by mistake the same of all of them."""
        with self.database.reading() as session:
            query = select(BurnStart.job_id, BurnStart.face, Job.order_id)
            query = query.join(Job, Job.id == BurnStart.job_id).distinct()
            burned = sorted(tuple(row) for row in session.execute(query))
        if not burned:
            return
        job_id, face, order_id = data.draw(st.sampled_from(burned))
        self.may_die(death)
        faces = [face, *(other for job, other, _ in burned if job == job_id and other != face)]
        for one in faces if data.draw(st.booleans()) else faces[:1]:
            at, before = f"/v1/jobs/{public(JOB, job_id)}/photos?face={one}", len(self.photos_of(job_id))
            told = {}
            for _ in range(2 if twice else 1):
                answer = self.ask("bench", "POST", at, sent, Content_Type="image/jpeg")
                assert answer is None or answer.status_code == (404 if order_id in self.erased else 201)
                if answer is not None and answer.status_code == 201:
                    told[number(PHOTO, answer.json()["id"])] = answer.json()["sha256"]
            assert len(told) <= 1, "one file, two photos"
            assert len(self.photos_of(job_id)) - before in {0, 1}
            self.photos |= told
        self.pictures_are_there(job_id)

    @rule(
        data=st.data(),
        what=st.sampled_from(["share", "share no longer", "delete", "delete"]),
        twice=st.booleans(),
        death=PERHAPS,
    )
    def a_photo_is_seen_to(self, data: st.DataObject, what: str, twice: bool, death: Death | None) -> None:
        with self.database.reading() as session:
            query = select(MarkPhoto.id, MarkPhoto.job_id, Job.order_id).join(Job, Job.id == MarkPhoto.job_id)
            known = sorted(tuple(row) for row in session.execute(query))
        if not known:
            return
        photo_id, job_id, order_id = data.draw(st.sampled_from(known))
        at = f"/v1/photos/{public(PHOTO, photo_id)}"
        self.may_die(death)
        for place in range(2 if twice else 1):
            if what == "delete":
                is_there = any(photo.id == photo_id for photo in self.photos_of(job_id))
                answer = self.ask("desk", "DELETE", at)
                if not any(photo.id == photo_id for photo in self.photos_of(job_id)):
                    self.photos.pop(photo_id, None)
                expected = 204 if is_there else 404
                assert place == 0 or is_there == (answer is None or answer.status_code == 204)
            else:
                answer = self.ask("desk", "POST", f"{at}/share", {"shared": what == "share"})
                expected = 200
            if order_id in self.erased:
                expected = 404
            assert answer is None or answer.status_code == expected, answer.text
            row = next((photo for photo in self.photos_of(job_id) if photo.id == photo_id), None)
            if answer is not None and order_id not in self.erased:
                assert (row is None) == (what == "delete")
                assert row is None or (row.shared_at is not None) == (what == "share")
        self.pictures_are_there(job_id)

    @rule(data=st.data(), twice=st.booleans(), death=PERHAPS)
    def an_order_is_erased(self, data: st.DataObject, twice: bool, death: Death | None) -> None:
        """One of which its store has an answer."""
        waiting = {(_client(posted.role), posted.body["order_ref"]) for posted in self.waits}
        with self.database.reading() as session:
            orders = session.execute(select(Order.id, Order.client, Order.order_ref).order_by(Order.id)).all()
        known = [order for order in orders if (order.client, order.order_ref) not in waiting]
        if not known:
            return
        self.may_die(death)
        self.erase(data.draw(st.sampled_from(known)).id, times=2 if twice else 1)

    def erase(self, order_id: int, *, times: int = 1) -> None:
        order = self.order(order_id)
        jobs = [job for job in self.jobs() if job.order_id == order.id]
        is_over = all(job.state in {"released", "scrapped", "cancelled"} for job in jobs)
        shown = [photo for job in jobs for photo in self.photos_of(job.id)]
        at = f"/v1/orders/{public(ORDER, order.id)}/erase"
        for _ in range(times):
            answer = self.ask("desk", "POST", at, {"reason": "the buyer wishes it"})
            assert answer is None or answer.status_code == (200 if is_over else 409), answer.text
        with self.database.reading() as session:
            is_erased = session.scalars(select(Order.erased_at).where(Order.id == order.id)).one() is not None
        assert is_over or not is_erased
        if is_over:  # files go before the rows do
            for photo in shown:
                self.photos.pop(photo.id, None)
        if not is_erased:
            return
        self.erased.add(order.id)
        for posted in self.posted:
            if (_client(posted.role), posted.body["order_ref"]) == (order.client, order.order_ref):
                posted.is_forgotten = True
        for photo in shown:
            gone = self.ask("desk", "GET", f"/v1/photos/{public(PHOTO, photo.id)}.jpg")
            assert gone is None or gone.status_code == 404, "a picture of an order that was erased"
        for job in jobs:
            assert not (self.folder / photos.FOLDER / public(JOB, job.id)).exists()

    def pictures_are_there(self, job_id: int) -> None:
        """Whatever became of others of the same unit."""
        rows = {photo.id for photo in self.photos_of(job_id)}
        for photo_id, sha256 in self.photos.items():
            if photo_id in rows:
                picture = self.folder / photos.FOLDER / public(JOB, job_id) / f"{sha256}.jpg"
                assert picture.is_file(), "a picture is lost"
                assert hashlib.sha256(picture.read_bytes()).hexdigest() == sha256

    # --- the bench ---

    @rule(data=st.data(), operator=st.sampled_from(OPERATORS))
    def an_operator_works(self, data: st.DataObject, operator: str) -> None:
        self.works(data, operator, is_lucky=False)

    @rule(data=st.data(), operator=st.sampled_from(OPERATORS))
    def an_operator_has_a_good_day(self, data: st.DataObject, operator: str) -> None:
        self.works(data, operator, is_lucky=True)

    @rule(data=st.data(), death=DEATHS)
    def the_process_dies_under_an_operator(self, data: st.DataObject, death: Death) -> None:
        self.works(data, "Kit", is_lucky=True)
        self.process.die(death)
        self.works(data, "Kit", is_lucky=False)

    def works(self, data: st.DataObject, operator: str, *, is_lucky: bool) -> None:
        """Asks for a load and goes on with one that is active, with a bit of bad luck."""
        if self.is_window_due() and (is_lucky or data.draw(st.booleans())):
            self.note_window("ok", times=1)
        is_stopped, known = self.is_window_due(), len(self.loads())
        given = self.ask("bench", "POST", "/v1/loads/next", {"station": "s1", "operator": operator})
        if given is not None and given.status_code == 409 and given.json()["code"] == "routine_due":
            assert is_stopped, "stopped by a check that was done"
        assert not is_stopped or len(self.loads()) == known, "given out while a check stops the station"
        active = [load.id for load in self.loads() if load.state not in {"closed", "dropped"}]
        if not active:
            return
        identity = public(LOAD, data.draw(st.sampled_from(active)))
        for _ in range(8 - data.draw(st.integers(0, 7))):
            answer = self.ask("bench", "GET", f"/v1/loads/{identity}")
            if answer is None:
                return
            load = self.note(answer.json())
            if load["state"] in {"closed", "dropped"}:
                return
            luck = (lambda: True) if is_lucky else (lambda: data.draw(st.integers(0, 4)) > 0)
            what, body = self.next_act(load, luck, data)
            answer = self.act(load["id"], load["etag"], what, body)
            if answer is None or answer.status_code != 200:
                return

    def act(self, identity: str, etag: str, what: str, body: Any) -> Any:
        """A write on a load; what is confirmed is noted."""
        load_id = number(LOAD, identity)
        is_release = what == "release" and self.row_of(load_id).state != "closed"
        units = self.units_in(identity) if is_release else 0
        answer = self.ask("bench", "POST", f"/v1/loads/{identity}/{what}", body, If_Match=etag)
        if is_release and self.row_of(load_id).state == "closed" and "bags" in self.left:
            self.left["bags"] = max(
                0, self.left["bags"] - units - 1
            )  # one for the load, if all were scrapped
        if what == "start" and self.is_window_due():
            assert answer is None or answer.status_code != 200, "burned while a check stops the station"
        if answer is not None and answer.status_code == 200:
            load = self.note(answer.json())
            self.told_states.add((identity, load["state"]))
            if what == "start":
                self.starts[identity, body["turn"], body["file_sha256"]] += 1
        return answer

    def note(self, load: dict[str, Any]) -> dict[str, Any]:
        tags = self.tags.setdefault(load["id"], [])
        if load["etag"] not in tags:
            tags.append(load["etag"])
        return load

    def next_act(  # noqa: PLR0911  a table of states
        self, load: dict[str, Any], luck: Any, data: st.DataObject
    ) -> tuple[str, Any]:
        """What an operator does who sees this load."""
        turn = load["current_turn"]
        slots = load["turns"][turn - 1]["slots"]
        jobs = [one["job"] for one in load["jobs"]]
        state = load["state"]
        to_pull = {
            one["job"]: "found" if luck() else "missing" for one in load["jobs"] if one["unit"] == "to_pull"
        }
        if state in {"claimed", "pulled", "turning"} and load["mounted"] is None:
            return "mounted", {"turn": turn, "copy": load["copy"], "how": "scanned"}
        if state == "claimed" or (state in {"pulled", "turning"} and to_pull):
            return "pulled", {"jobs": to_pull}
        if state in {"pulled", "turning"}:
            if not luck():
                if state == "pulled":
                    return "drop", None
                return "inspect", {"jobs": {jobs[0]: {"result": "pass"}}}
            fits = {
                slot["slot"]: "seated" if luck() else "does_not_fit"
                for slot in slots
                if slot["state"] == "planned"
            }
            return "seated", {"turn": turn, "slots": fits}
        if state == "seated":
            if not luck():
                return "pulled", {"jobs": {jobs[0]: "blemished"}}
            return "start", {"turn": turn, "file_sha256": load["turns"][turn - 1]["file_sha256"] or "0" * 64}
        if state == "burning" and luck():
            return "finish", {"turn": turn}
        if state in {"burning", "interrupted"}:
            doubtful = self.in_doubt(load["id"])
            if doubtful:
                outcome = st.sampled_from(["clean", "partial", "complete"])
                return "resolve", {
                    "jobs": {
                        job: {face: data.draw(outcome) for face in faces} for job, faces in doubtful.items()
                    }
                }
            if luck():
                return "again", {"turn": turn, "jobs": jobs[:1], "reason": "partial"}
            return "inspect", {"jobs": {jobs[0]: {"result": "scrap", "reason": "slipped"}}}
        left = [one["job"] for one in load["jobs"] if one["state"] == "engraved"]
        if not left:
            return "release", None
        if not luck():
            if data.draw(st.booleans()):
                return "again", {"turn": turn, "jobs": jobs[:1], "reason": "faint"}
            return "inspect", {"jobs": {left[0]: {"result": "scrap", "reason": "slipped"}}}
        return "inspect", {"jobs": {job: {"result": "pass"} for job in left}}

    @precondition(lambda self: any(len(tags) > 1 for tags in self.tags.values()))
    @rule(data=st.data())
    def tablets_that_slept_wake_up(self, data: st.DataObject) -> None:
        """Each sends what it would be right to do next, or that its holder is still there: with any tag but
        the present one nothing may change."""
        for load in self.loads():
            identity = public(LOAD, load.id)
            now = f'"{load.fence}.{load.revision}"'
            old = [tag for tag in self.tags.get(identity, []) if tag != now]
            seen = self.ask("bench", "GET", f"/v1/loads/{identity}") if old else None
            if seen is None:
                continue
            for what, body in (self.next_act(seen.json(), lambda: True, data), ("renew", None)):
                before = self.row_of(load.id)
                answer = self.ask("bench", "POST", f"/v1/loads/{identity}/{what}", body, If_Match=old[-1])
                assert answer is None or answer.status_code in {409, 412}, (what, answer.text)
                assert self.row_of(load.id) == before

    # --- what the rows say ---

    def jobs(self) -> list[Job]:
        with self.database.reading() as session:
            return list(session.scalars(select(Job).order_by(Job.id)))

    def order(self, order_id: int) -> Order:
        with self.database.reading() as session:
            return session.get_one(Order, order_id)

    def units_of(self, order_id: int) -> list[Job]:
        """What is neither cancelled nor scrapped."""
        gone = {"cancelled", "scrapped"}
        return [job for job in self.jobs() if job.order_id == order_id and job.state not in gone]

    def at_packing(self) -> set[int]:
        with self.database.reading() as session:
            return set(session.scalars(select(Job.id).where(Job.gathered_at.is_not(None))))

    def loads(self) -> list[Load]:
        with self.database.reading() as session:
            return list(session.scalars(select(Load).order_by(Load.id)))

    def callbacks(self) -> list[Callback]:
        with self.database.reading() as session:
            return list(session.scalars(select(Callback).order_by(Callback.id)))

    def row_of(self, load_id: int) -> Any:
        with self.database.reading() as session:
            return session.execute(select(Load.__table__).where(Load.id == load_id)).one()

    def boxed(self, bin_name: str) -> int:
        return next(row.boxed for row in seen_now(self.database).stock if row.bin == bin_name)

    def all_boxed(self) -> int:
        return sum(row.boxed for row in seen_now(self.database).stock)

    def units_in(self, identity: str) -> int:
        return sum(claim.load_id == int(identity[1:]) for claim in seen_now(self.database).claims)

    def said_of(self, supply: str) -> int:
        with self.database.reading() as session:
            row = session.get(SupplyLeft, supply)
        return 0 if row is None else row.said

    def entries(self) -> list[RoutineEntry]:
        with self.database.reading() as session:
            return list(session.scalars(select(RoutineEntry).order_by(RoutineEntry.number)))

    def photos_of(self, job_id: int) -> list[MarkPhoto]:
        with self.database.reading() as session:
            return list(session.scalars(select(MarkPhoto).where(MarkPhoto.job_id == job_id)))

    def built(self) -> list[BuiltUnit]:
        with self.database.reading() as session:
            return list(session.scalars(select(BuiltUnit).order_by(BuiltUnit.id)))

    def starts_of(self, job_id: int) -> int:
        with self.database.reading() as session:
            return len(session.scalars(select(BurnStart).where(BurnStart.job_id == job_id)).all())

    def in_doubt(self, identity: str) -> dict[str, list[str]]:
        """Faces whose burn has no end, by job."""
        found: dict[str, list[str]] = {}
        with self.database.reading() as session:
            query = select(BurnStart).where(
                BurnStart.load_id == int(identity[1:]), BurnStart.outcome.is_(None)
            )
            for start in session.scalars(query):
                found.setdefault(public(JOB, start.job_id or 0), []).append(start.face)
        return found

    def known_orders(self) -> list[tuple[int, str]]:
        """Number and role of the store, of every order on record."""
        with self.database.reading() as session:
            rows = session.execute(select(Order.id, Order.client).order_by(Order.id)).all()
        return [(row.id, "store" if row.client == "store-1" else "other_store") for row in rows]

    # --- what must hold ---

    @invariant()
    def all_that_must_hold_holds(self) -> None:
        self.clock.advance(seconds=1)
        seen = seen_now(self.database)
        all_holds(seen, arrived=self.arrived)
        self.acknowledged_orders_are_there_once()
        self.confirmed_work_is_on_record(seen)
        self.what_is_used_up_is_counted()
        self.what_left_is_told_once()
        stocked = {unit.id for unit in self.built() if unit.state == "stocked"}
        assert self.told_stocked <= stocked, "told that it stands in a bin, and lost"
        for job_id, before in self.cancelled.items():
            assert sum(start.job_id == job_id for start in seen.starts) == before, "cancelled, then started"
        self.steps += 1
        if self.steps % self.audited_every == 0:
            self.the_audit_is_clean()

    def what_is_used_up_is_counted(self) -> None:
        with self.database.reading() as session:
            left = {row.supply: row.remaining for row in session.scalars(select(SupplyLeft))}
            used = session.execute(
                select(SupplyChange.supply, SupplyChange.load_id).where(
                    SupplyChange.what == "used", SupplyChange.load_id.is_not(None)
                )
            )
            loads = Counter(tuple(row) for row in used)
            photos_there = set(session.scalars(select(MarkPhoto.id)))
        assert left == self.left
        assert max(loads.values(), default=0) <= 1, "used twice by one load"
        assert set(self.photos) <= photos_there, "a photo that was confirmed is lost"

    def what_left_is_told_once(self) -> None:
        with self.database.reading() as session:
            orders = session.execute(select(Order.id, Order.shelf, Order.handed_over_at)).all()
            events = session.scalars(select(Event).where(Event.type.in_(_OF_LEAVING)))
            told = Counter((number(ORDER, event.data["order"]), event.type) for event in events)
        assert {order.id for order in orders if order.handed_over_at is not None} == set(self.away)
        assert self.at_packing() == self.gathered
        assert told == self.told_of
        standing = Counter(order.shelf for order in orders if order.shelf and order.id not in self.away)
        assert max(standing.values(), default=0) <= 1, "two orders on one shelf"

    def the_audit_is_clean(self) -> None:
        report = look(self.database.engine, None)
        assert [damage.says for damage in report.damage] == []

    def acknowledged_orders_are_there_once(self) -> None:
        ref = (Order.client, Order.order_ref)
        with self.database.reading() as session:
            stored = Counter(tuple(row) for row in session.execute(select(*ref)))
            living = select(*ref).join(Job, Job.order_id == Order.id).where(Job.state != "scrapped")
            units = Counter(tuple(row) for row in session.execute(living))
        sent = {(_client(posted.role), posted.body["order_ref"]): posted for posted in self.posted}
        assert max(stored.values(), default=0) <= 1
        assert set(stored) == (set(stored) & set(sent)) | self.sisters, "nobody sent this"
        assert all(units[name] <= 1 for name in self.sisters)
        for name, posted in sent.items():
            assert posted.text is None or name in stored, "acknowledged, and lost"
            assert name not in stored or units[name] == posted.units

    def confirmed_work_is_on_record(self, seen: Seen) -> None:
        states = {(f"L{row.subject_id}", row.move_to) for row in seen.history if row.subject == "load"}
        assert self.told_states <= states
        recorded = Counter((f"L{s.load_id}", s.turn, s.file_sha256) for s in seen.starts)
        assert all(recorded[start] >= count for start, count in self.starts.items())
        for load in seen.loads:
            for tag in self.tags.get(public(LOAD, load.id), []):
                fence, revision = map(int, tag.strip('"').split("."))
                assert (fence, revision) <= (load.fence, load.revision), "a fence fell"

    # --- the end ---

    def teardown(self) -> None:
        """Nobody is killed any more, and time passes: then everything that was begun comes to its end."""
        self.the_audit_is_clean()
        self.boots()
        while self.waits:
            self.post(self.waits[0])
        self.all_that_must_hold_holds()
        self.receiver.mood = "takes"
        for _ in range(60):
            self.clock.advance(hours=2)
            self.in_background(tasks.send_callbacks)
            self.in_background(tasks.sweep_outbox)
            self.in_background(
                lambda tools: relay.send_due(
                    tools.database, lambda hint: tasks.run(tools, hint.id), clock=tools.clock
                )
            )
            if not self.open_ends():
                break
        assert self.open_ends() == []
        self.everything_told_has_arrived()
        self.the_audit_is_clean()

    def open_ends(self) -> list[str]:
        with self.database.reading() as session:
            hints = session.scalars(select(Outbox).where(Outbox.done_at.is_(None))).all()
            waiting = session.execute(
                select(Delivery, Callback)
                .join(Callback, Callback.id == Delivery.callback_id)
                .where(Delivery.next_at.is_not(None), Callback.disabled_at.is_(None))
            ).all()
        return [f"task {hint.task}: {hint.failed_why}" for hint in hints] + [
            f"delivery {delivery.id} to {callback.url}" for delivery, callback in waiting
        ]

    def everything_told_has_arrived(self) -> None:
        with self.database.reading() as session:
            events = list(session.scalars(select(Event).where(Event.type.in_(TOLD))))
            history = session.scalars(select(History).where(History.subject == "order")).all()
        taken = len([row for row in history if row.move_to == "taken"])
        assert taken == len(self.posted) + len(self.sisters)
        for callback in self.callbacks():
            if callback.disabled_at is not None:
                continue
            due = {f"ev_{e.id}" for e in events if e.client == callback.client and e.at > callback.created_at}
            got = {message for url, message in self.receiver.seen if url == callback.url}
            assert due <= got, f"{callback.url} was never told {sorted(due - got)}"


def _carrier_after(moment: datetime) -> datetime:
    """When the carrier comes next."""
    today = moment.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(seconds=CUT_OFF_S)
    return today if moment < today else today + timedelta(days=1)


def _client(role: str) -> str:
    return "store-2" if role == "other_store" else "store-1"


def run(
    database: Database,
    folder: Path,
    patch: pytest.MonkeyPatch,
    *,
    examples: int,
    steps: int = 30,
    audited_every: int = 15,
    is_repeatable: bool = False,
    without: Sequence[str] = (),
) -> None:
    """Let the shop live through so many days of so many steps, always the same ones if `is_repeatable`;
    `without` the rules named."""
    days: dict[str, Any] = {"database": database, "folder": folder, "patch": patch}
    days |= {"audited_every": audited_every, **dict.fromkeys(without)}
    with start_blocking_portal() as portal, capture_logs():  # nobody reads what a killed process complains of
        run_state_machine_as_test(
            type("Machine", (ShopMachine,), {**days, "portal": portal}),
            settings=settings(
                max_examples=examples,
                derandomize=is_repeatable,
                stateful_step_count=steps,
                deadline=None,
                suppress_health_check=list(HealthCheck),
                print_blob=True,
                # The shortest way to a failure takes longer to find than a test may; then nothing is said.
                phases=(Phase.explicit, Phase.reuse, Phase.generate),
            ),
        )
