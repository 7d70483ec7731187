"""What intake makes of an order line that carries the token of a preview."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.intake import preview_tokens as tokens
from service.records.db import Database
from service.records.who import SWEEP, Role
from service.requests import keys, sessions
from tests.clocks import SetClock
from tests.counter import Counter, a_line, an_inscription, an_open_counter, an_order

DIFFERS = "differs_from_preview"


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path, boxed=20) as opened:
        yield opened


def token_of(counter: Counter, role: str = "storefront", **changes: Any) -> str:
    body = {"sku": "AQ-HORI-18", "inscriptions": [an_inscription()], **changes}
    return str(counter.ask(role, "POST", "/v1/previews", body).json()["token"])


def ordered(counter: Counter, token: str, *, proof: str = "none", **line: Any) -> dict[str, Any]:
    answer = counter.post_order(an_order(proof=proof, lines=[a_line(preview=token, **line)]))
    assert answer.status_code == 201, answer.text
    stored: dict[str, Any] = answer.json()
    return stored


def holds(order: dict[str, Any]) -> list[str]:
    return [hold["reason"] for hold in order["lines"][0]["holds"]]


def test_the_very_mark_that_was_shown_is_the_buyer_s_approval(counter: Counter) -> None:
    with_preview = ordered(counter, token_of(counter), proof="buyer")
    without = counter.post_order(an_order(proof="buyer")).json()

    assert (with_preview["state"], holds(with_preview)) == ("ready", [])
    assert holds(without) == ["buyer_approval"]
    happened = counter.ask("desk", "GET", f"/v1/orders/{with_preview['id']}").json()["history"]
    assert [(one["to"], one["why"]) for one in happened][:2] == [
        ("taken", ""),
        ("approved", "buyer: by preview, line 1"),
    ]


def test_a_token_is_good_for_several_orders_and_for_the_store_s_own_preview(counter: Counter) -> None:
    token = token_of(counter, role="store")

    assert [holds(ordered(counter, token, proof="buyer")) for _ in range(2)] == [[], []]


def test_a_token_does_not_pass_over_what_a_person_must_look_at(counter: Counter) -> None:
    mixed = an_inscription(text="Zo\u044f")  # a Cyrillic letter in a Latin word
    shown = counter.ask(
        "storefront", "POST", "/v1/previews", {"sku": "AQ-HORI-18", "inscriptions": [mixed]}
    ).json()
    assert shown["verdict"] == "review" and shown["token"]

    assert holds(ordered(counter, shown["token"], proof="buyer", inscriptions=[mixed])) == ["review"]


@pytest.mark.parametrize("proof", ["none", "buyer"])
def test_another_mark_than_was_shown_is_stored_and_waits(counter: Counter, proof: str) -> None:
    token = token_of(counter, inscriptions=[an_inscription(text="Allotment 9")])

    order = ordered(counter, token, proof=proof)

    also = ["buyer_approval"] if proof == "buyer" else []
    assert (order["state"], holds(order)) == ("held", [DIFFERS, *also])
    assert order["lines"][0]["holds"][0]["details"] == {"why": "other_mark"}
    assert order["lines"][0]["verdict"] == "accept"


def test_a_token_that_does_not_stand_for_the_line_holds_it(counter: Counter, clock: SetClock) -> None:
    counter.keys["theirs"] = counter.tools.database.write(
        lambda session: keys.new_key(session, Role.STORE, client="store-9", now=clock(), who=SWEEP)
    )
    wrong = {
        "other_mark": token_of(counter, inscriptions=[an_inscription(zone="ricasso_back")]),
        "other_product": token_of(counter, sku="AQ-CHEF-20", inscriptions=[an_inscription(zone="heel")]),
        "other_store": token_of(counter, "theirs"),
        "unreadable": "made.up",
    }

    held = {name: ordered(counter, token)["lines"][0]["holds"] for name, token in wrong.items()}

    assert {name: [(hold["reason"], hold["details"]) for hold in holds] for name, holds in held.items()} == {
        name: [(DIFFERS, {"why": name})] for name in wrong
    }


def test_a_token_is_good_for_seven_days(counter: Counter, clock: SetClock) -> None:
    token, later = token_of(counter), "2027-01-01T12:00:00Z"

    clock.advance(seconds=tokens.LASTS.total_seconds() - 1)
    in_time = counter.post_order(an_order(ship_by=later, lines=[a_line(preview=token)])).json()
    clock.advance(seconds=1)
    too_late = counter.post_order(an_order(ship_by=later, lines=[a_line(preview=token)])).json()

    assert holds(in_time) == []
    assert [hold["details"] for hold in too_late["lines"][0]["holds"]] == [{"why": "expired"}]


def test_a_token_of_another_secret_is_no_token(counter: Counter, clock: SetClock) -> None:
    token = token_of(counter)
    read = tokens.read(token, secret=sessions.secret_of(counter.tools.settings.data))

    assert read is not None and tokens.read(token, secret=b"x" * 32) is None
    assert tokens.read(token[:-1] + ("A" if token[-1] != "A" else "B"), secret=b"x" * 32) is None


def test_the_desk_sees_both_pictures_and_lets_it_go_on_by_a_look(counter: Counter) -> None:
    token = token_of(counter, inscriptions=[an_inscription(text="Allotment 9")])
    order = ordered(counter, token)
    at = f"/v1/orders/{order['id']}"
    etag = counter.ask("desk", "GET", at).headers["etag"]

    page = _desk(counter, f"/desk/orders/{order['id']}")
    shown = _desk(counter, f"/desk/orders/{order['id']}/shown.svg?line=1&face=mark_side")
    approved = counter.ask("desk", "POST", f"{at}/approve", {}, If_Match=etag)

    assert "What the buyer was shown" in page and "shown.svg" in page
    assert "Allotment 9" in shown and "Allotment 7" not in shown
    assert approved.json()["state"] == "ready"


def test_the_buyer_s_yes_ends_it_too_and_a_look_is_no_yes(counter: Counter) -> None:
    token = token_of(counter, inscriptions=[an_inscription(text="Allotment 9")])
    order = ordered(counter, token, proof="buyer")
    at = f"/v1/orders/{order['id']}"

    looked = counter.ask("desk", "POST", f"{at}/approve", {}, If_Match="*").json()
    agreed = counter.ask(
        "desk", "POST", f"{at}/approve", {"by": "buyer", "said_by": "A. Buyer, by telephone"}, If_Match="*"
    ).json()

    assert holds(looked) == ["buyer_approval"]
    assert (agreed["state"], holds(agreed)) == ("ready", [])


def test_other_words_of_the_line_leave_its_preview_behind(counter: Counter) -> None:
    token = token_of(counter, inscriptions=[an_inscription(text="Allotment 9")])
    order = ordered(counter, token)

    amended = counter.ask(
        "desk",
        "PATCH",
        f"/v1/orders/{order['id']}/lines/1",
        {"inscriptions": [an_inscription(text="Allotment 9")]},
        If_Match="*",
    ).json()

    assert holds(amended) == []


def test_an_order_without_a_preview_is_the_same_order_as_before_there_were_previews() -> None:
    from service.intake.take_order import order_fingerprint
    from service.requests.order_in import OrderIn

    body = OrderIn.model_validate(an_order(order_ref="W-1"))

    assert "preview" not in str(body.model_dump(mode="json"))
    named = OrderIn.model_validate(an_order(order_ref="W-1", lines=[a_line(preview="made.up")]))
    assert order_fingerprint(body) != order_fingerprint(named)


def test_what_was_shown_is_erased_with_the_order(counter: Counter) -> None:
    from tests.benches import all_rows

    secret = "Zaubernuss"
    order = ordered(counter, token_of(counter, inscriptions=[an_inscription(text=secret)]))
    counter.ask("desk", "POST", f"/v1/orders/{order['id']}/cancel", {}, If_Match="*")
    assert secret in str(all_rows(counter.tools.database))

    erased = counter.ask("owner", "POST", f"/v1/orders/{order['id']}/erase", {}, If_Match="*")

    assert erased.status_code == 200 and secret not in str(all_rows(counter.tools.database))


def _desk(counter: Counter, path: str) -> str:
    counter.client.post("/sign-in", data={"key": counter.keys["desk"], "name": "Dora"})
    answer = counter.client.get(path)
    assert answer.status_code == 200, answer.text
    return answer.text
