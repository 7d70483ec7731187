"""A buyer at the web store, by HTTP: what its component asks the service, and the store's own forms."""

from __future__ import annotations

import json
from typing import Any, Self

import httpx


class Buyer:
    """Somebody with a browser: it keeps the store's cookie, and asks the service as a page of the store."""

    def __init__(self, store: str, service: str, key: str) -> None:
        self._store = httpx.Client(base_url=store, follow_redirects=True, timeout=180, trust_env=False)
        self._service = httpx.Client(
            base_url=service,
            headers={"Authorization": f"Bearer {key}", "Origin": store},
            timeout=180,
            trust_env=False,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._store.close()
        self._service.close()

    def looks_at(self, sku: str) -> str:
        """The product's page."""
        return self._store.get("/", params={"sku": sku}).raise_for_status().text

    def tries(self, sku: str, inscriptions: list[dict[str, Any]]) -> dict[str, Any]:
        """What the component asks for while somebody types."""
        asked = {"sku": sku, "inscriptions": inscriptions}
        shown: dict[str, Any] = (
            self._service.post("/v1/previews", json=asked, headers={"Accept-Language": "en"})
            .raise_for_status()
            .json()
        )
        return shown

    def orders(self, sku: str, inscriptions: list[dict[str, Any]], token: str) -> str:
        """Into the basket, and paid; gives the order's address at the store."""
        engraving = json.dumps({"inscriptions": inscriptions, "token": token})
        self._store.post("/basket", data={"sku": sku, "engraving": engraving}).raise_for_status()
        return self._store.post("/orders").raise_for_status().url.path

    def cancels(self, order: str) -> str:
        """The order's page after that."""
        return self._store.post(f"{order}/cancel").raise_for_status().text

    def sees(self, order: str) -> str:
        """The order's page."""
        return self._store.get(order).raise_for_status().text
