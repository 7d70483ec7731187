"""The guide "A shop from nothing" works as it is written: its files are made, its commands run, in its
order."""

from __future__ import annotations

import os
import re
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import pytest
import shapely
from shapely import affinity

import service
from service.shop.catalogue import load
from tests.references.readers import svg_paths

GUIDE = (Path(service.__file__).parent / "guides" / "first-shop.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"^```(\w+) ?(.*?)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
ROOT = Path(service.__file__).parents[1]


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[dict[str, str]]:
    """An environment with `ricasso` on its path and no settings."""
    (tmp_path / "bin").mkdir()
    command = tmp_path / "bin" / "ricasso"
    command.write_text(f'#!/bin/sh\nexec {sys.executable} -c "from service.cli import main; main()" "$@"\n')
    command.chmod(command.stat().st_mode | stat.S_IXUSR)
    bare = {name: value for name, value in os.environ.items() if not name.startswith("RICASSO_")}
    yield {**bare, "PATH": f"{tmp_path / 'bin'}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}


def a_free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def wait_until_ready(address: str, process: subprocess.Popen[bytes]) -> None:
    for _ in range(600):
        assert process.poll() is None, "the service ended"
        try:
            with urlopen(f"{address}/readyz", timeout=5):
                return
        except (URLError, ConnectionError):
            time.sleep(0.1)
    raise AssertionError("the service did not come up")


@pytest.mark.long
def test_the_guide_from_an_empty_folder_to_the_first_burn_file(tmp_path, shell):
    folder, port = tmp_path / "work", a_free_port()
    folder.mkdir()
    service_process: subprocess.Popen[bytes] | None = None
    done: list[str] = []
    try:
        for kind, said, block in BLOCK.findall(GUIDE):
            text = block.replace("8000", str(port))
            if kind == "sh" and said == "window":
                service_process = subprocess.Popen(
                    ["sh", "-c", f"exec {text.strip()}"], cwd=folder, env=shell, stdout=subprocess.DEVNULL
                )
                wait_until_ready(f"http://127.0.0.1:{port}", service_process)
            elif kind == "sh":
                # Keys that one block makes are there in the next: variables are kept in a file between
                # blocks.
                script = (
                    f"set -eu\n[ ! -f vars ] || . ./vars\n{text}\nset | grep -E "
                    "'^(OWNER|BENCH|STORE)=' > vars || true\n"
                )
                ran = subprocess.run(
                    ["sh", "-c", script],
                    cwd=folder,
                    env=shell,
                    capture_output=True,
                    text=True,
                    timeout=120,
                    check=False,
                )
                assert ran.returncode == 0, (text, ran.stdout, ran.stderr)
                done.append(ran.stdout)
            elif kind == "toml":
                with (folder / said).open("a", encoding="utf-8") as file:
                    file.write("\n" + text)
            else:
                (folder / said).write_text(text, encoding="utf-8")
    finally:
        if service_process is not None:
            service_process.terminate()
            service_process.wait(60)

    shop = load(folder / "shop")
    said = "\n".join(done)
    face = shop.blades["carving-axe"].face("mark_side")
    width, height = (
        b - a for a, b in zip(face.silhouette.bounds[:2], face.silhouette.bounds[2:], strict=True)
    )
    burned = (folder / "burn.svg").read_bytes()
    assert (round(width, 1), round(height, 1)) == (109.5, 72)
    assert "blade carving-axe, mark side: 110 mm long, 72 mm high" in said
    assert '"verdict":"accept"' in said
    assert (folder / "card.svg").read_bytes() != burned
    assert b"GROUND" in burned
    # Everything that is burned lies in the axe's zone, in one of the slots, as an independent reader sees
    # the file.
    station, plate = shop.stations["bench"], shop.plates["heads"]
    lines = shapely.MultiLineString(svg_paths(burned, station.field_box_mm))
    x, y, _ = station.plates["heads"]
    seats = [slot.seat("carving-axe", "mark_side").pose for slot in plate.slots]
    zones = [affinity.translate(face.zone("flat").polygon, x + p.x_mm, y + p.y_mm) for p in seats]
    assert lines.length > 100
    assert sum(zone.covers(lines) for zone in zones) == 1


def test_every_block_of_the_guide_is_of_a_kind_that_the_test_runs():
    blocks = BLOCK.findall(GUIDE)

    assert {kind for kind, _, _ in blocks} == {"sh", "toml", "svg"}
    assert GUIDE.count("```") == 2 * len(blocks)


def test_every_command_of_the_guide_exists():
    from typer.main import get_command

    from service.cli.main import app

    words = set(re.findall(r"\bricasso ([a-z][a-z-]*)", GUIDE))

    assert words <= set(get_command(app).commands)
    assert {"init", "catalogue", "doctor", "serve", "keys"} <= words
