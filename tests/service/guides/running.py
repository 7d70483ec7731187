"""A guide run as it is written: its files are made, its commands run, in its order, in a folder of their own.

A block says by its fence what it is: ```sh``` is run, ```sh window``` goes on beside what follows,
```text``` is what the command before it prints, and any other with a name (```toml shop/bins.toml```) is a
file, which TOML is added to.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.request import urlopen

BLOCK = re.compile(r"^```(\w+) ?(.*?)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
ROOT = Path(__file__).parents[3]
_KEYS = ("OWNER", "DESK", "BENCH", "STORE", "TEST")


def blocks(guide: str) -> list[tuple[str, str, str]]:
    """Kind, name and text of every block."""
    return BLOCK.findall(guide)


@dataclass
class Reader:
    """Somebody who does what a guide says, in a folder; with the commands of this checkout, or with those
    that lie in `path`."""

    folder: Path
    path: str | None = None
    printed: list[str] = field(default_factory=list)
    _windows: list[subprocess.Popen[bytes]] = field(default_factory=list)
    _environment: dict[str, str] = field(default_factory=dict)
    _ports: dict[str, str] = field(default_factory=dict)

    def __enter__(self) -> Self:
        """`ricasso` and `python` on the path, no settings, ports that are free."""
        bare = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("RICASSO_", "PYTHON", "VIRTUAL_ENV"))
        }
        self._ports = {port: str(_a_free_port()) for port in ("8000", "8001")}
        if self.path is not None:
            self._environment = bare | {"PATH": f"{self.path}:{os.environ['PATH']}"}
            return self
        bin_folder = self.folder / "bin"
        bin_folder.mkdir(parents=True)
        for name, said in (
            ("ricasso", f'{sys.executable} -c "from service.cli import main; main()"'),
            ("python", sys.executable),
        ):
            command = bin_folder / name
            command.write_text(f'#!/bin/sh\nexec {said} "$@"\n')
            command.chmod(command.stat().st_mode | stat.S_IXUSR)
        self._environment = bare | {"PATH": f"{bin_folder}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close_windows()

    def close_windows(self) -> None:
        """End what was left running, the last one first."""
        while self._windows:
            window = self._windows.pop()
            os.killpg(window.pid, signal.SIGTERM)
            try:
                window.wait(60)
            except subprocess.TimeoutExpired:
                os.killpg(window.pid, signal.SIGKILL)

    def follows(self, guide: str) -> None:
        """Do all of it."""
        for kind, name, text in blocks(guide):
            for port, free in self._ports.items():
                text = text.replace(port, free)  # noqa: PLW2901
            if kind == "sh" and name == "window":
                self._open_window(text)
            elif kind == "sh":
                self._run(text)
            elif kind == "text":
                assert self.printed[-1] == text, self.printed[-1]
            elif kind == "toml":
                (self.folder / name).parent.mkdir(exist_ok=True)
                with (self.folder / name).open("a", encoding="utf-8") as file:
                    file.write("\n" + text)
            else:
                (self.folder / name).write_text(text, encoding="utf-8")

    def _run(self, text: str) -> None:
        # Keys that one block makes are there in the next: they are kept in a file between blocks.
        kept = "|".join(_KEYS)
        script = f"set -eu\n[ ! -f vars ] || . ./vars\n{text}\nset | grep -E '^({kept})=' > vars || true\n"
        ran = subprocess.run(
            ["sh", "-c", script],
            cwd=self.folder,
            env=self._environment,
            capture_output=True,
            text=True,
            timeout=1200,
            check=False,
        )
        assert ran.returncode == 0, (text, ran.stdout, ran.stderr)
        self.printed.append(ran.stdout)

    def _open_window(self, text: str) -> None:
        script = f"set -a\n[ ! -f vars ] || . ./vars\nset +a\n{text}"
        window = subprocess.Popen(
            ["sh", "-c", script],
            cwd=self.folder,
            env=self._environment,
            stdout=subprocess.DEVNULL,
            start_new_session=True,
        )
        self._windows.append(window)
        port = self._ports["8000" if "serve" in text else "8001"]
        _wait_until_open(port, window)
        if "serve" in text:
            _wait_until_ready(f"http://127.0.0.1:{port}", window)


def _a_free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def _wait_until_open(port: str, window: subprocess.Popen[bytes]) -> None:
    for _ in range(900):
        assert window.poll() is None, "the window's command ended"
        try:
            socket.create_connection(("127.0.0.1", int(port)), timeout=5).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise AssertionError("nobody came up in the window")


def _wait_until_ready(address: str, window: subprocess.Popen[bytes]) -> None:
    for _ in range(600):
        assert window.poll() is None, "the service ended"
        try:
            with urlopen(f"{address}/readyz", timeout=5):
                return
        except OSError:  # refused, slow, or not ready yet
            time.sleep(0.1)
    raise AssertionError("the service did not come up")
