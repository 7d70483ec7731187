"""Papers read back by programs that we did not write: PDFium for pages and sizes, ZXing for the codes.

Data Matrix after ISO/IEC 16022 (memory); the reader is https://github.com/zxing-cpp/zxing-cpp.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import shapely
import zxingcpp
from fastapi.testclient import TestClient

from layout.check.feasibility import check
from layout.seating.registration import nominal
from layout.shop.inscriptions import TextInscription
from layout.shop.loads import LoadLayout, SlotFill, Turn
from layout.shop.shop import Shop
from service.loads.calibration_answers import LoadCalibrationAnswer
from service.loads.load_answers import LoadAnswer, PullAnswer, SlotAnswer, TurnAnswer
from service.papers.load_sheet import load_sheet
from service.papers.voice import Voice
from service.records.states import LoadState
from service.shop import catalogue
from tests import pdf
from tests.counter import a_client, an_app
from tests.pages.shop import FirstStart

_NOUR = "\u0646\u0648\u0631"


@pytest.fixture
def shop(tmp_path: Path, first_start: FirstStart) -> Iterator[tuple[TestClient, dict[str, dict[str, str]]]]:
    tools = first_start.copied(tmp_path / "data")
    headers = {role: {"Authorization": f"Bearer {key}"} for role, key in first_start.keys.items()}
    client = a_client(an_app(tools))
    order = {
        "order_ref": "AQ-1",
        "ship_by": (datetime.now(UTC) + timedelta(days=3)).isoformat(),
        "lines": [
            {
                "line_ref": "1",
                "sku": "AQ-CHEESE-14",
                "quantity": 2,
                "inscriptions": [{"zone": "between_holes", "text": _NOUR, "font": "amiri-bold"}],
            }
        ],
    }
    answer = client.post(
        "/v1/orders", json=order, headers={**headers["store"], "Idempotency-Key": "one-order-1"}
    )
    assert answer.status_code == 201, answer.text
    yield client, headers
    tools.database.engine.dispose()


def codes_in(paper: bytes, *, dpi: int = 150) -> list[list[str]]:
    """Texts of the two-dimensional codes, page by page."""
    pictures = pdf.pictures_of(paper, dpi=dpi)
    return [sorted(code.text for code in zxingcpp.read_barcodes(picture)) for picture in pictures]


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
    assert all("AQ-1" in words and "Dairy cheese knife" in words for words in pdf.words_of(labels))
    assert [round(length / pdf.MM) for length in pdf.sizes_of(labels)[0]] == [62, 29]


def test_the_load_sheet_has_a_page_a_turn_with_its_code_file_and_cautions(
    shop: tuple[TestClient, dict[str, dict[str, str]]],
) -> None:
    client, headers = shop
    load = take(client, headers)
    answer = client.get(f"/v1/loads/{load}", headers=headers["bench"]).json()

    sheet = client.get(f"/v1/loads/{load}/sheet.pdf", headers=headers["bench"]).content

    assert codes_in(sheet) == [[load]] * len(answer["turns"])
    words = pdf.words_of(sheet)[0]
    assert answer["turns"][0]["file"] in words
    assert "laser safety officer" in words and "Class 4" in words
    for slot in answer["turns"][0]["slots"]:
        assert all(slot[said] in words for said in ("job", "order_ref", "process"))
        due = datetime.fromisoformat(slot["ship_by"])  # the made-up shop's clock is UTC
        assert f"{due:%a} {due.day} {due:%b %H:%M}" in words
    units = len(answer["turns"][0]["slots"])
    assert [words.count(step) for step in ("seated", "burned", "inspected", "in its box")] == [units] * 4
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

    measured = client.get("/v1/orders/O1/proof.pdf?drawing=measured", headers=headers["store"]).content

    def size(marks: Sequence[tuple[float, float, float, float]]) -> list[float]:
        x0, y0, x1, y1 = shapely.total_bounds([shapely.box(*mark) for mark in marks])
        return [(x1 - x0) / pdf.MM, (y1 - y0) / pdf.MM]

    words = "true size when printed at 100 %"
    assert words in pdf.words_of(proof)[0] and words in pdf.words_of(measured)[0]
    on_unit, near = (path.box for path in pdf.paths_of(proof)[0] if path.fill == (0x23, 0x27, 0x2B))
    # The picture shows what is burned, which is wider than what was drawn by less than a line.
    assert size([on_unit]) == pytest.approx([x1 - x0, y1 - y0], abs=0.1)
    assert size([near])[0] > 3 * size([on_unit])[0]
    black = [path.box for path in pdf.paths_of(measured)[0] if path.fill == (0, 0, 0)]
    assert size(black) == pytest.approx([x1 - x0, y1 - y0], abs=0.05)


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
    shown = client.get(link)
    etag = client.get("/v1/orders/O1", headers=headers["desk"]).headers["ETag"]
    words = [{"zone": "between_holes", "text": "Nan", "font": "lato-bold"}]
    amended = client.patch(
        "/v1/orders/O1/lines/1", json={"inscriptions": words}, headers={**headers["desk"], "If-Match": etag}
    )

    after = client.get(link)

    assert (shown.status_code, amended.status_code, after.status_code) == (200, 200, 409)
    assert "This page works until" in shown.text
    assert "words were changed" in after.text
    # Not the last character: base64 leaves some of its bits unused.
    assert client.get(link[:-9] + ("0" if link[-9] != "0" else "1") + link[-8:]).status_code == 404


def a_load(*, units: int, pulls: int) -> tuple[Shop, LoadLayout, LoadAnswer]:
    """A load and its answer: `units` knives on the long plate, each with two marks on one face."""
    shop = catalogue.load(catalogue.default_folder())
    (mark,) = check(shop, "AQ-CHEF-20", [TextInscription("heel", "For Nan", "lato-bold", 4.0)]).marks
    slots = [slot.slot for slot in shop.plates["long"].slots][:units]
    fills = tuple(
        SlotFill(slot, "AQ-CHEF-20", "chef-20", "mark_side", (mark, mark), frozenset(), job=f"J{number}")
        for number, slot in enumerate(slots, start=1)
    )
    calibration = nominal(shop.stations["north"], shop.plates["long"], "long-1")
    turn = TurnAnswer(
        turn=1,
        file_sha256="0" * 64,
        short_code="ABCDEF",
        file="L7-t1-r1-ABCDEF.svg",
        files={},
        focus_mm=201.5,
        slots=tuple(
            SlotAnswer(
                slot=fill.slot,
                sku=fill.sku,
                face=fill.face,
                state="planned",
                attempt=1,
                handle_direction=0,
                process="steel",
                job=fill.job,
                texts=(),
            )
            for fill in fills
        ),
    )
    day = datetime(2026, 11, 2, 8, tzinfo=UTC)
    load = LoadAnswer(
        id="L7",
        state=LoadState.CLAIMED,
        plate="long",
        plate_copy="long-1",
        station="north",
        operator="Ines",
        mounted=None,
        revision=1,
        etag='"1.1"',
        current_turn=1,
        lease_until=day,
        turns=(turn,),
        clear=(),
        jobs=(),
        pulls=tuple(
            PullAnswer(bin=f"BIN-{n}", walking_order=n, sku="AQ-CHEF-20", quantity=1, jobs=(f"J{n}",))
            for n in range(1, pulls + 1)
        ),
        burn_seconds=10.0,
        catalogue_version=shop.version,
        calibration=LoadCalibrationAnswer(id="C3", measured_at=day, residual_mm=0.02),
        created_at=day,
        started_at=None,
        ended_at=None,
    )
    return shop, LoadLayout("north", "long", "long-1", calibration, (Turn(1, fills),)), load


def test_the_load_sheet_shows_every_mark_and_every_pull_on_as_many_pages_as_that_takes() -> None:
    shop, layout, load = a_load(units=5, pulls=60)

    sheet = load_sheet(shop, layout, load, Voice())

    pages = pdf.words_of(sheet)
    together = "\n".join(pages)
    assert all(f"BIN-{n} " in together for n in range(1, 61))
    assert [f"page {n} of {len(pages)}" in text for n, text in enumerate(pages, start=1)] == [True] * len(
        pages
    )
    assert codes_in(sheet) == [["L7"]] * len(pages)
    paths = [path for page in pdf.paths_of(sheet) for path in page]
    black = [path for path in paths if path.fill == (0, 0, 0) and path.lines > 40]
    assert len(black) == 2 * 5 * 2  # each of two marks, on the plate's picture and in the table


def test_nothing_on_the_load_sheet_lies_outside_the_paper_or_over_the_cautions() -> None:
    shop, layout, load = a_load(units=5, pulls=60)

    sheet = load_sheet(shop, layout, load, Voice())

    with pdf.pages_of(sheet) as pages:
        for page in pages:
            width, height = page.get_size()
            *_, cautions_top = pdf.box_of(page, "Class 4 laser")
            for letter, (x0, y0, x1, y1) in pdf.letters_of(page):
                assert 0 < x0 < x1 < width and 0 < y0 < y1 < height, letter
                assert y0 >= cautions_top or y1 <= cautions_top + 0.1, letter


def test_papers_speak_the_language_of_whoever_prints_them(
    shop: tuple[TestClient, dict[str, dict[str, str]]],
) -> None:
    client, headers = shop
    load = take(client, headers)
    german = {**headers["bench"], "Accept-Language": "de"}

    (sheet,) = pdf.words_of(client.get(f"/v1/loads/{load}/sheet.pdf", headers=german).content)
    labels = pdf.words_of(client.get(f"/v1/loads/{load}/labels.pdf", headers=german).content)
    (proof,) = pdf.words_of(client.get("/v1/orders/O1/proof.pdf", headers=german).content)

    assert "Laser der Klasse 4" in sheet and "Gang 1 von 1" in sheet and "Class" not in sheet
    assert "Platz" in labels[0]
    assert (
        "Bestellung AQ-1" in proof and "Originalgr\u00f6\u00dfe" in proof and "So wird es graviert" in proof
    )
