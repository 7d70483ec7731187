"""A TypeScript client made from the description of the HTTP surface plays a store's story, refusals included.

References: openapi-typescript, openapi-fetch (https://github.com/openapi-ts/openapi-typescript) and the
TypeScript compiler, tried with 7.13.0, 0.17.0 and 5.9.3. They need Node: `sh tests/run` installs them where
npm is found, and says so where it is not.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import uvicorn

from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter
from tests.golden.codes import GUIDE as STORE_GUIDE
from tests.golden.contract import GOLDEN

_MODULES = Path(__file__).parents[3] / ".npm" / "node_modules"
_BIN = _MODULES / ".bin"
NODE = shutil.which("node") if (_BIN / "openapi-typescript").is_file() else None
STORY = Path(__file__).parent / "typescript" / "story.ts"


@pytest.mark.skipif(NODE is None, reason="NO TYPESCRIPT: no client was made in that language")
def test_a_typescript_client_plays_a_stores_story(
    sqlite_database: Database, clock: SetClock, tmp_path: Path
) -> None:
    (tmp_path / "node_modules").symlink_to(_MODULES.resolve())
    (tmp_path / "package.json").write_text('{"type": "module"}')
    (tmp_path / "story.ts").write_text(STORY.read_text(encoding="utf-8"), encoding="utf-8")
    # What may be left out is optional, also where it has a default.
    types = ["--default-non-nullable=false", "--output", tmp_path / "ricasso.d.ts"]
    _run(_BIN / "openapi-typescript", GOLDEN, *types, cwd=tmp_path)
    strictly = ["--strict", "--noUncheckedIndexedAccess", "--target", "es2022", "--lib", "es2022,dom"]
    modules = ["--module", "esnext", "--moduleResolution", "bundler"]
    _run(_BIN / "tsc", *strictly, *modules, "story.ts", cwd=tmp_path)

    with an_open_counter(sqlite_database, clock, tmp_path / "data") as counter, _served(counter) as address:
        said = _run(
            str(NODE), "story.js", cwd=tmp_path, RICASSO=address, STORE=counter.keys["store"]
        ).splitlines()

    assert said == [
        "check accept",
        "taken 201 ready",
        "again true",
        "refused 422 idempotency_key_reused",
        "refused 409 order_ref_taken",
        "refused 422 unengravable",
        "refused 404 not_found",
        "refused 400 bad_cursor",
        "amended ready",
        "stale stale_version",
        "cancelled cancelled",
        "batch 202 waiting refused",
        "listed W-1 cancelled",
    ]


def test_what_the_guide_shows_of_it_is_what_is_run() -> None:
    section = STORE_GUIDE.read_text(encoding="utf-8").split("## In TypeScript\n", 1)[1].split("\n## ", 1)[0]
    shown = [line[4:] for line in section.splitlines() if line.startswith("    ")]
    code = [line for line in shown if not line.startswith("np")]

    assert len(code) > 8
    assert set(code) <= set(STORY.read_text(encoding="utf-8").splitlines())


def _run(*command: str | Path, cwd: Path, **environment: str) -> str:
    """What a command says. Its own words are in the failure where it fails."""
    ran = subprocess.run(
        command,
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env=os.environ | environment,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


@contextmanager
def _served(counter: Counter) -> Iterator[str]:
    """The counter's application on a port of this machine; gives its address."""
    server = uvicorn.Server(
        uvicorn.Config(counter.client.app, port=0, log_config=None, lifespan="off")  # type: ignore[arg-type]
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + 20
    while not server.started:
        assert time.monotonic() < until and thread.is_alive()
        thread.join(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join()
