"""Two API processes over one PostgreSQL database follow the shop's description within seconds, whoever puts
it in force and whoever is killed in between."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.changes import put
from service.changes.put import put_written
from service.records import clock as clocks
from service.records.db import Database
from service.records.states import Origin
from service.records.who import SWEEP, By, Role
from service.requests import keys
from service.running.runner import Runner
from service.shop import catalogue, versions
from service.shop.tools import Tools
from service.shop.versions import Shelf
from tests.clocks import SetClock
from tests.counter import some_tools, the_shelf
from tests.faults.processes import Program, Wall, free_port

POLICY = "policy/policy.toml"
_WITHIN = 10.0  # seconds; a second on a machine to itself


class Pair:
    """Two processes, and the owner's key to both."""

    def __init__(self, programs: list[Program], ports: list[int], key: str) -> None:
        self.programs, self.ports = programs, ports
        self.headers = {"Authorization": f"Bearer {key}"}

    def version(self, at: int) -> str:
        answer = httpx.get(
            f"http://127.0.0.1:{self.ports[at]}/v1/catalogue", headers=self.headers, timeout=20
        )
        return str(answer.json()["version"])

    def wait_until_up(self, at: int) -> None:
        ends = time.monotonic() + 120
        while True:
            try:
                self.version(at)
            except httpx.TransportError:
                assert self.programs[at].is_up, self.programs[at].log.read_text()
                assert time.monotonic() < ends
                time.sleep(0.2)
            else:
                return

    def wait_for(self, at: int, version: str) -> None:
        ends = time.monotonic() + _WITHIN
        while self.version(at) != version:
            assert time.monotonic() < ends, f"process {at} does not follow within {_WITHIN:g} s"
            time.sleep(0.1)


@pytest.fixture
def pair(postgres_database: Database, tmp_path: Path) -> Iterator[Pair]:
    key = postgres_database.write(
        lambda session: keys.new_key(session, Role.OWNER, client="house", now=clocks.now(), who=SWEEP)
    )
    ports = [free_port(), free_port()]
    wall = Wall(tmp_path / "clock")
    programs = []
    for number, port in enumerate(ports, 1):
        settings = {
            # Each a machine of its own: nothing but the database is shared.
            "RICASSO_DATA": str(tmp_path / f"data-{number}"),
            "RICASSO_DATABASE_URL": postgres_database.engine.url.render_as_string(hide_password=False),
            "RICASSO_CHECK_WORKERS": "1",
            "RICASSO_MEASURE_FONTS": "false",
            "RICASSO_CHECK_SECONDS": "60",
        }
        log = tmp_path / f"api-{number}.log"
        programs.append(
            Program(f"api-{number}", ["serve", "--port", str(port)], clock=wall, settings=settings, log=log)
        )
    both = Pair(programs, ports, key)
    for program in programs:
        program.start()
    try:
        for at in (0, 1):
            both.wait_until_up(at)
        yield both
    finally:
        for program in programs:
            program.stop()


def changed(name: str) -> dict[str, str]:
    content = catalogue.read(catalogue.default_folder())
    return content | {POLICY: content[POLICY].replace("Alder & Quay", name)}


@pytest.mark.long
def test_two_processes_follow_whoever_changes_and_whoever_is_killed(
    pair: Pair, postgres_database: Database
) -> None:
    first = pair.version(0)
    assert pair.version(1) == first

    answer = httpx.post(
        f"http://127.0.0.1:{pair.ports[0]}/v1/catalogue/versions",
        json={"files": {POLICY: changed("Second")[POLICY]}},
        headers={**pair.headers, "If-Match": '"1"'},
        timeout=240,
    )
    assert answer.status_code == 201, answer.text
    second = answer.json()["version"]
    assert pair.version(0) == second != first  # whoever has put it in force works with it at once
    pair.wait_for(1, second)

    # Killed when a change is written and before it is followed: what begins anew begins with the change.
    pair.programs[0].kill(alone=False)
    new = versions.judged(changed("Third"))
    at = By(SWEEP, clocks.now())
    put_written(postgres_database, new, came_from=2, why="", origin=Origin.POSTED, by=at)
    pair.wait_for(1, new.version)
    pair.programs[0].start()
    pair.wait_until_up(0)
    assert pair.version(0) == new.version


def test_the_service_s_own_threads_follow_what_another_process_puts_in_force(
    database: Database, clock: SetClock, tmp_path: Path
) -> None:
    content = changed("First")
    here, elsewhere = (
        some_tools(database, clock, tmp_path / name, shelf=Shelf.of(the_shelf().described))
        for name in ("here", "elsewhere")
    )
    put.put_in_force(here, content, came_from=0, why="", origin=Origin.POSTED, who=SWEEP)
    runner = Runner(elsewhere, publish=lambda _: None)
    runner.start()
    try:
        _wait_for(elsewhere, 1)
        put.put_in_force(here, changed("Second"), came_from=1, why="", origin=Origin.POSTED, who=SWEEP)
        assert here.catalogue.current.policy.shop_name == "Second"
        _wait_for(elsewhere, 2)
    finally:
        runner.stop()

    assert elsewhere.catalogue.current.policy.shop_name == "Second"


def _wait_for(tools: Tools, number: int) -> None:
    ends = time.monotonic() + _WITHIN
    while tools.catalogue.described.number != number:
        assert time.monotonic() < ends
        time.sleep(0.05)
