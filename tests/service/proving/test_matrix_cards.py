"""A recipe found by looking: the card's files and settings, and a chosen square in the shop's description."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from service.cli.main import app, run
from service.records.db import Database
from service.records.who import SWEEP
from service.shop import drafts
from service.shop.catalogue import default_folder, load
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter
from tests.made_up import put_in_force

ASKED = "station=north&material=stainless_4116&finish=blasted&powers=20,50&speeds=400,800&spacings=0.1"


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(default_folder(), tmp_path / "shop", ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    return tmp_path / "shop"


def test_the_card_its_settings_and_its_files_agree(counter: Counter) -> None:
    card = counter.ask("bench", "GET", f"/v1/matrix-cards?{ASKED}").json()
    table = counter.ask("bench", "GET", f"/v1/matrix-cards/settings.csv?{ASKED}")
    paper = counter.ask("bench", "GET", f"/v1/matrix-cards/settings.pdf?{ASKED}")
    file = counter.ask("bench", "GET", f"/v1/matrix-cards/card.svg?{ASKED}")

    rows = list(csv.DictReader(io.StringIO(table.text)))
    assert [row["layer"] for row in rows] == ["LABELS", "CELL-A2", "CELL-A1", "CELL-B2", "CELL-B1"]
    assert [(row["power_percent"], row["speed_mm_s"], row["dose"]) for row in rows[1:]] == [
        ("20.0", "800.0", "1.0"),
        ("20.0", "400.0", "2.0"),
        ("50.0", "800.0", "2.5"),
        ("50.0", "400.0", "5.0"),
    ]
    assert [cell["layer"] for cell in card["cells"]] == [row["layer"] for row in rows[1:]]
    assert all(f'id="{row["layer"]}"' in file.text and row["colour"] in file.text for row in rows)
    assert card["code"] in file.text and card["code"] in file.headers["content-disposition"]
    assert paper.content.startswith(b"%PDF")
    assert (card["rows_of"], card["spacing_is_set"]) == ("power", False)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ("station=nowhere", "station"),
        ("powers=20,50&spacings=0.05,0.1", "matrix"),
        ("powers=0", "powers"),
        ("powers=1.2.3", "powers"),
        ("spacings=0.001", "spacings"),
        ("line_width_mm=0.01", "line_width_mm"),
        ("speeds=1,2,3,4,5,6,7,8,9,10,11,12&powers=1,2,3,4,5,6,7,8,9", "speeds"),
    ],
)
def test_what_can_be_no_card_is_refused_with_its_field(counter: Counter, changed: str, field: str) -> None:
    given = {**dict(part.split("=") for part in ASKED.split("&"))}
    given |= dict(part.split("=") for part in changed.split("&"))

    answer = counter.ask("bench", "GET", "/v1/matrix-cards?" + "&".join(f"{k}={v}" for k, v in given.items()))

    assert (answer.status_code, answer.json()["field"]) == (422, field), answer.text


def test_only_the_owner_reads_a_square_as_a_process_and_nothing_is_changed(counter: Counter) -> None:
    address = f"/v1/matrix-cards/cells/B1?{ASKED}&process=blasted-north"

    assert counter.ask("bench", "GET", address).status_code == 403
    chosen = counter.ask("owner", "GET", address).json()
    assert chosen["process"] == "blasted-north"
    assert [file["name"] for file in chosen["files"]] == ["processes/north.toml", "stations/north.toml"]
    assert 'process = "blasted-north"' in chosen["files"][0]["text"]
    assert "blasted-north" not in counter.tools.catalogue.current.processes


def test_a_file_that_the_station_does_not_read_is_not_made(counter: Counter) -> None:
    asked = ASKED.replace("north", "south", 1)

    assert counter.ask("bench", "GET", f"/v1/matrix-cards/card.dxf?{asked}").status_code == 200
    assert counter.ask("bench", "GET", f"/v1/matrix-cards/card.pdf?{asked}").status_code == 404


def made(tmp_path: Path, folder: Path, **more: str) -> Path:
    options = {"--material": "stainless_4116", "--finish": "blasted", "--powers": "20,50", **more}
    words = [word for pair in options.items() for word in pair]
    told = CliRunner().invoke(
        app,
        ["process", "matrix", "north", *words, "--speeds", "400,800", "--spacings", "0.1"]
        + ["--fixtures", str(folder), "--out", str(tmp_path / "card")],
    )
    assert told.exit_code == 0, told.output
    assert {path.suffix for path in (tmp_path / "card").iterdir()} == {
        ".svg",
        ".dxf",
        ".pdf",
        ".csv",
        ".json",
    }
    return next((tmp_path / "card").glob("*.json"))


def test_a_chosen_square_becomes_a_process_that_waits_for_its_test_card(tmp_path: Path, folder: Path) -> None:
    card = made(tmp_path, folder)

    told = CliRunner().invoke(
        app,
        ["process", "choose", str(card), "b1", "--process", "blasted-north", "--line-width", "0.06"]
        + ["--fixtures", str(folder)],
    )

    assert told.exit_code == 0, told.output
    shop = load(folder)
    process = shop.processes["blasted-north"]
    assert (process.power_percent, process.speed_mm_s, process.rows.spacing_mm) == (50.0, 400.0, 0.1)
    assert (process.line_width_mm, process.test_card) == (0.06, None)
    layers = shop.stations["north"].layers
    assert len({style.colour for style in layers.values()}) == len(layers)
    before = (default_folder() / "processes" / "north.toml").read_text(encoding="utf-8")
    assert (folder / "processes" / "north.toml").read_text(encoding="utf-8").startswith(before.rstrip("\n"))


def test_the_recipe_that_is_there_gets_the_square_and_loses_its_card(tmp_path: Path, folder: Path) -> None:
    card = made(tmp_path, folder, **{"--finish": "satin"})

    told = CliRunner().invoke(app, ["process", "choose", str(card), "A2", "--fixtures", str(folder)])

    assert told.exit_code == 0, told.output
    process, before = load(folder).processes["satin-north"], load(default_folder()).processes["satin-north"]
    assert (process.power_percent, process.speed_mm_s, process.test_card) == (20.0, 800.0, None)
    assert process.centre_line_passes == before.centre_line_passes  # what a card does not try stays


def test_what_the_description_would_be_refused_for_is_not_written(
    tmp_path: Path, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = made(tmp_path, folder)
    file = folder / "processes" / "north.toml"
    before = file.read_bytes()

    asked: list[Any] = [["B1", "--process", "satin-north"], ["Z9", "--process", "new"], ["B1"]]
    for words in asked:
        assert run(["process", "choose", str(card), *words, "--fixtures", str(folder)]) != 0, words
    said = capsys.readouterr().err
    assert "another surface" in said and "no square Z9" in said and "what the process shall be called" in said
    assert file.read_bytes() == before


def test_the_owner_s_page_writes_the_square_into_the_draft_once(counter: Counter) -> None:
    put_in_force(counter.tools.database, by=counter.tools.by(SWEEP))
    counter.client.post("/sign-in", data={"key": counter.keys["owner"], "name": "Dora"})
    page = counter.client.get(f"/owner/matrix?{ASKED}")
    token = re.search(r'name="token" value="([^"]+)"', page.text)
    assert token and "CELL-B1" in page.text
    form = {**dict(part.split("=") for part in ASKED.split("&")), "token": token[1], "cell": "B1"}

    nameless = counter.client.post("/owner/matrix/choose", data=form)
    taps = [
        counter.client.post("/owner/matrix/choose", data={**form, "process": "blasted-north"})
        for _ in range(2)
    ]

    assert nameless.status_code == 422
    assert [tap.status_code for tap in taps] == [200, 200]
    assert all("Written into the draft" in tap.text for tap in taps)
    with counter.tools.database.reading() as session:
        draft = drafts.find(session)
    assert draft is not None and draft.edited == ("processes/north.toml", "stations/north.toml")
    assert draft.content["processes/north.toml"].count('process = "blasted-north"') == 1
    assert not drafts.troubles(draft)


def test_only_the_owner_sees_the_page(counter: Counter) -> None:
    counter.client.post("/sign-in", data={"key": counter.keys["bench"], "name": "Ben"})

    assert counter.client.get("/owner/matrix").status_code == 403
