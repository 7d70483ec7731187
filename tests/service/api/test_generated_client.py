"""A Python client made from the description of the HTTP surface plays a store's story, refusals included.

Reference: openapi-python-client, tried with 0.29.1 (https://github.com/openapi-generators/openapi-python-client).
It wants another version of a library than the service, so `sh tests/run` gives it an environment of its own
(`.generator`), and says so where that can't be. Of files it says that it knows no such media type.
"""

from __future__ import annotations

import asyncio
import importlib
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import Counter, an_inscription, an_open_counter, an_order
from tests.golden.contract import written

_HERE = Path(__file__).parents[3] / ".generator" / "bin" / "openapi-python-client"
GENERATOR = str(_HERE) if _HERE.is_file() else shutil.which("openapi-python-client")
NAME = "generated_client"


@pytest.mark.skipif(GENERATOR is None, reason="NO GENERATOR: no client was made")
def test_a_generated_client_plays_a_stores_story(
    sqlite_database: Database, clock: SetClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = tmp_path / "made"
    made.mkdir()
    document = tmp_path / "openapi.json"
    document.write_text(written(), encoding="utf-8")
    subprocess.run(
        [str(GENERATOR), "generate", "--path", document, "--meta", "none", "--output-path", made / NAME],
        check=True,
        capture_output=True,
    )
    monkeypatch.syspath_prepend(str(made))

    # A page test before it may have left a loop running in this thread: its browser's.
    with an_open_counter(sqlite_database, clock, tmp_path) as counter, ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(_story(counter))).result()


async def _story(counter: Counter) -> None:
    client = _client(counter)
    models = importlib.import_module(f"{NAME}.models")

    async def ask(tag: str, operation: str, **given: Any) -> Any:
        module = importlib.import_module(f"{NAME}.api.{tag}.{operation}")
        return await module.asyncio_detailed(client=client, **given)

    def order(**changes: Any) -> Any:
        return models.OrderIn.from_dict(an_order(**changes))

    checked = await ask(
        "checks",
        "check",
        body=models.CheckIn.from_dict({"sku": "AQ-HORI-18", "inscriptions": [an_inscription()]}),
    )
    first = order()
    taken = await ask("orders", "take_order", body=first, idempotency_key="order-0001")
    again = await ask("orders", "take_order", body=first, idempotency_key="order-0001")
    reused = await ask("orders", "take_order", body=order(), idempotency_key="order-0001")
    listed = await ask("orders", "list_orders", order_ref=taken.parsed.order_ref)
    nothing = await ask("orders", "get_order", identity="O999")
    wrong = await ask("orders", "list_orders", cursor="made-up-cursor")
    seen = (await ask("orders", "get_order", identity="O1")).headers["ETag"]
    words = models.AmendIn.from_dict({"inscriptions": [an_inscription(text="Nan")]})
    amended = await ask("orders", "amend_line", identity="O1", line_ref="1", if_match=seen, body=words)
    stale = await ask("orders", "cancel_order", identity="O1", if_match=seen, body=models.CancelIn())
    seen = amended.headers["ETag"]
    cancelled = await ask("orders", "cancel_order", identity="O1", if_match=seen, body=models.CancelIn())

    assert isinstance(checked.parsed, models.CheckAnswer)
    assert (taken.status_code, again.parsed.id) == (201, taken.parsed.id)
    assert [found.id for found in listed.parsed.orders] == [taken.parsed.id]
    assert cancelled.parsed.state == "cancelled"
    refused = [reused, nothing, wrong, stale]
    assert all(isinstance(answer.parsed, models.Problem) for answer in refused)
    assert [str(answer.parsed.code) for answer in refused] == [
        "idempotency_key_reused",
        "not_found",
        "bad_cursor",
        "stale_version",
    ]


def _client(counter: Counter) -> Any:
    key = counter.keys["store"]
    client = importlib.import_module(NAME).AuthenticatedClient(
        base_url="http://test", token=key, raise_on_unexpected_status=True
    )
    return client.set_async_httpx_client(
        httpx.AsyncClient(
            transport=httpx.ASGITransport(counter.client.app),  # type: ignore[arg-type]
            base_url="http://test",
            headers={"Authorization": f"Bearer {key}"},
        )
    )
