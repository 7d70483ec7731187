"""A served shop for browsers: its own port and data folder, stopped and started again when a test says so."""

from __future__ import annotations

import socket
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from service.app import create_app
from service.records.who import Role
from service.requests import keys
from service.running.assembly import assemble
from service.shop.settings import Settings
from service.stock import import_stock as imports

_WORDS = {"zone": "heel", "text": "For Nan", "font": "lato-bold", "height_mm": 5}


class ServedShop:
    """The service over HTTP in this process. Geometry runs in the request's own thread."""

    def __init__(self, data: Path) -> None:
        with socket.socket() as any_port:
            any_port.bind(("127.0.0.1", 0))
            self.port: int = any_port.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.settings = Settings(
            data=data, check_workers=0, log_level="ERROR", sweep_seconds=60, callbacks_to_loopback=True
        )
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self.keys: dict[str, str] = {}

    def start(self) -> None:
        tools = assemble(self.settings)
        imports.open_the_store_room(tools)
        if not self.keys:
            now = tools.clock()
            for role in Role:
                self.keys[role.value] = tools.database.write(
                    lambda session, role=role: keys.new_key(session, role, client=role.value, now=now)
                )
        app = create_app(tools)
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
        self._thread.join(20)
        assert not self._thread.is_alive(), "the service did not stop"

    def api(self, role: str) -> httpx.Client:
        return httpx.Client(
            base_url=self.address,
            headers={"Authorization": f"Bearer {self.keys[role]}"},
            timeout=60,
            trust_env=False,
        )

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
