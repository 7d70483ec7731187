"""Who works with the service while it is ill-treated: stores, the desk, operators and a store's receiver.
Each keeps what it was told; nothing else counts afterwards (`verdict`)."""

from __future__ import annotations

import hashlib
import random
import threading
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self

import httpx

from tests.faults.processes import wait

#: Answers after which the same request is sent again: nothing is known of what it has done.
_AGAIN = frozenset({409, 429, 500, 502, 503, 504})
_NAMES = ("Ada", "Bea", "Cem", "Dot", "Eli", "Fay", "Gus", "Hal", "Ida", "Jon")
_TOO_MANY = "far too many words for any blade that was ever made here"
#: Products, and where on them words are wanted.
WANTED = (
    ("AQ-CHEF-20", "heel"),
    ("AQ-GRAFT-7", "flat"),
    ("AQ-OYSTER-8", "middle"),
    ("AQ-CHEESE-14", "heel"),
)


@dataclass
class Told:
    """What the people were told, in all."""

    #: By `order_ref`: units ordered, and every order that an answer named.
    acked: dict[str, int] = field(default_factory=dict)
    named: dict[str, set[str]] = field(default_factory=dict)
    refused: set[str] = field(default_factory=set)
    unknown: set[str] = field(default_factory=set)
    cancelled: set[str] = field(default_factory=set)
    #: How often the beam was on for a job's face.
    burned: Counter[tuple[str, str]] = field(default_factory=Counter)
    released: set[str] = field(default_factory=set)
    #: Answers by status, 0 for none; only of requests that were sent again or given up.
    troubles: Counter[int] = field(default_factory=Counter)
    #: Answers that nobody may get: a fault of the service's own.
    faults: list[str] = field(default_factory=list)
    received: Counter[str] = field(default_factory=Counter)


class Person(threading.Thread):
    """Somebody with a key, at any of the service's addresses."""

    def __init__(self, name: str, key: str, ports: list[int], told: Told, chance: random.Random) -> None:
        super().__init__(name=name, daemon=True)
        self._ports, self.told, self.chance = ports, told, chance
        self.over = threading.Event()
        self.done = 0
        self._http = httpx.Client(headers={"Authorization": f"Bearer {key}"}, timeout=20, trust_env=False)

    def run(self) -> None:
        while not self.over.is_set():
            self.step()
        self._http.close()

    def step(self) -> None:
        raise NotImplementedError

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> httpx.Response | None:
        """One request to one of the addresses; None when no answer came."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        url = f"http://127.0.0.1:{self.chance.choice(self._ports)}{path}"
        try:
            answer = self._http.request(method, url, json=body, headers=named)
        except httpx.TransportError:
            self.told.troubles[0] += 1
            return None
        if answer.status_code in _AGAIN:
            self.told.troubles[answer.status_code] += 1
        if answer.status_code == 500:
            self.told.faults.append(f"{method} {path}: {answer.text[:200]}")
        return answer


class Store(Person):
    """Posts orders, as many as it is told to, and asks again under the same key until it hears something, or
    loses patience."""

    def __init__(self, *who: Any, orders: int | None = None) -> None:
        super().__init__(*who)
        self._orders = orders

    def take_one(self, ref: str, sku: str, inscription: dict[str, Any]) -> None:
        """One order of one unit, no tricks."""
        body = _an_order(ref, sku, inscription, 1)
        self._post(ref, 1, body, twice_at_once=False, patience=40)

    def step(self) -> None:
        if self.done == self._orders:
            self.over.wait()
            return
        self.done += 1
        ref = f"{self.name}-{self.done}"
        sku, zone = self.chance.choice(WANTED)
        units = self.chance.choice((1, 1, 1, 2))
        kind = self.chance.random()
        words = _TOO_MANY if kind < 0.05 else self.chance.choice(_NAMES)
        body = _an_order(ref, sku, {"zone": zone, "text": words, "font": "lato-bold"}, units)
        body["if_unengravable"] = "refuse" if kind < 0.05 else "hold"
        self._post(ref, units, body, twice_at_once=kind > 0.9, patience=1 if kind > 0.8 else 40)
        self.over.wait(self.chance.uniform(0.0, 0.4))

    def _post(
        self, ref: str, units: int, body: dict[str, Any], *, twice_at_once: bool, patience: int
    ) -> None:
        key = f"key-of-{ref}"
        if twice_at_once:
            double = threading.Thread(target=self._try, args=(ref, units, body, key))
            double.start()
            self._try(ref, units, body, key)
            double.join()
        sure = True
        for _ in range(patience):
            if ref in self.told.acked:
                if self.chance.random() < 0.1:  # once more, under the key and under another
                    self._try(ref, units, body, self.chance.choice((key, f"{key}-again")))
                return
            status = self._try(ref, units, body, key)
            if status in {400, 422}:
                (self.told.refused if sure and not twice_at_once else self.told.unknown).add(ref)
                return
            sure = sure and (status in {201, 429})
            if status != 201:
                wait(self.chance.uniform(0.1, 0.6))
        if ref not in self.told.acked:
            self.told.unknown.add(ref)

    def _try(self, ref: str, units: int, body: dict[str, Any], key: str) -> int:
        answer = self.ask("POST", "/v1/orders", body, Idempotency_Key=key)
        if answer is None:
            return 0
        if answer.status_code == 201:
            self.told.acked[ref] = units
            self.told.named.setdefault(ref, set()).add(answer.json()["id"])
        elif answer.status_code == 409 and answer.json().get("code") == "order_ref_taken":
            self.told.named.setdefault(ref, set()).add(answer.json()["order"])
        return answer.status_code


def _an_order(ref: str, sku: str, inscription: dict[str, Any], units: int) -> dict[str, Any]:
    return {
        "order_ref": ref,
        "ship_by": (datetime.now(UTC) + timedelta(days=5)).isoformat(),
        "lines": [{"line_ref": "1", "sku": sku, "quantity": units, "inscriptions": [inscription]}],
    }


class Desk(Person):
    """Cancels an order now and then."""

    def step(self) -> None:
        self.over.wait(self.chance.uniform(0.5, 1.5))
        known = [ref for ref in list(self.told.named) if ref not in self.told.cancelled]
        if not known or self.chance.random() < 0.5:
            return
        ref = self.chance.choice(known[-20:])
        (order, *_) = self.told.named[ref]
        seen = self.ask("GET", f"/v1/orders/{order}")
        if seen is None or seen.status_code != 200:
            return
        answer = self.ask("POST", f"/v1/orders/{order}/cancel", {}, If_Match=seen.headers["ETag"])
        if answer is not None and answer.status_code == 200:
            self.told.cancelled.add(ref)


@dataclass(frozen=True, slots=True)
class Pace:
    """How long a person takes: `hands_s`, the shortest and the longest before each act; `beam_s`, as long as
    the beam is on."""

    hands_s: tuple[float, float]
    beam_s: float


class Operator(Person):
    """Works load after load: burns what `start` was acknowledged for, once, and says what is on the metal.
    Without a `pace` no act takes any time."""

    pace: Pace | None = None

    def __init__(self, station: str, *how: Any) -> None:
        super().__init__(*how)
        self.station = station
        self.load: str | None = None
        self.idle = 0
        self.refused_late = 0
        self._burned: set[tuple[str, str]] = set()

    def step(self) -> None:
        if self.load is None:
            self._next()
            return
        seen = self.ask("GET", f"/v1/loads/{self.load}")
        if seen is None or seen.status_code != 200:
            wait(0.2)
            return
        load = seen.json()
        if load["operator"] != self.name or load["state"] in {"closed", "dropped"}:
            self.load = None
            return
        if self.chance.random() < 0.02:  # the tablet sleeps, and what it shows grows old
            self.over.wait(self.chance.uniform(1.0, 4.0))
        self._act(load)

    def _next(self) -> None:
        answer = self.ask("POST", "/v1/loads/next", {"station": self.station, "operator": self.name})
        if answer is not None and answer.status_code in {200, 201}:
            self.load, self.idle = answer.json()["id"], 0
            return
        if answer is not None and answer.status_code == 204:
            self.idle += 1
            self._put_back()
        self.over.wait(self.chance.uniform(0.2, 0.6))

    def _put_back(self) -> None:
        """Units of cancelled orders that are in hand go back to their bins."""
        seen = self.ask("GET", "/v1/pulls")
        if seen is None or seen.status_code != 200:
            return
        for unit in seen.json()["put_backs"]:
            self.ask("POST", f"/v1/jobs/{unit['job']}/put-back", {"bin": unit["bin"]})

    def _act(self, load: dict[str, Any]) -> None:
        state, turn = load["state"], load["current_turn"]
        here = next((one for one in load["turns"] if one["turn"] == turn), {"slots": []})
        waiting = [slot for slot in here["slots"] if slot["state"] in {"planned", "seated"}]
        if state == "claimed" and load["mounted"] is None:
            self._do(load, "mounted", {"turn": turn, "copy": load["copy"], "how": "scanned"})
        elif state == "claimed":
            bins: dict[str, dict[str, dict[str, int]]] = {}
            for pull in load["pulls"]:
                bins.setdefault(pull["bin"], {})[pull["sku"]] = {"found": pull["quantity"]}
            self._do(load, "pulled", {"bins": bins})
        elif state in {"pulled", "turning"}:
            self._do(load, "seated", {"turn": turn, "slots": {slot["slot"]: "seated" for slot in waiting}})
        elif state == "seated":
            self._start(load, here)
        elif state == "burning":
            self._burn(here)
            self._do(load, "finish", {"turn": turn})
        elif state == "interrupted":
            self._resolve(load, here)
        elif state == "burned":
            self._inspect(load)

    def _start(self, load: dict[str, Any], here: dict[str, Any]) -> None:
        files = [path for name, path in here["files"].items() if name != "guide"]
        # Not built yet: asking for it builds it.
        got = self.ask("GET", (files or [f"/v1/loads/{load['id']}/turns/{here['turn']}/burn.svg"])[0])
        if got is None or got.status_code != 200:
            wait(0.2)
            return
        digest = hashlib.sha256(got.content).hexdigest()
        if self._do(load, "start", {"turn": here["turn"], "file_sha256": digest}):
            self._burn(here)

    def _burn(self, here: dict[str, Any]) -> None:
        """The beam is on for what sits there. Only after an acknowledged start, or one that the service
        shows to be in force although its answer was lost."""
        for slot in here["slots"]:
            unit = (slot["job"], slot["face"])
            if slot["state"] in {"planned", "seated"} and unit not in self._burned:
                self._burned.add(unit)
                self.told.burned[unit] += 1
        if self.pace is not None:
            self.over.wait(self.pace.beam_s)

    def _resolve(self, load: dict[str, Any], here: dict[str, Any]) -> None:
        doubtful = {job["job"] for job in load["jobs"] if job["state"] == "doubtful"}
        on_metal: dict[str, dict[str, str]] = {}
        for slot in here["slots"]:
            if slot.get("job") in doubtful and slot["state"] != "removed":
                unit = (slot["job"], slot["face"])
                said = "complete" if unit in self._burned else "clean"
                on_metal.setdefault(slot["job"], {})[slot["face"]] = said
        self._do(load, "resolve", {"jobs": on_metal})

    def _inspect(self, load: dict[str, Any]) -> None:
        engraved = {job["job"] for job in load["jobs"] if job["state"] == "engraved"}
        if engraved:
            self._do(load, "inspect", {"jobs": {job: {"result": "pass"} for job in engraved}})
        elif self._do(load, "release", {}):
            self.told.released |= {job["job"] for job in load["jobs"]}
            self.done += 1

    def _do(self, load: dict[str, Any], act: str, body: dict[str, Any]) -> bool:
        if self.pace is not None:
            self.over.wait(self.chance.uniform(*self.pace.hands_s))
        answer = self.ask("POST", f"/v1/loads/{load['id']}/{act}", body, If_Match=load["etag"])
        if answer is None:
            return False
        if answer.status_code == 412:
            self.refused_late += 1
        if answer.status_code >= 400:
            wait(self.chance.uniform(0.05, 0.3))
        return answer.status_code == 200


class Receiver:
    """A store's end of the callbacks; `mood` says how it answers: 204, 500, or not for a while."""

    def __init__(self, told: Told) -> None:
        self.mood = "good"
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                if receiver.mood == "hangs":
                    receiver.over.wait(20)
                    return
                if receiver.mood == "good":
                    told.received[f"{self.headers['webhook-id']} {hashlib.sha256(body).hexdigest()}"] += 1
                self.send_response(204 if receiver.mood == "good" else 500)
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                return

        self.over = threading.Event()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/told"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self._server.shutdown()
        self._server.server_close()
