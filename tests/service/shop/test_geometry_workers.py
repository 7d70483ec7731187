"""Geometry in worker processes: the same answers, a hang or a killed worker costs one request at most."""

from __future__ import annotations

import os
import signal
import statistics
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from layout.check.feasibility import CheckResult, check
from layout.plan import planner
from layout.plan.machine_code import MachineCode
from layout.seating.registration import nominal
from layout.shop.inscriptions import TextInscription
from layout.shop.shop import Shop
from service.records.errors import CheckersBusy, CheckTooSlow
from service.shop import catalogue, geometry_workers
from service.shop.geometry_workers import Geometry, InForce
from service.shop.worker_pool import WorkerDied

WORDS = TextInscription("ricasso", "Allotment 7", "lato-bold", 3.0)


@pytest.fixture
def geometry(tmp_path: Path) -> Iterator[Geometry]:
    opened = Geometry(catalogue.default_folder(), tmp_path, workers=1, timeout_seconds=60)
    yield opened
    opened.close()


def test_a_worker_says_what_this_process_says(geometry: Geometry, tmp_path: Path) -> None:
    here = Geometry(catalogue.default_folder(), tmp_path, workers=0, timeout_seconds=60)

    there = geometry.check("AQ-HORI-18", [WORDS], in_force=InForce())

    assert [mark.outline.digest for mark in there.marks] == [
        mark.outline.digest for mark in here.check("AQ-HORI-18", [WORDS], in_force=InForce()).marks
    ]
    assert there.marks


def test_words_that_were_just_checked_are_not_checked_again_until_something_else_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = Geometry(catalogue.default_folder(), tmp_path, workers=0, timeout_seconds=60)
    shop = catalogue.load(catalogue.default_folder())
    asked: list[str] = []

    def counted(shop: Shop, sku: str, *arguments: Any, **more: Any) -> CheckResult:
        asked.append(sku)
        return check(shop, sku, *arguments, **more)

    monkeypatch.setattr(geometry_workers, "check", counted)
    measured = nominal(shop.stations["north"], shop.plates["long"], "long-1")
    elsewhere = replace(measured, matrix=(1.0, 0.0, 0.0, 1.0, 0.4, 0.0))
    words = replace(WORDS, text="Once only")

    first, again = (here.check("AQ-HORI-18", [words], in_force=InForce()) for _ in range(2))
    here.check("AQ-HORI-18", [words], in_force=InForce({("north", "long-1"): elsewhere}))
    here.check("AQ-HORI-18", [replace(words, text="Once only.")], in_force=InForce())
    here.check("AQ-HORI-18", [words], in_force=InForce(), store="store-1")

    assert len(asked) == 4
    assert again == first and first.worked_out_s is not None


def test_a_worker_goes_from_one_description_to_the_next_and_back(geometry: Geometry, tmp_path: Path) -> None:
    """While a change is taken up, requests that began before it are still answered by what was in force."""
    content = catalogue.read(catalogue.default_folder())
    renamed = content["blades/hori-18.toml"].replace('zone = "ricasso"', 'zone = "choil"')
    kept = catalogue.keep(content | {"blades/hori-18.toml": renamed}, tmp_path / "shop" / "next.json")

    def codes(asked: Geometry) -> list[str]:
        return [one.code for one in asked.check("AQ-HORI-18", [WORDS], in_force=InForce()).findings]

    said = [codes(asked) for asked in (geometry, geometry.of(kept), geometry)]
    geometry.begin_with(kept)
    os.kill(geometry.work(os.getpid), signal.SIGKILL)

    assert said == [[], ["unknown_zone"], []]
    assert codes(geometry.of(kept)) == ["unknown_zone"]


def test_a_killed_worker_is_replaced(geometry: Geometry) -> None:
    os.kill(geometry.work(os.getpid), signal.SIGKILL)

    assert geometry.work(os.getpid) != os.getpid()


def test_a_check_that_hangs_is_ended_and_the_next_one_is_answered(tmp_path: Path) -> None:
    geometry = Geometry(catalogue.default_folder(), tmp_path, workers=1, timeout_seconds=15)
    first = geometry.work(os.getpid)  # the worker is up: what follows waits for the hang alone
    geometry.timeout_seconds = 0.5

    with pytest.raises(CheckTooSlow, match="working this out took longer"):
        geometry.work(signal.pause)

    geometry.timeout_seconds = 60
    assert geometry.work(os.getpid) != first
    with pytest.raises(ProcessLookupError):
        os.kill(first, 0)
    geometry.close()


def test_a_check_that_never_began_says_busy_and_leaves_the_workers_alone(tmp_path: Path) -> None:
    geometry = Geometry(catalogue.default_folder(), tmp_path, workers=1, timeout_seconds=60)
    worker = geometry.work(os.getpid)
    with ThreadPoolExecutor(4) as threads:
        hanging = [threads.submit(geometry.work, signal.pause) for _ in range(4)]
        while geometry._checkers.pool().waiting < 3:
            pass
        geometry.timeout_seconds = 0.2

        with pytest.raises(CheckersBusy):
            geometry.work(os.getpid)

        os.kill(worker, 0)  # still there
        geometry.close()
        for future in hanging:
            _ = future.exception(60)
    geometry.close()


_SERVICE = """
import os, sys, time
from pathlib import Path
from service.shop import catalogue
from service.shop.geometry_workers import Geometry

if __name__ == "__main__":
    geometry = Geometry(catalogue.default_folder(), Path(sys.argv[1]), workers=2, timeout_seconds=200)
    geometry.work(os.getpid)
    print(*(child.pid for child in __import__("multiprocessing").active_children()), flush=True)
    time.sleep(60)
"""


def test_workers_end_with_a_service_that_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "a_service.py"
    script.write_text(_SERVICE)
    with subprocess.Popen(
        [sys.executable, str(script), str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    ) as service:
        assert service.stdout is not None
        workers = [int(worker) for worker in service.stdout.readline().split()]

        service.kill()

    assert len(workers) == 2
    for _ in range(400):
        if not any(_is_running(worker) for worker in workers):
            break
        threading.Event().wait(0.05)
    assert not any(_is_running(worker) for worker in workers)


def _loaded() -> set[str]:
    return {name.partition(".")[0] for name in sys.modules}


def test_what_checks_loads_no_compiler_no_web_server_and_no_reader_of_files(geometry: Geometry) -> None:
    needless = {"numba", "llvmlite", "fastapi", "uvicorn", "celery", "alembic", "ezdxf", "reportlab", "cv2"}

    assert geometry.check("AQ-HORI-18", [WORDS], in_force=InForce()).marks

    assert geometry.work(_loaded) & needless == set()


@pytest.mark.parametrize(
    ("code", "waits_seconds"),
    [
        (MachineCode.FOUND, geometry_workers._PLANNER_WAITS_SECONDS),
        (MachineCode.KEPT, 0.0),  # who finds the code takes less memory than who made it
        (MachineCode.NOT_KEPT, None),  # or every plan would wait for the compiler
    ],
)
def test_a_planner_that_is_not_asked_ends_unless_the_next_one_would_have_to_compile(
    code: MachineCode, waits_seconds: float | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(planner, "prepare", lambda: code)
    monkeypatch.setattr(geometry_workers, "end_with_parent", lambda: None)
    monkeypatch.setattr(os, "nice", lambda _: 0)

    assert geometry_workers._start_planner(catalogue.default_folder(), tmp_path) == waits_seconds


@pytest.mark.parametrize(("beside", "behind"), [(0, 5), (10, 10)])
def test_a_planner_stands_behind_requests_and_no_further_behind_than_its_worker(
    beside: int, behind: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = [beside]

    def nice(by: int) -> int:
        steps.append(by)
        return sum(steps)

    monkeypatch.setattr(planner, "prepare", lambda: MachineCode.FOUND)
    monkeypatch.setattr(geometry_workers, "end_with_parent", lambda: None)
    monkeypatch.setattr(os, "nice", nice)

    geometry_workers._start_planner(catalogue.default_folder(), tmp_path)

    assert sum(steps) == behind


def test_files_are_built_behind_requests_and_not_where_words_are_checked(geometry: Geometry) -> None:
    assert geometry.build(os.nice, 0) == min(19, os.nice(0) + 5)
    assert geometry.build(os.getpid) not in {geometry.work(os.getpid), os.getpid()}


@pytest.mark.parametrize("plans", [True, False])
def test_a_planner_is_started_only_where_plans_are_made(
    plans: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[object] = []

    def note(pool: object) -> None:
        opened.append(pool)

    monkeypatch.setattr(geometry_workers._Opened, "pool", note)
    geometry = Geometry(catalogue.default_folder(), tmp_path, workers=1, timeout_seconds=10)

    geometry.warm(plans=plans)

    assert opened == [geometry._checkers] + [geometry._planners] * plans


def test_a_planner_that_has_ended_is_begun_anew_for_the_next_plan(geometry: Geometry) -> None:
    pool = geometry._planners.pool()
    (first,) = pool._all
    with pytest.raises(WorkerDied):  # it leaves in order, as when nobody has asked it for a while
        first.ask(sys.exit, (0,), 60)
    first._process.join(60)

    assert first.has_ended_itself
    assert geometry.plan(os.getpid) != first._process.pid


def _is_running(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_a_flood_of_previews_slows_no_check_and_turns_the_rest_away(tmp_path: Path) -> None:
    """Held as a ratio in the same run, because how long a check takes says more of the machine."""
    geometry = Geometry(catalogue.default_folder(), tmp_path, workers=1, timeout_seconds=60)

    def preview(number: int) -> str:
        words = TextInscription("ricasso", f"Nan {number}", "lato-bold", 3.0)
        try:
            geometry.preview("AQ-HORI-18", [words], in_force=InForce(), client=f"192.0.2.{number % 40}")
        except CheckersBusy:
            return "busy"
        return "shown"

    def a_check(number: int) -> float:
        words = TextInscription("ricasso", f"Allotment {number}", "lato-bold", 3.0)
        begun = time.perf_counter()
        assert geometry.check("AQ-HORI-18", [words], in_force=InForce(), client="store-1").marks
        return time.perf_counter() - begun

    preview(0)
    for number in range(3):  # workers are up, letters measured
        a_check(number)
    alone = statistics.median(a_check(number) for number in range(10, 25))
    with ThreadPoolExecutor(40) as buyers:
        flood = [buyers.submit(preview, number) for number in range(200)]
        beside = statistics.median(a_check(number) for number in range(30, 45))
        came = Counter(one.result() for one in flood)
    geometry.close()

    # They have a worker of their own, which stands behind; on one core alone a check would wait its turn.
    assert beside / alone < 4, (beside, alone)
    assert came["shown"] and came["busy"], came


def test_a_buyer_has_few_previews_waiting_and_all_buyers_not_many(tmp_path: Path) -> None:
    geometry = Geometry(catalogue.default_folder(), tmp_path, workers=1, timeout_seconds=60)
    geometry.draw(os.getpid, client="warm")
    with ThreadPoolExecutor(30) as asked:
        one = [asked.submit(geometry.draw, time.sleep, 1.0, client="one") for _ in range(10)]
        refused = [_refused(waiting) for waiting in one]
    geometry.close()

    # One is worked on, two wait; the others are told at once to ask again.
    assert refused.count(False) == 3


def _refused(waiting: Future[object]) -> bool:
    try:
        waiting.result()
    except CheckersBusy:
        return True
    return False
