"""Papers read back by programs that we did not write: MuPDF for pages and sizes, ZXing for the codes.

Data Matrix after ISO/IEC 16022 (memory); the reader is https://github.com/zxing-cpp/zxing-cpp.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pymupdf
import pytest
import zxingcpp
from fastapi.testclient import TestClient
from PIL import Image

from service import imports, keys
from service.app import create_app
from service.assembly import assemble
from service.clock import now
from service.settings import Settings
from service.who import Role

_MM = 72 / 25.4
_NOUR = "\u0646\u0648\u0631"


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[TestClient, dict[str, dict[str, str]]]]:
    settings = Settings(data=tmp_path, check_workers=0, sweep_seconds=60)
    tools = assemble(settings)
    imports.open_the_store_room(tools)
    headers = {}
    for role in Role:
        key = tools.database.write(
            lambda session, role=role: keys.new_key(session, role, client=role.value, now=now())
        )
        headers[role.value] = {"Authorization": f"Bearer {key}"}
    with TestClient(create_app(settings, tools=tools)) as client:
        order = {
            "order_ref": "AQ-1",
            "ship_by": (datetime.now(UTC) + timedelta(days=3)).isoformat(),
            "lines": [
                {"line_ref": "1", "sku": "AQ-CHEESE-14", "quantity": 2,
                 "inscriptions": [{"zone": "between_holes", "text": _NOUR, "font": "amiri-bold"}]}
            ],
        }  # fmt: skip
        answer = client.post(
            "/v1/orders", json=order, headers={**headers["store"], "Idempotency-Key": "one-order-1"}
        )
        assert answer.status_code == 201, answer.text
        yield client, headers


def codes_in(pdf: bytes, *, dpi: int = 150) -> list[list[str]]:
    """Texts of the two-dimensional codes, page by page."""
    with pymupdf.open(stream=pdf, filetype="pdf") as document:
        pictures = [Image.open(io.BytesIO(page.get_pixmap(dpi=dpi).tobytes("png"))) for page in document]
    return [sorted(one.text for one in zxingcpp.read_barcodes(picture)) for picture in pictures]


def take(client: TestClient, headers: dict[str, dict[str, str]]) -> str:
    for station in ("north", "south"):
        body = {"station": station, "operator": "Ines"}
        answer = client.post("/v1/loads/next", json=body, headers=headers["bench"])
        if answer.status_code == 201:
            identity: str = answer.json()["id"]
            return identity
    raise AssertionError("no station had a load")


def test_every_label_bears_its_unit_in_a_code_that_a_reader_reads(
    shop: tuple[TestClient, dict[str, dict[str, str]]],
) -> None:
    client, headers = shop
    load = take(client, headers)

    labels = client.get(f"/v1/loads/{load}/labels.pdf", headers=headers["bench"]).content

    assert sorted(codes_in(labels)) == [["J1"], ["J2"]]
    with pymupdf.open(stream=labels, filetype="pdf") as document:
        assert (round(document[0].rect.width / _MM), round(document[0].rect.height / _MM)) == (62, 29)


def test_the_load_sheet_has_a_page_a_turn_with_its_code_file_and_cautions(
    shop: tuple[TestClient, dict[str, dict[str, str]]],
) -> None:
    client, headers = shop
    load = take(client, headers)
    answer = client.get(f"/v1/loads/{load}", headers=headers["bench"]).json()

    sheet = client.get(f"/v1/loads/{load}/sheet.pdf", headers=headers["bench"]).content

    assert codes_in(sheet) == [[load]] * len(answer["turns"])
    with pymupdf.open(stream=sheet, filetype="pdf") as document:
        words = document[0].get_text()
    assert answer["turns"][0]["file"] in words
    assert "laser safety officer" in words and "Class 4" in words
    for slot in answer["turns"][0]["slots"]:
        assert slot["job"] in words
    assert all(pull["bin"] in words for pull in answer["pulls"])


def test_the_same_load_gives_the_same_bytes(shop: tuple[TestClient, dict[str, dict[str, str]]]) -> None:
    client, headers = shop
    load = take(client, headers)

    first, second = (
        client.get(f"/v1/loads/{load}/{name}.pdf", headers=headers["bench"]).content
        for name in ("sheet", "sheet")
    )

    assert first == second


def test_the_proof_shows_a_short_blade_at_true_size(
    shop: tuple[TestClient, dict[str, dict[str, str]]],
) -> None:
    client, headers = shop
    checked = client.get("/v1/orders/O1", headers=headers["store"]).json()["lines"][0]["checked"][0]
    x0, y0, x1, y1 = checked["box_mm"]

    proof = client.get("/v1/orders/O1/proof.pdf", headers=headers["store"]).content

    with pymupdf.open(stream=proof, filetype="pdf") as document:
        black = [
            drawing["rect"] for drawing in document[0].get_drawings() if drawing["fill"] == (0.0, 0.0, 0.0)
        ]
        assert "true size when printed at 100 %" in document[0].get_text()
    width = max(rect.x1 for rect in black) - min(rect.x0 for rect in black)
    height = max(rect.y1 for rect in black) - min(rect.y0 for rect in black)
    assert width / _MM == pytest.approx(x1 - x0, abs=0.05)
    assert height / _MM == pytest.approx(y1 - y0, abs=0.05)


def test_papers_are_for_those_who_may_see_the_thing(
    shop: tuple[TestClient, dict[str, dict[str, str]]],
) -> None:
    client, headers = shop
    load = take(client, headers)

    statuses = [
        client.get(f"/v1/loads/{load}/sheet.pdf", headers=headers["store"]).status_code,
        client.get(f"/v1/loads/{load}/labels.pdf").status_code,
        client.get("/v1/orders/O1/proof.pdf").status_code,
        client.get("/v1/loads/L99/sheet.pdf", headers=headers["bench"]).status_code,
    ]

    assert statuses == [403, 401, 401, 404]


def test_a_link_answers_for_its_words_only(shop: tuple[TestClient, dict[str, dict[str, str]]]) -> None:
    client, headers = shop
    link = client.post("/v1/orders/O1/proof-link", headers=headers["store"]).json()["url"]
    before = client.get(link).status_code
    etag = client.get("/v1/orders/O1", headers=headers["desk"]).headers["ETag"]
    words = [{"zone": "between_holes", "text": "Nan", "font": "lato-bold"}]
    amended = client.patch(
        "/v1/orders/O1/lines/1", json={"inscriptions": words}, headers={**headers["desk"], "If-Match": etag}
    )

    after = client.get(link)

    assert (before, amended.status_code, after.status_code) == (200, 200, 409)
    assert "words were changed" in after.text
    assert client.get(link[:-1] + ("0" if link[-1] != "0" else "1")).status_code == 404
