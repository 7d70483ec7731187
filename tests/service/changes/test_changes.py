"""The shop's description changed over HTTP: tried, put in force, refused, brought back; orders and loads in
the middle of a change."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from httpx import Response

from layout.check.feasibility import CheckResult
from service.changes import looking, put
from service.changes.what_changes import picture
from service.intake import homeless
from service.records.db import Database
from service.records.states import Origin
from service.records.tables import CatalogueInForce, OrderLine
from service.records.who import By, Role, Who
from service.shop import catalogue, drafts
from service.shop.geometry_workers import Geometry
from service.shop.versions import Shelf
from tests.clocks import SetClock
from tests.counter import Counter, a_key, a_line, a_lot, an_inscription, an_open_counter, an_order, the_shelf
from tests.made_up import put_in_force

ADA = Who(role=Role.OWNER, client="house", name="Ada")
HORI, POLICY = "blades/hori-18.toml", "policy/policy.toml"
CONTENT = catalogue.read(catalogue.default_folder())
#: A hole where orders of these tests have their words.
HOLE = """[[face.keep_out]]
keep_out = "new hole"
reason = "hole"
shape = { rect = [22, -4, 38, 4] }

[[face.zone]]
zone = "ricasso\""""


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Counter:
    """A service whose shop is number 1, with a shelf of its own."""
    shelf = Shelf.of(the_shelf().described)
    with an_open_counter(database, clock, tmp_path, boxed=50, shelf=shelf) as opened:
        put_in_force(database, by=By(ADA, clock()))
        opened.tools.follow()
        return opened


def changed(file: str, was: str, becomes: str) -> dict[str, str]:
    assert was in CONTENT[file]
    return {file: CONTENT[file].replace(was, becomes, 1)}


def stricter() -> dict[str, str]:
    """Every capital is looked at by a person."""
    return changed(POLICY, "review_height_mm = 2.0", "review_height_mm = 9.0")


def change(counter: Counter, files: dict[str, str | None], *, of: int = 1, **more: Any) -> Response:
    return counter.ask(
        "owner", "POST", "/v1/catalogue/versions", {"files": files, **more}, If_Match=f'"{of}"'
    )


def trial(counter: Counter, body: dict[str, Any], *, of: int = 1) -> dict[str, Any]:
    answer = counter.ask("owner", "POST", "/v1/catalogue/trials", body, If_Match=f'"{of}"')
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def numbers(counter: Counter) -> list[int]:
    listed = counter.ask("owner", "GET", "/v1/catalogue/versions").json()["versions"]
    return [one["number"] for one in listed]


def test_a_change_is_tried_put_in_force_and_followed(counter: Counter) -> None:
    order = counter.post_order(an_order(lines=[a_line(quantity=2)])).json()
    assert order["state"] == "ready"

    told = trial(counter, {"files": stricter()})
    put_in_force = change(counter, stricter(), why="larger letters")
    again = change(counter, stricter())

    assert told["troubles"] == []
    assert told["difference"]["changes"] == [
        {"thing": "policy", "where": "review_height_mm", "was": "2", "becomes": "9"}
    ]
    what = told["what_changes"]
    assert (what["lines"], what["is_whole"], what["lost_units"], what["differently_units"]) == (1, True, 0, 2)
    (line,) = what["differently"]
    assert (line["order"], line["was"], line["becomes"]) == (order["id"], "accept", "review")
    assert (put_in_force.status_code, put_in_force.json()["number"], again.json()["number"]) == (201, 2, 2)
    assert put_in_force.headers["ETag"] == '"2"'
    assert numbers(counter) == [2, 1]
    assert counter.ask("desk", "GET", "/v1/catalogue").json()["version"] == put_in_force.json()["version"]
    assert counter.post_order(an_order()).json()["state"] == "held"
    acts = counter.ask("owner", "GET", "/v1/acts").json()["acts"]
    assert "number 2" in acts[0]["details"]
    assert "larger letters" in acts[0]["details"]


def test_a_version_is_answered_with_its_files_and_what_it_changed(counter: Counter) -> None:
    change(counter, stricter())

    answer = counter.ask("owner", "GET", "/v1/catalogue/versions/2")

    assert answer.headers["ETag"] == '"2"'
    assert answer.json()["content"] == {**CONTENT, **stricter()}
    assert [one["file"] for one in answer.json()["difference"]["files"]] == [POLICY]
    assert counter.ask("owner", "GET", "/v1/catalogue/versions/3").status_code == 404


def test_of_two_owners_the_second_is_refused_and_told(counter: Counter) -> None:
    change(counter, stricter())

    refused = change(counter, changed(HORI, 'name = "', 'name = "Other '))

    assert (refused.status_code, refused.json()["code"]) == (412, "stale_version")
    assert "number 2 is in force" in refused.json()["detail"]
    assert numbers(counter) == [2, 1]


def test_what_is_wrong_is_refused_whole_with_every_trouble(counter: Counter) -> None:
    wrong = {POLICY: "review_height_mm = 2.0\nno_such_key = 1", HORI: None}

    refused = change(counter, wrong)

    assert (refused.status_code, refused.json()["code"]) == (422, "shop_refused")
    assert any(f"{POLICY}:2" in trouble for trouble in refused.json()["troubles"])
    assert any("hori-18" in trouble for trouble in refused.json()["troubles"])
    assert numbers(counter) == [1]
    assert trial(counter, {"files": wrong})["troubles"] == refused.json()["troubles"]
    assert counter.post_order(an_order()).json()["state"] == "ready"


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"files": {}, "back_to": 1},
        {"back_to": 9},
        {"files": {"../x.toml": ""}},
    ],
)
def test_a_change_that_says_nothing_or_too_much_is_refused(counter: Counter, body: dict[str, Any]) -> None:
    answer = counter.ask("owner", "POST", "/v1/catalogue/versions", body, If_Match='"1"')

    assert answer.status_code == 422, answer.text
    assert numbers(counter) == [1]


def test_nobody_but_the_owner_changes_the_shop_and_no_change_is_made_blindly(counter: Counter) -> None:
    for role in ("store", "desk", "bench", "storefront"):
        for path in ("versions", "trials"):
            asked = counter.ask(role, "POST", f"/v1/catalogue/{path}", {"files": stricter()}, If_Match='"1"')
            assert asked.status_code == 403
    asked = counter.ask("owner", "POST", "/v1/catalogue/versions", {"files": stricter()})
    assert asked.status_code == 428


def test_an_earlier_description_comes_back_and_is_judged_like_any_other(counter: Counter) -> None:
    change(counter, stricter())
    held = counter.post_order(an_order()).json()

    told = trial(counter, {"back_to": 1}, of=2)
    back = counter.ask("owner", "POST", "/v1/catalogue/versions", {"back_to": 1}, If_Match='"2"').json()

    (line,) = told["what_changes"]["differently"]
    assert (line["order"], line["was"], line["becomes"]) == (held["id"], "review", "accept")
    assert (back["number"], back["origin"], back["back_to"]) == (3, "back", 1)
    assert counter.post_order(an_order()).json()["state"] == "ready"


def test_what_can_t_be_engraved_any_more_is_named_drawn_and_held_at_once(counter: Counter) -> None:
    order = counter.post_order(an_order()).json()
    with_hole = changed(HORI, '[[face.zone]]\nzone = "ricasso"', HOLE)
    content = {**CONTENT, **with_hole}

    told = trial(counter, {"files": with_hole})
    svg = picture(counter.tools, content, order["id"], "1")
    change(counter, with_hole)
    homeless.look(counter.tools)

    (line,) = told["what_changes"]["lost"]
    assert (told["what_changes"]["lost_units"], line["order"], line["units"]) == (1, order["id"], 1)
    assert line["why"]
    assert "new hole" in svg
    assert counter.ask("desk", "GET", f"/v1/orders/{order['id']}").json()["state"] == "held"


def test_lots_whose_mark_would_not_be_accepted_any_more_are_named(counter: Counter) -> None:
    lot = counter.ask("owner", "POST", "/v1/lots", a_lot(), Idempotency_Key=a_key()).json()
    blade = "blades/paring-9-bare.toml"
    words_alone = {**CONTENT, blade: CONTENT[blade].replace('["artwork", "text"]', '["text"]')}

    (one,) = looking.what_changes(counter.tools, words_alone, seconds=20).lots

    assert (one.lot, one.sku, one.blades, one.becomes) == (lot["id"], "AQ-PARE-9-BARE", 40, "refuse")
    assert one.why
    assert looking.what_changes(counter.tools, {**CONTENT, **stricter()}, seconds=20).lots == ()


def test_what_a_change_has_nothing_to_do_with_is_not_checked_again(counter: Counter) -> None:
    counter.post_order(an_order())
    checked: list[str] = []
    geometry = Counting(counter.tools.geometry, checked.append)
    tools = copy.copy(counter.tools)
    object.__setattr__(tools, "geometry", geometry)
    hours = {**CONTENT, **changed(POLICY, 'shop_name = "Alder & Quay"', 'shop_name = "Quay"')}

    quiet = looking.what_changes(tools, hours, seconds=5)
    concerned = looking.what_changes(tools, {**CONTENT, **stricter()}, seconds=5)

    assert (quiet.looked_at, quiet.lost_units, quiet.differently_units) == (1, 0, 0)
    assert (concerned.differently_units, len(checked)) == (1, 2)


class Counting(Geometry):
    """Somebody else's geometry; each check calls `before` first."""

    def __init__(self, other: Geometry, before: Callable[[str], None]) -> None:
        self.__dict__.update(other.__dict__)
        self.before = before

    def check(self, sku: str, *arguments: Any, **named: Any) -> CheckResult:
        result = super().check(sku, *arguments, **named)
        self.before(sku)
        return result


def test_an_order_is_written_under_the_version_that_it_was_checked_with(counter: Counter) -> None:
    """The change comes between the check and the writing."""
    first = counter.tools.catalogue.current.version

    def put_meanwhile(sku: str) -> None:
        content = {**CONTENT, **stricter()}
        put.put_in_force(counter.tools, content, came_from=1, why="", origin=Origin.POSTED, who=ADA)

    object.__setattr__(counter.tools, "geometry", Counting(counter.tools.geometry, put_meanwhile))
    answered = counter.post_order(an_order())

    assert answered.json()["state"] == "ready"
    with counter.tools.database.reading() as session:
        (line,) = session.query(OrderLine)
        assert line.catalogue_version == first != counter.tools.catalogue.current.version


def test_a_load_goes_on_under_the_description_that_it_was_claimed_under(counter: Counter) -> None:
    counter.post_order(an_order())
    load = counter.ask(
        "bench",
        "POST",
        "/v1/loads/next",
        {"station": "north", "operator": "Kit"},
        Idempotency_Key="claim-0001",
    )
    assert load.status_code == 201, load.text
    with_hole = changed(HORI, '[[face.zone]]\nzone = "ricasso"', HOLE)

    told = trial(counter, {"files": with_hole})
    change(counter, with_hole)
    homeless.look(counter.tools)
    file = counter.ask("bench", "GET", f"/v1/loads/{load.json()['id']}/turns/1/burn.svg")

    (line,) = told["what_changes"]["lost"]
    assert line["loaded"] == 1
    assert file.status_code == 200, file.text
    again = counter.ask("bench", "GET", f"/v1/loads/{load.json()['id']}").json()
    assert again["catalogue_version"] == load.json()["catalogue_version"]


def test_a_draft_is_looked_over_behind_the_requests_and_anew_after_an_edit(counter: Counter) -> None:
    for _ in range(3):
        counter.post_order(an_order(lines=[a_line(inscriptions=[an_inscription(text="Nan")])]))
    tools, by = counter.tools, By(ADA, counter.tools.clock())
    write = tools.database.write
    draft = write(lambda session: drafts.opened(session, by=by))
    draft = write(
        lambda s: drafts.write_file(s, draft, POLICY, stricter()[POLICY], if_version=draft.version, by=by)
    )

    def found() -> Any:
        with tools.database.reading() as session:
            return looking.looked(session).found

    assert found() is None
    assert looking.look_over(tools) == 0  # nobody has asked
    write(looking.ask)
    assert found() == looking.NOTHING_LOOKED_AT
    assert looking.look_over(tools) == 3
    assert (found().is_whole, found().differently_units) == (True, 3)
    assert looking.look_over(tools) == 0
    write(lambda s: drafts.remove_file(s, draft, HORI, if_version=draft.version, by=by))
    assert found() is None


def test_two_databases_rows_are_those_of_the_service(counter: Counter) -> None:
    change(counter, stricter())

    with counter.tools.database.reading() as session:
        rows = session.query(CatalogueInForce).order_by(CatalogueInForce.number).all()

    assert [(row.number, row.origin, row.by) for row in rows] == [
        (1, "folder", "owner:Ada"),
        (2, "posted", "owner:owner-1"),
    ]
