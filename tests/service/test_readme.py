"""README and the page of commands and settings say what the program does; what they name is there."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

from service.cli.main import app
from service.shop.settings import Settings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SETTINGS = (ROOT / "service" / "guides" / "settings.md").read_text(encoding="utf-8")


def test_every_setting_is_listed_with_its_default() -> None:
    listed = dict(re.findall(r"^\| `RICASSO_(\w+)` \| ([^|]*) \|", SETTINGS, flags=re.MULTILINE))

    assert set(listed) == {name.upper() for name in Settings.model_fields}
    for name, field in Settings.model_fields.items():
        default = "" if field.default in {None, ""} else str(field.default)
        assert listed[name.upper()].strip().strip("`") == default, name


def test_every_command_is_listed() -> None:
    commands = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]

    listed = set(re.findall(r"(?:`ricasso | / `)([a-z-]+)", SETTINGS))

    assert commands <= listed, commands - listed


@pytest.mark.parametrize("picture", re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README))
def test_every_picture_is_there(picture: str) -> None:
    assert (ROOT / picture).is_file()


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_a_page_names_is_there(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    named = re.findall(r"`((?:layout|service|tests|fixtures|demo)/[A-Za-z0-9_./-]*)`", text)
    named += re.findall(r"\]\(((?!http)[^)#]+)\)", text)

    missing = [name for name in named if not (ROOT / name).exists()]

    assert missing == []


@pytest.mark.long
@pytest.mark.timeout(900)  # a whole day, on a machine that may be busy
def test_the_demo_prints_what_the_tour_quotes(tmp_path: Path) -> None:
    excerpts = re.findall(r"^```\n(\d+\. .*?)^```$", README, re.MULTILINE | re.DOTALL)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]

    told = subprocess.run(
        [sys.executable, "-m", "demo", "--once", "--port", str(port), "--out", str(tmp_path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=800,
        check=False,
    )

    printed = {line.strip() for line in told.stdout.splitlines()}
    assert told.returncode == 0, told.stderr
    assert excerpts
    assert {line.strip() for quoted in excerpts for line in quoted.splitlines()} - printed == set()
