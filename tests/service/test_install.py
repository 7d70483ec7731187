"""Ricasso as it is installed: a wheel, an environment of its own, a folder that is no checkout."""

from __future__ import annotations

import email
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import sysconfig
import time
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import Request, urlopen

import pytest

ROOT = Path(__file__).parents[2]
#: What is in the wheel beside its own description.
PACKAGES = ("layout", "service", "fixtures")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = folder.glob("ricasso-*.whl")
    return wheel


def test_the_wheel_holds_all_that_the_service_reads_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as packed:
        inside = {name for name in packed.namelist() if ".dist-info/" not in name}
        (described,) = [name for name in packed.namelist() if name.endswith("/METADATA")]
        description = email.message_from_bytes(packed.read(described))
    source = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }

    assert inside == source
    # Templates, guides, translations and the shops to start from are no Python, and just as needed.
    assert {".html", ".css", ".js", ".toml", ".md", ".po", ".yml"} <= {Path(name).suffix for name in inside}
    assert description["License-Expression"] == "Apache-2.0"
    assert not [line for line in description.get_all("Requires-Dist", []) if " @ " in line]


# --- installed elsewhere ---


class Installed:
    """An environment with Ricasso in it, and a folder to work in; neither knows of the checkout."""

    def __init__(self, folder: Path, wheel: Path, *, from_lock: bool) -> None:
        self.work = folder / "work"
        self.work.mkdir()
        self.bin = folder / "environment" / "bin"
        python = self.bin / "python"
        pip = [sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet", "--no-compile"]
        self._do([sys.executable, "-m", "venv", "--without-pip", str(self.bin.parent)])
        if from_lock:
            self._do([*pip, "--require-hashes", "-r", str(ROOT / "requirements.lock")])
        else:  # the packages of the test's own environment, but not what is a checkout in it
            site = next(self.bin.parent.glob("lib/python*/site-packages"))
            (site / "others.pth").write_text(sysconfig.get_path("purelib") + "\n")
        self._do([*pip, "--no-deps", "--no-index", str(wheel)])

    def _do(self, command: list[str]) -> str:
        done = subprocess.run(
            command, cwd=self.work, env=self.env, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, (command, done.stdout, done.stderr)
        return done.stdout

    @property
    def env(self) -> dict[str, str]:
        kept = {
            n: v for n, v in os.environ.items() if not n.startswith(("RICASSO_", "PYTHON", "VIRTUAL_ENV"))
        }
        return {**kept, "PYTHONWARNINGS": "error::SyntaxWarning"}

    def ricasso(self, *arguments: str) -> str:
        return self._do([str(self.bin / "ricasso"), *arguments])

    def fails(self, *arguments: str) -> tuple[int, str]:
        command = [str(self.bin / "ricasso"), *arguments]
        done = subprocess.run(
            command, cwd=self.work, env=self.env, capture_output=True, text=True, check=False
        )
        return done.returncode, done.stderr

    @contextmanager
    def serving(self, *arguments: str) -> Iterator[str]:
        """The address of `ricasso serve`, ready; its log is kept in `log`."""
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        command = [str(self.bin / "ricasso"), "serve", "--port", str(port), *arguments]
        with (self.work / "log").open("a") as log:
            process = subprocess.Popen(command, cwd=self.work, env=self.env, stdout=log, stderr=log)
        address = f"http://127.0.0.1:{port}"
        try:
            for _ in range(900):
                assert process.poll() is None, (self.work / "log").read_text()
                try:
                    urlopen(f"{address}/readyz", timeout=5).close()
                    break
                except (URLError, ConnectionError):
                    time.sleep(0.1)
            yield address
        finally:
            process.send_signal(signal.SIGINT)
            assert process.wait(120) == 0


def asked(address: str, key: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    if body is not None:
        headers["Idempotency-Key"] = "the-only-one"
    request = Request(address, headers=headers, data=None if body is None else json.dumps(body).encode())
    with urlopen(request, timeout=60) as answer:
        read: dict[str, Any] = json.load(answer)
        return read


ORDER = {
    "order_ref": "S-1",
    "ship_by": "2031-05-01T12:00:00Z",
    "lines": [
        {
            "line_ref": "1",
            "sku": "HATCHET-SMALL",
            "quantity": 1,
            "inscriptions": [{"zone": "cheek", "text": "For Ada", "font": "sans"}],
        }
    ],
}


@pytest.mark.long
@pytest.mark.parametrize("from_lock", [False, True], ids=["beside other packages", "from the lock alone"])
def test_installed_set_up_served_backed_up_broken_restored_audited(
    wheel: Path, tmp_path: Path, from_lock: bool
) -> None:
    if from_lock:
        look = ["pip", "index", "versions", "pip", "--retries", "0", "--timeout", "15"]
        if subprocess.run([sys.executable, "-m", *look], capture_output=True, check=False).returncode != 0:
            pytest.skip("NOT RUN: no package index can be reached from here")
    it = Installed(tmp_path, wheel, from_lock=from_lock)

    # Set up.
    assert re.fullmatch(r"ricasso \d+\.\d+\.\d+\n", it.ricasso("--version"))
    where = "import layout, service; print(layout.__file__, service.__file__)"
    for place in it._do([str(it.bin / "python"), "-c", where]).split():
        assert Path(place).is_relative_to(it.bin.parent)
    it.ricasso("init", "shop")
    it.ricasso("catalogue", "check", "--fixtures", "shop")
    it.ricasso("doctor", "--fixtures", "shop", "--data", "var")
    shop = it.work / "shop"
    sku = re.search(r'sku = "([^"]+)"', (shop / "products" / "products.toml").read_text())[1]  # type: ignore[index]
    served = ("--fixtures", "shop", "--data", "var")

    # An order is taken, and a backup made while the shop goes on.
    key = it.ricasso("keys", "new", "store", "--data", "var").strip()
    with it.serving(*served) as address:
        catalogue = asked(f"{address}/v1/catalogue", key)
        (product,) = [each for each in catalogue["products"] if each["sku"] == sku]
        zone = next(each for each in product["zones"] if "text" in each["kinds"])
        order = json.loads(json.dumps(ORDER))
        order["lines"][0]["sku"] = sku
        order["lines"][0]["inscriptions"][0] |= {"zone": zone["zone"], "font": zone["fonts"][0]}
        taken = asked(f"{address}/v1/orders", key, order)
        it.ricasso("backup", "kept.tar.gz", "--data", "var")
        metrics = Request(f"{address}/metrics", headers={"Authorization": "Bearer " + key})
        with pytest.raises(URLError):  # a store's key opens no metrics
            urlopen(metrics)
    log = (it.work / "log").read_text()
    assert '"event": "started"' in log and '"event": "planner_starts"' in log
    assert "For Ada" not in log

    # The disk is spoiled: the file is refused in one sentence, and the backup put in its place.
    database = it.work / "var" / "ricasso.sqlite3"
    with database.open("r+b") as file:
        file.write(b"\0" * 8192)
    code, said = it.fails("audit", "--data", "var")
    assert code == 1 and said.count("\n") == 1 and "can't be used" in said
    shutil.move(it.work / "var", it.work / "spoiled")
    restored = it.ricasso("restore", "kept.tar.gz", "--data", "var")
    assert "nothing damaged" in restored
    assert "0 damaged" in it.ricasso("audit", "--data", "var")

    # And it goes on, with the same order under the same key.
    with it.serving(*served) as address:
        again = asked(f"{address}/v1/orders/{taken['id']}", key)
    assert again["order_ref"] == "S-1"
    assert again["lines"][0]["inscriptions"][0]["text"] == "For Ada"
