"""Signing in, and what a signed-in browser may and may not do: over HTTP, without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service import keys, sessions
from service.app import create_app
from service.assembly import assemble
from service.clock import now
from service.settings import Settings
from service.who import Role


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[TestClient, dict[str, str]]]:
    settings = Settings(data=tmp_path, check_workers=0, sweep_seconds=60)
    tools = assemble(settings)
    made = {
        role.value: tools.database.write(
            lambda session, role=role: keys.new_key(session, role, client=role.value, now=now())
        )
        for role in Role
    }
    with TestClient(create_app(settings, tools=tools), follow_redirects=False) as client:
        yield client, made


def enter(client: TestClient, key: str) -> str:
    """Sign in; gives the token of the session's forms."""
    answer = client.post("/sign-in", data={"key": key, "name": "Ines", "then": "/"})
    assert answer.status_code == 303
    page = client.get("/bench").text
    return page.split('name="form-token" content="')[1].split('"')[0]


def test_the_cookie_holds_no_key_and_no_script_or_other_site_gets_it(
    shop: tuple[TestClient, dict[str, str]],
) -> None:
    client, made = shop

    answer = client.post("/sign-in", data={"key": made["bench"], "name": "Ines"})

    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie
    assert made["bench"].split("_")[3][:20] not in cookie


@pytest.mark.parametrize("key", ["", "nonsense", "rcs_bench_aaaaaaaa_" + "b" * 40 + "0000000"])
def test_a_wrong_key_opens_nothing(shop: tuple[TestClient, dict[str, str]], key: str) -> None:
    client, _ = shop

    answer = client.post("/sign-in", data={"key": key, "name": "Ines"})

    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers


def test_a_store_s_key_is_for_programs_only(shop: tuple[TestClient, dict[str, str]]) -> None:
    client, made = shop

    answer = client.post("/sign-in", data={"key": made["store"], "name": "Shop"})

    assert answer.status_code == 401


@pytest.mark.parametrize("change", ["flip", "cut", "none"])
def test_a_cookie_that_was_tampered_with_is_no_session(
    shop: tuple[TestClient, dict[str, str]], change: str
) -> None:
    client, made = shop
    enter(client, made["bench"])
    value = client.cookies[sessions.COOKIE]
    forged = {"flip": ("A" if value[3] != "A" else "B").join([value[:3], value[4:]]), "cut": value[:-1],
              "none": "x.y"}[change]  # fmt: skip
    client.cookies.clear()

    answer = client.get("/bench", headers={"Cookie": f"{sessions.COOKIE}={forged}"})

    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in")


def test_a_form_without_its_token_changes_nothing(shop: tuple[TestClient, dict[str, str]]) -> None:
    client, made = shop
    enter(client, made["bench"])

    answer = client.post("/bench/next", data={"station": "north"})

    assert answer.status_code == 403


def test_a_form_from_another_site_changes_nothing_even_with_the_token(
    shop: tuple[TestClient, dict[str, str]],
) -> None:
    client, made = shop
    token = enter(client, made["bench"])

    answer = client.post(
        "/bench/next", data={"station": "north", "token": token}, headers={"Sec-Fetch-Site": "cross-site"}
    )

    assert answer.status_code == 403


def test_the_cookie_reads_over_the_api_and_writes_only_with_the_token(
    shop: tuple[TestClient, dict[str, str]],
) -> None:
    client, made = shop
    token = enter(client, made["bench"])
    body = {"station": "north", "operator": "Ines"}

    reading = client.get("/v1/pulls")
    without = client.post("/v1/loads/next", json=body)
    with_token = client.post("/v1/loads/next", json=body, headers={sessions.TOKEN_HEADER: token})

    assert reading.status_code == 200
    assert without.status_code == 403 and without.json()["code"] == "form_token_wrong"
    assert with_token.status_code == 204


@pytest.mark.parametrize(
    ("role", "address", "status"),
    [("bench", "/desk", 403), ("bench", "/owner", 403), ("desk", "/owner/keys", 403), ("desk", "/board", 200),
     ("owner", "/desk", 200), ("owner", "/bench", 200)],
)  # fmt: skip
def test_a_page_is_for_its_roles(
    shop: tuple[TestClient, dict[str, str]], role: str, address: str, status: int
) -> None:
    client, made = shop
    client.post("/sign-in", data={"key": made[role], "name": "Ines"})

    assert client.get(address).status_code == status


@pytest.mark.parametrize(
    "then", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "x"]
)
def test_sign_in_leads_nowhere_else(shop: tuple[TestClient, dict[str, str]], then: str) -> None:
    client, made = shop

    answer = client.post("/sign-in", data={"key": made["bench"], "name": "Ines", "then": then})

    assert answer.headers["location"] == "/"


def test_a_page_runs_no_script_but_its_own(shop: tuple[TestClient, dict[str, str]]) -> None:
    client, made = shop
    enter(client, made["bench"])

    policy = client.get("/bench").headers["content-security-policy"]

    assert "script-src 'self'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy


def test_an_address_that_is_not_there_says_so_without_a_trace(
    shop: tuple[TestClient, dict[str, str]],
) -> None:
    client, made = shop
    enter(client, made["owner"])

    nowhere = (
        "/bench/loads/L99", "/bench/loads/x", "/desk/orders/O99", "/proof/x.y", "/static/x/pages.css",
        "/owner/blades/x",
    )  # fmt: skip
    statuses = [client.get(address).status_code for address in nowhere]

    assert statuses == [404] * 6
