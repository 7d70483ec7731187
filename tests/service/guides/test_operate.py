"""The guide "Running it" works as it is written, but for places and for services of the machine."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy.engine import URL
from typer.main import get_command

from service.cli.main import app
from service.pages.guides import FOLDER
from service.records.db import open_engine
from service.upkeep import copy_rows
from tests.service.guides.running import ROOT, Reader, blocks

GUIDE = (FOLDER / "operate.md").read_text(encoding="utf-8")
UNIT = (FOLDER / "ricasso.service").read_text(encoding="utf-8")
#: What no test can run as it is written, and what is done in its place.
NOT_AS_WRITTEN = {
    "systemctl stop ricasso": "no systemd here: the served window is stopped",
    "systemctl start ricasso": "no systemd here: what the unit starts is started, with its settings",
}


def commands(text: str) -> list[str]:
    return [line for line in text.replace("\\\n", " ").splitlines() if line.strip()]


@pytest.mark.long
@pytest.mark.postgres
@pytest.mark.timeout(1800)  # everything that is locked is fetched
def test_the_guide_from_an_empty_machine_to_another_database(tmp_path: Path, empty_postgres_url: URL) -> None:
    look = [sys.executable, "-m", "pip", "index", "versions", "pip", "--retries", "0", "--timeout", "15"]
    if subprocess.run(look, capture_output=True, check=False).returncode != 0:
        pytest.skip("NOT RUN: no package index can be reached from here")
    url = empty_postgres_url.render_as_string(hide_password=False)
    for folder in ("opt", "var", "backup"):
        (tmp_path / folder).mkdir()
    places = {
        "/opt/ricasso": f"{tmp_path}/opt/ricasso",
        "/var/lib/ricasso": f"{tmp_path}/var/ricasso",
        "/backup": f"{tmp_path}/backup",
        "/tmp/rehearsal": f"{tmp_path}/rehearsal",
        "postgresql+psycopg://ricasso@db.example/ricasso": url,
    }
    # Built from a copy, as somebody who has unpacked a release would.
    release = tmp_path / "release"
    left_out = shutil.ignore_patterns(".*", "__pycache__", "tests", "demo", "var", "out")
    shutil.copytree(ROOT, release, ignore=left_out)

    with Reader(release, path=f"{places['/opt/ricasso']}/bin") as reader:
        for kind, name, text in blocks(GUIDE):
            for place, here in places.items():
                text = text.replace(place, here)  # noqa: PLW2901
            if name == "window":
                reader.follows(f"```{kind} {name}\n{text}```\n")
                continue
            for command in commands(text):
                if command in NOT_AS_WRITTEN:
                    reader.close_windows()
                    if " start " in command:
                        reader.follows(f"```sh window\n{started_by_the_unit(places)}\n```\n")
                    continue
                if command.startswith("ricasso move"):
                    reader.close_windows()  # nobody may serve meanwhile
                reader.follows(f"```sh\n{command}\n```\n")

    said = "\n".join(reader.printed)
    assert said.count("nothing damaged") >= 2  # the rehearsal, and both sides of the move
    assert "(up to date)" in said
    data = Path(places["/var/lib/ricasso"])
    assert (data / "ricasso.sqlite3.moved").is_file() and not (data / "ricasso.sqlite3").exists()
    assert (tmp_path / "rehearsal" / "ricasso.sqlite3").is_file()
    engine = open_engine(url)
    assert not copy_rows.is_untouched(engine)
    engine.dispose()


def started_by_the_unit(places: dict[str, str]) -> str:
    """ExecStart with the unit's own settings, but for the shop's description, which this shop has not."""
    settings = re.findall(r"^Environment=(RICASSO_\w+=\S+)$", UNIT, re.MULTILINE)
    (command,) = re.findall(r"^ExecStart=(.+)$", UNIT, re.MULTILINE)
    words = [*(one for one in settings if not one.startswith("RICASSO_FIXTURES=")), command]
    line = " ".join(words)
    for place, here in places.items():
        line = line.replace(place, here)
    return line


def test_every_block_of_the_guide_is_one_that_the_test_runs() -> None:
    assert {(kind, name) for kind, name, _ in blocks(GUIDE)} == {("sh", ""), ("sh", "window")}
    assert GUIDE.count("```") == 2 * len(blocks(GUIDE))
    written = {command for _, _, text in blocks(GUIDE) for command in commands(text)}
    assert set(NOT_AS_WRITTEN) <= written


def test_every_command_that_the_guide_names_in_passing_is_there_with_its_options() -> None:
    named = {" ".join(words.split()) for words in re.findall(r"`(ricasso [^`]+)`", GUIDE)}
    named |= {command for _, _, text in blocks(GUIDE) for command in commands(text) if "ricasso " in command}
    ricasso = get_command(app)
    checked = 0
    for line in named:
        words = [word for word in shlex.split(line) if not re.match(r"[A-Z_]+=", word)]
        if not words[0].endswith("ricasso") or words[1].startswith("-"):
            continue
        depth = 2 if words[1] in {"db", "keys", "catalogue", "fonts"} else 1
        shown = CliRunner(env={"COLUMNS": "200"}).invoke(ricasso, [*words[1 : 1 + depth], "--help"])
        options = {word for word in words[1:] if word.startswith("--")}
        assert shown.exit_code == 0, line
        assert {option for option in options if option not in shown.output} == set(), line
        checked += 1
    assert checked > 8


def test_folders_and_address_of_the_unit_are_those_of_the_guide() -> None:
    assert "ExecStart=/opt/ricasso/bin/ricasso serve --port 8000" in UNIT
    assert "RICASSO_DATA=/var/lib/ricasso" in UNIT
