"""Workers shared fairly: nobody's questions keep everybody else's from being answered."""

from __future__ import annotations

import gc
import os
import signal
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from service.shop.geometry_workers import _Opened
from service.shop.worker_pool import NoRoom, TookTooLong, WorkerDied, WorkerPool


def nothing() -> None: ...


def fails() -> None:
    raise ValueError("no such blade")


class CannotTravel(Exception):
    def __reduce__(self) -> Any:
        raise TypeError


def fails_badly() -> None:
    raise CannotTravel


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    opened = WorkerPool(2, nothing, most_waiting_of_one=2)
    opened.open()
    yield opened
    opened.close()


def ask(pool: WorkerPool, work: Any, *arguments: Any, client: str | None = None, seconds: float = 30) -> Any:
    return pool.run(work, *arguments, client=client, wait_seconds=30, work_seconds=seconds)


def wait_until(pool: WorkerPool, *, waiting: int, running: int) -> None:
    while pool.waiting != waiting or sum(pool._running.values()) != running:
        time.sleep(0.01)


def test_an_error_comes_back_as_it_was_raised(pool: WorkerPool) -> None:
    with pytest.raises(ValueError, match="no such blade"):
        ask(pool, fails)
    with pytest.raises(RuntimeError, match="CannotTravel in a worker"):
        ask(pool, fails_badly)


_LOADED: list[list[int]] = []


def _load() -> None:
    _LOADED.extend([number] for number in range(1_000))


def _looked_through() -> int:
    """So many of what was loaded at the start a search for garbage looks through."""
    loaded = {id(each) for each in _LOADED}
    return sum(id(each) in loaded for each in gc.get_objects())


def test_what_a_worker_loads_at_its_start_is_not_looked_through_for_garbage() -> None:
    pool = WorkerPool(1, _load)
    pool.open()
    try:
        assert ask(pool, _looked_through) == 0
    finally:
        pool.close()


def _until(file: Path) -> None:
    while not file.exists():
        time.sleep(0.01)


def test_who_names_another_description_does_not_wait_for_workers_that_are_starting(tmp_path: Path) -> None:
    """The planner compiles its search for a minute at its first start; an owner put a change in force
    meanwhile."""
    ready = tmp_path / "ready"
    opened = _Opened(1, _until, (ready,))
    with ThreadPoolExecutor(2) as threads:
        starting = threads.submit(opened.pool)
        while opened._begun is None:
            time.sleep(0.01)
        try:
            threads.submit(opened.begin_with, (tmp_path,)).result(timeout=60)
            assert not starting.done()
        finally:
            ready.touch()
        pool = starting.result()

    assert pool._arguments == (tmp_path,)  # of the next one that takes another's place
    opened.close()


def test_a_client_who_floods_leaves_a_worker_to_others(pool: WorkerPool, tmp_path: Path) -> None:
    over = tmp_path / "over"
    with ThreadPoolExecutor(3) as threads:
        flood = [threads.submit(ask, pool, _until, over, client="flood", seconds=60) for _ in range(3)]
        wait_until(pool, waiting=2, running=1)

        neighbour = ask(pool, os.getpid, client="neighbour")
        with pytest.raises(NoRoom):  # two of its questions wait already
            ask(pool, os.getpid, client="flood")
        house = ask(pool, os.getpid)

        over.touch()

        assert neighbour == house
        assert [each.exception(60) for each in flood] == [None, None, None]


def test_only_the_worker_that_hangs_is_ended(pool: WorkerPool, tmp_path: Path) -> None:
    over = tmp_path / "over"
    with ThreadPoolExecutor(2) as threads:
        hangs = threads.submit(ask, pool, signal.pause, seconds=0.3)
        steady = threads.submit(ask, pool, _until_and_who, over)

        assert isinstance(hangs.exception(60), TookTooLong)
        over.touch()
        worker = steady.result(60)

    assert worker in {ask(pool, os.getpid) for _ in range(6)}


def _until_and_who(file: Path) -> int:
    _until(file)
    return os.getpid()


def test_work_whose_worker_dies_is_given_to_another_once(pool: WorkerPool) -> None:
    with pytest.raises(WorkerDied):
        ask(pool, os._exit, 1)

    assert ask(pool, os.getpid) != os.getpid()


def test_workers_that_are_still_starting_are_ended_with_the_pool(tmp_path: Path) -> None:
    pool = WorkerPool(1, _until, (tmp_path / "never",))
    with ThreadPoolExecutor(1) as threads:
        opening = threads.submit(pool.open)

        pool.close()

        with pytest.raises(WorkerDied):
            opening.result(timeout=60)


def begins(begun: Path) -> float | None:
    """The first waits for no question, others for ever."""
    is_first = not begun.exists()
    with begun.open("a") as file:
        file.write(f"{os.getpid()}\n")
    return 0.0 if is_first else None


def test_an_idle_worker_ends_by_itself_and_the_next_question_is_answered_by_another(tmp_path: Path) -> None:
    pool = WorkerPool(1, begins, (tmp_path / "begun",))
    pool.open()
    (first,) = pool._all
    first._process.join(60)
    assert first.has_ended_itself

    answered_by = [ask(pool, os.getpid) for _ in range(3)]

    assert set(answered_by) == {answered_by[0]}
    assert (tmp_path / "begun").read_text().split() == [str(first._process.pid), str(answered_by[0])]
    pool.close()
