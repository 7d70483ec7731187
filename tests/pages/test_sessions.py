"""Signing in, and what a signed-in browser may and may not do: over HTTP, without a browser."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.records.clock import now
from service.requests import key_rows as rows
from service.requests import sessions
from tests.counter import a_client, an_app
from tests.pages.shop import FirstStart


@pytest.fixture
def shop(tmp_path: Path, first_start: FirstStart) -> Iterator[tuple[TestClient, dict[str, str]]]:
    tools = first_start.copied(tmp_path / "data")
    yield a_client(an_app(tools), follow_redirects=False), first_start.keys
    tools.database.engine.dispose()


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


@pytest.mark.parametrize("change", ["flip", "cut", "none", "endless", "deep", "older"])
def test_a_cookie_that_was_tampered_with_is_no_session(
    shop: tuple[TestClient, dict[str, str]], change: str
) -> None:
    client, made = shop
    enter(client, made["bench"])
    value = client.cookies[sessions.COOKIE]
    key = value.partition(".")[0]
    written = {"endless": b'["Ada", 1e999, "0"]', "deep": b"[" * 2_500, "older": b'{"k": 1, "e": 1e999}'}
    forged = {
        "flip": ("A" if value[12] != "A" else "B").join([value[:12], value[13:]]),
        "cut": value[:-1],
        "none": "x.y",
    } | {
        name: f"{key}.{base64.urlsafe_b64encode(body).decode().rstrip('=')}.{'A' * 43}"
        for name, body in written.items()
    }
    client.cookies.clear()

    answer = client.get("/bench", headers={"Cookie": f"{sessions.COOKIE}={forged[change]}"})

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
    [
        ("bench", "/desk", 403),
        ("bench", "/owner", 403),
        ("desk", "/owner/keys", 403),
        ("desk", "/board", 200),
        ("owner", "/desk", 200),
        ("owner", "/bench", 200),
    ],
)
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
        "/bench/loads/L99",
        "/bench/loads/x",
        "/desk/orders/O99",
        "/proof/x.y",
        "/static/x/pages.css",
        "/owner/blades/x",
    )
    statuses = [client.get(address).status_code for address in nowhere]

    assert statuses == [404] * 6


def test_signing_out_ends_the_session_wherever_its_cookie_is(shop: tuple[TestClient, dict[str, str]]) -> None:
    client, made = shop
    token = enter(client, made["bench"])
    copy = client.cookies[sessions.COOKIE]

    answer = client.post("/sign-out", data={"token": token})

    client.cookies.clear()
    with_copy = {"Cookie": f"{sessions.COOKIE}={copy}"}
    assert answer.headers["location"] == "/sign-in"
    assert client.get("/bench", headers=with_copy).status_code == 303
    assert client.get("/v1/pulls", headers=with_copy).status_code == 401
    assert client.post("/sign-out", data={"token": token}, headers=with_copy).status_code == 303


def test_signing_out_leaves_the_other_tablet_of_the_same_key_signed_in(
    shop: tuple[TestClient, dict[str, str]],
) -> None:
    client, made = shop
    enter(client, made["bench"])
    other = client.cookies[sessions.COOKIE]
    client.cookies.clear()
    token = enter(client, made["bench"])

    client.post("/sign-out", data={"token": token})

    client.cookies.clear()
    assert client.get("/bench", headers={"Cookie": f"{sessions.COOKIE}={other}"}).status_code == 200


def test_what_was_signed_out_of_is_forgotten_when_its_time_is_over(
    shop: tuple[TestClient, dict[str, str]],
) -> None:
    client, made = shop
    token = enter(client, made["bench"])
    client.post("/sign-out", data={"token": token})
    database = client.app.state.tools.database  # type: ignore[attr-defined]

    early = database.write(lambda session: rows.forget_ended(session, now()))
    late = database.write(lambda session: rows.forget_ended(session, now() + sessions.LASTS))

    assert (early, late) == (0, 1)


def a_count(rows: int) -> bytes:
    """A CSV count of one bin a row, filled up with blanks; every hundredth of a product that is not there."""
    lines = (
        f"rack {n}{' ' * 150},{'NO-SUCH' if n % 100 == 0 else 'AQ-CHEF-20'},{n % 7},{n}"
        for n in range(1, rows + 1)
    )
    return ("bin,sku,boxed,walking_order\n" + "\n".join(lines)).encode()


def test_a_count_of_a_whole_shop_is_taken_row_by_row(shop: tuple[TestClient, dict[str, str]]) -> None:
    client, made = shop
    client.post("/sign-in", data={"key": made["owner"], "name": "Olga"})
    token = client.get("/owner").text.split('name="form-token" content="')[1].split('"')[0]
    content = a_count(500)

    answer = client.post("/owner/stock", data={"token": token}, files={"file": ("count.csv", content)})

    assert len(content) > 65_536
    assert answer.status_code == 200
    assert "495 rows taken, 5 refused" in answer.text
    assert answer.text.count("\u2715 refused") == 5
    assert len(answer.content) < 150_000
    assert "<td>rack 499</td>" in client.get("/owner/stock?find=rack 499").text


def test_no_other_address_takes_so_much(shop: tuple[TestClient, dict[str, str]]) -> None:
    client, made = shop
    client.post("/sign-in", data={"key": made["owner"], "name": "Olga"})
    large = {"file": ("count.csv", b"x" * 5_000_000)}

    assert client.post("/owner/stock", files=large).status_code == 413
    assert client.post("/owner/keys", files={"file": ("count.csv", b"x" * 70_000)}).status_code == 413
