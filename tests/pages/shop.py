"""A shop for the pages' tests: as it stands after its first start, or served to browsers on its own port.

The first start (tables, opening stock, a key of each role) is made once in a process; each test gets a copy
of its folder. Geometry runs in the request's own thread, with what all tests have measured of fonts; what
was worked out once in a process is not worked out again.
"""

from __future__ import annotations

import functools
import pickle
import shutil
import socket
import threading
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

import httpx
import uvicorn
from sqlalchemy import event

from demo.store.server import OpenStore, open_store
from service.records import clock
from service.records.db import Database, open_engine
from service.records.who import SWEEP, Role
from service.requests import keys
from service.running.assembly import assemble
from service.shop.geometry_workers import Geometry
from service.shop.settings import Settings
from service.shop.tools import Tools
from service.shop.versions import Described, Shelf
from service.stock import import_stock as imports
from tests.counter import FONT_TABLES, a_key_of, an_app, the_shelf


class RememberedGeometry(Geometry):
    """The same values give the same result, handed over as one from another process is: as a copy."""

    _known: ClassVar[dict[bytes, bytes]] = {}
    _asked: ClassVar[defaultdict[bytes, threading.Lock]] = defaultdict(threading.Lock)

    def _run(self, work: Any, *arguments: Any, **how: Any) -> Any:
        asked = pickle.dumps((work, arguments))
        with self._asked[asked]:
            if asked not in self._known:
                self._known[asked] = pickle.dumps(super()._run(work, *arguments, **how))
        return pickle.loads(self._known[asked])


_WORDS = {"zone": "heel", "text": "For Nan", "font": "lato-bold", "height_mm": 5}


@dataclass(frozen=True)
class FirstStart:
    """A data folder after the service's first start, and its keys by role."""

    folder: Path
    keys: dict[str, str]
    fixtures: Path | None = None

    @functools.cached_property
    def described(self) -> Described:
        """As the first start put it in force, but read from where all tests read it: what was worked out for
        one is known to the next, and nobody reads it again to follow it."""
        read = the_shelf().described if self.fixtures is None else Shelf(self.fixtures).described
        return replace(read, number=1)

    def copied(self, data: Path, **settings: Any) -> Tools:
        """The service's tools around a copy of the folder, or around what became of that copy."""
        if not data.exists():
            shutil.copytree(self.folder, data)
        chosen = Settings(data=data, check_workers=0, sweep_seconds=60, **settings)
        shelf = Shelf.of(self.described)  # its own: it follows this copy's database
        engine = open_engine(chosen.url)
        # It need not outlast a loss of power.
        event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA synchronous=OFF"))
        geometry = RememberedGeometry(
            shelf.described.source, FONT_TABLES, workers=0, timeout_seconds=chosen.check_seconds
        )
        return Tools(Database(engine), chosen, shelf, geometry, clock.now)


def make_first_start(folder: Path, fixtures: Path | None = None) -> FirstStart:
    """The first start of the made-up shop, or of another."""
    chosen = {} if fixtures is None else {"fixtures": fixtures}
    tools = assemble(Settings(data=folder, check_workers=0, **chosen))
    imports.open_the_store_room(tools)
    made = {
        role.value: tools.database.write(
            lambda session, role=role: a_key_of(session, role, now=tools.clock())
        )
        for role in Role
    }
    tools.database.engine.dispose()
    return FirstStart(folder, made, fixtures)


class ServedShop:
    """The service over HTTP in this process, stopped and started again when a test says so."""

    def __init__(self, data: Path, first_start: FirstStart) -> None:
        with socket.socket() as any_port:
            any_port.bind(("127.0.0.1", 0))
            self.port: int = any_port.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.keys = first_start.keys
        self.data, self._first_start = data, first_start
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self.tools: Tools

    def start(self) -> None:
        tools = self.tools = self._first_start.copied(
            self.data, log_level="ERROR", callbacks_to_loopback=True
        )
        app = an_app(tools, is_described=False)
        config = uvicorn.Config(
            app,
            host="127.0.0.1",
            port=self.port,
            log_config=None,
            access_log=False,
            lifespan="on",
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        pause = threading.Event()
        for _ in range(300):
            if self._server.started:
                return
            pause.wait(0.1)
        raise AssertionError("the service did not start")

    def stop(self) -> None:
        assert self._server is not None and self._thread is not None
        self._server.should_exit = True
        self._thread.join(300)  # a check that runs in a request's thread is waited for
        assert not self._thread.is_alive(), "the service did not stop"

    def api(self, role: str) -> httpx.Client:
        return httpx.Client(
            base_url=self.address,
            headers={"Authorization": f"Bearer {self.keys[role]}"},
            timeout=60,
            trust_env=False,
            verify=False,  # nothing here is encrypted, and to read the machine's certificates takes a while
        )

    def wait_for_order(self, ref: str) -> None:
        """Until somebody else's order with this reference is in."""
        pause = threading.Event()
        for _ in range(600):
            with self.api("desk") as http:
                if ref in {one["order_ref"] for one in http.get("/v1/orders").json()["orders"]}:
                    return
            pause.wait(0.1)
        raise AssertionError(f"order {ref} did not come")

    def order(self, ref: str, *lines: dict[str, Any], **more: Any) -> dict[str, Any]:
        """Post an order; each line is what differs from one chef's knife with two words."""
        body = {
            "order_ref": ref,
            "ship_by": (datetime.now(UTC) + timedelta(days=3)).isoformat(),
            "lines": [
                {
                    "line_ref": str(number),
                    "sku": "AQ-CHEF-20",
                    "quantity": 1,
                    "inscriptions": [_WORDS],
                    **line,
                }
                for number, line in enumerate(lines or ({},), start=1)
            ],
            **more,
        }
        with self.api("store") as http:
            answer = http.post("/v1/orders", json=body, headers={"Idempotency-Key": f"order-{ref}"})
        assert answer.status_code == 201, answer.text
        said: dict[str, Any] = answer.json()
        return said


@contextmanager
def a_store(shop: ServedShop) -> Iterator[OpenStore]:
    """The made-up web store beside the shop, with its key for stores and a publishable one of its own."""

    def keys_for(own: str) -> tuple[str, str]:
        publishable = shop.tools.database.write(
            lambda session: keys.new_key(
                session, Role.STOREFRONT, client="store-1", now=shop.tools.clock(), who=SWEEP, origins=(own,)
            )
        )
        return shop.keys["store"], publishable

    with socket.socket() as any_port:
        any_port.bind(("127.0.0.1", 0))
        port = any_port.getsockname()[1]
    with open_store(port, service=shop.address, keys_for=keys_for) as opened:
        yield opened
