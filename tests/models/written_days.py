"""Days whose steps stand here, none left to chance: what chance comes to too seldom for a fault in it to be
found. Each raises AssertionError where the shop does otherwise than it must."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from anyio.from_thread import start_blocking_portal
from structlog.testing import capture_logs

from service.records.db import Database
from service.records.ids import JOB, ORDER, PHOTO, number, public
from tests.models.shop_machine import PHOTOS, ShopMachine

Day = Callable[[Database, Path, pytest.MonkeyPatch], None]


@contextmanager
def _a_shop(database: Database, folder: Path, patch: pytest.MonkeyPatch) -> Iterator[ShopMachine]:
    """One that is open, with two orders of two units each; after every step that asks for it all is looked
    at, and once more when the day is over."""
    with start_blocking_portal() as portal, capture_logs():
        day = type("Day", (ShopMachine,), {"portal": portal, "database": database, "folder": folder})
        day.patch, day.audited_every = patch, 1
        shop: ShopMachine = day()
        shop.a_backlog()
        shop.note_window("ok", times=1)
        yield shop
        shop.all_that_must_hold_holds()


def _taken(answer: Any) -> Any:
    """What a write says that must be taken."""
    assert answer.status_code in {200, 201}, answer.text
    return answer.json()


def _given(shop: ShopMachine) -> dict[str, Any]:
    """The next load; nothing where there is no work."""
    answer = shop.ask("bench", "POST", "/v1/loads/next", {"station": "s1", "operator": "Kit"})
    return {} if answer.status_code == 204 else shop.note(_taken(answer))


def _seen(shop: ShopMachine, load: dict[str, Any]) -> dict[str, Any]:
    """The load as it is now."""
    return shop.note(_taken(shop.ask("bench", "GET", f"/v1/loads/{load['id']}")))


class _Complete:
    """Stands in for chance where an operator says how a burn ended that nobody saw."""

    @staticmethod
    def draw(_: Any) -> str:
        return "complete"


def _next(shop: ShopMachine, load: dict[str, Any]) -> dict[str, Any]:
    """The load after the act that is right for it."""
    what, body = shop.next_act(load, lambda: True, _Complete())  # type: ignore[arg-type]
    return dict(_taken(shop.act(load["id"], load["etag"], what, body)))


def _until(shop: ShopMachine, load: dict[str, Any], state: str) -> dict[str, Any]:
    """The load when it has come so far."""
    while load["state"] != state:
        load = _next(shop, load)
    return load


def _all_is_released(shop: ShopMachine) -> None:
    while load := _given(shop):
        _until(shop, load, "closed")
    assert {job.state for job in shop.jobs()} == {"released"}


def a_day_of_packing(database: Database, folder: Path, patch: pytest.MonkeyPatch) -> None:
    """All that packing, hand-over and its taking back must do, or refuse."""
    with _a_shop(database, folder, patch) as shop:
        shop.a_supply_is_seen_to("parcels", "count", 5, 1, None)
        _all_is_released(shop)
        first, second = ([job.id for job in shop.units_of(order)] for order in (1, 2))
        for box, opened in ((first[0], 1), (second[0], None), (second[0], 1), (first[0], None)):
            shop.scan(box, opened)
        shop.all_that_must_hold_holds()
        shop.hand_over(1)  # a box is missing
        shop.scan(first[1], 1)
        for act in (shop.hand_over, shop.hand_over, shop.take_back, shop.take_back, shop.hand_over):
            act(1)
            shop.all_that_must_hold_holds()
        shop.clock.advance(hours=20)  # the carrier was here
        shop.take_back(1)
        shop.scan(second[1], 2)
        shop.hand_over(2)
        body = {"line_ref": "1", "reason": "damaged", "pays": "shop", "ship_by": "2030-01-31T16:00:00Z"}
        made = _taken(shop.ask("desk", "POST", "/v1/orders/O2/remakes", body, Idempotency_Key="made-again"))
        shop.sisters.add(("store-2", "W-3-R1"))
        shop.made_elsewhere[second[0]] = number(ORDER, made["made"]["order"])
        shop.take_back(2)


def a_day_at_the_bench(database: Database, folder: Path, patch: pytest.MonkeyPatch) -> None:
    """An order called off leaves its load, and its units go back into their bins once; a unit that does not
    fit changes its load's files; a load that burns outlives its lease."""
    with _a_shop(database, folder, patch) as shop:
        load = _until(shop, _given(shop), "pulled")
        _taken(shop.ask("other_store", "POST", "/v1/orders/O2/cancel", {}, If_Match="*"))
        shop.cancelled = {job.id: shop.starts_of(job.id) for job in shop.jobs() if job.state == "cancelled"}
        assert len(shop.cancelled) == 2
        shop.all_that_must_hold_holds()
        shop.units_are_put_back(twice=True)
        shop.all_that_must_hold_holds()

        load = _seen(shop, load)
        slots = [slot["slot"] for slot in load["turns"][0]["slots"] if slot["state"] == "planned"]
        fits = dict.fromkeys(slots, "seated") | {slots[0]: "does_not_fit"}
        seated = _taken(shop.act(load["id"], load["etag"], "seated", {"turn": 1, "slots": fits}))
        assert seated["etag"] != load["etag"], "other contents under the same tag"
        shop.all_that_must_hold_holds()

        load = _until(shop, seated, "burning")
        shop.clock.advance(seconds=2 * shop.tools.settings.lease_seconds)
        shop.the_background_works("sweeps")
        shop.all_that_must_hold_holds()
        load = _seen(shop, load)
        assert load["state"] == "interrupted", "nobody knows how the burn ended"
        _until(shop, load, "closed")


def a_day_of_photos(database: Database, folder: Path, patch: pytest.MonkeyPatch) -> None:
    """One picture stands for two faces of a unit; it stays while one of them is left, and goes with the
    order's words."""
    with _a_shop(database, folder, patch) as shop:
        _all_is_released(shop)
        unit = shop.units_of(1)[0]
        sent = {}
        for face in unit.faces:
            at = f"/v1/jobs/{public(JOB, unit.id)}/photos?face={face}"
            told = _taken(shop.ask("bench", "POST", at, PHOTOS[0], Content_Type="image/jpeg"))
            sent[number(PHOTO, told["id"])] = told["sha256"]
        assert (len(sent), len(set(sent.values()))) == (2, 1)
        shop.photos |= sent
        shop.pictures_are_there(unit.id)
        gone = min(sent)
        assert shop.ask("desk", "DELETE", f"/v1/photos/{public(PHOTO, gone)}").status_code == 204
        del shop.photos[gone]
        shop.pictures_are_there(unit.id)
        shop.all_that_must_hold_holds()
        shop.erase(1)


DAYS: dict[str, Day] = {day.__name__: day for day in (a_day_of_packing, a_day_at_the_bench, a_day_of_photos)}
