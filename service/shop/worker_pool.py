"""Processes that work on one thing at a time each, shared fairly among those who ask.

Beside what a pool of the standard library does: a client has at most its share of the workers, one less than
there are; only so many of its questions wait at all; and a worker that takes too long, or dies, is ended and
replaced alone, with everybody else's work going on. Workers that take much memory end when nobody has asked
them for a while, and are begun anew for the next question.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import pickle
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

import structlog

log = structlog.get_logger(__name__)

#: Modules that the process loads from which workers are forked: what checks need, and nothing that starts
#: threads or compiles.
PRELOADED = ("service.shop.preloaded",)
#: Longest that a worker may take to start.
START_SECONDS = 120.0


def end_with_parent() -> None:
    """From now on this process ends when the one that started it does: a parent that is killed closes
    nothing, and its children keep each other's pipes open and would wait for work for ever."""

    def wait() -> None:
        parent = multiprocessing.parent_process()
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=wait, name="ricasso-parent", daemon=True).start()


class NoRoom(Exception):
    """A client has as many questions waiting as it may, or its question's turn did not come in time."""


class TookTooLong(Exception):
    """The work was begun and not done within its time; its worker was ended."""


class WorkerDied(RuntimeError):
    """The worker ended in the middle of the work, or could not be started."""


@dataclass(frozen=True, slots=True, eq=False)
class _Ticket:
    client: str | None


class WorkerPool:
    """`workers` processes; each calls `start(*arguments)` once and then works."""

    def __init__(
        self,
        workers: int,
        start: Callable[..., float | None],
        arguments: tuple[Any, ...] = (),
        *,
        most_waiting_of_one: int = 12,
        most_waiting: int | None = None,
    ) -> None:
        """Started by `open`. What `start` gives is for how many seconds without a question the worker waits
        before it ends; None: for ever. `most_waiting_of_one`: of one client, beside what is worked on for it;
        `most_waiting`: of all clients together, None for any number. What is of the house always waits."""
        self._size, self._start, self._arguments = workers, start, arguments
        self._share = max(1, workers - 1)
        self._most_waiting_of_one, self._most_waiting = most_waiting_of_one, most_waiting
        self._changed = threading.Condition()
        self._free: list[_Worker] = []
        self._all: set[_Worker] = set()
        self._starting = 0
        self._waiting: list[_Ticket] = []
        self._running: Counter[str | None] = Counter()
        self._is_closed = False

    def begin_with(self, arguments: tuple[Any, ...]) -> None:
        """Workers that take another's place from now on are started with these."""
        self._arguments = arguments

    def open(self) -> None:
        """Start the workers and wait until they are up. Raises WorkerDied."""
        begun = [_Worker(self._start, self._arguments) for _ in range(self._size)]
        with self._changed:
            self._all.update(begun)
            if self._is_closed:
                self._end_all()
        for worker in begun:
            worker.wait_until_up()
        with self._changed:
            self._free.extend(begun)
            self._changed.notify_all()

    def close(self) -> None:
        """End the workers, even while they start; what they were at, and what waits for them, raises
        WorkerDied."""
        with self._changed:
            self._is_closed = True
            self._end_all()
            self._changed.notify_all()

    def run(
        self,
        work: Callable[..., Any],
        *arguments: Any,
        client: str | None,
        wait_seconds: float,
        work_seconds: float,
    ) -> Any:
        """What `work` (of module level, as its arguments picklable) gives or raises in a worker.

        `client` None: of the house, neither limited in its share nor in what waits. Work whose worker dies,
        or has ended meanwhile, is given to another one once. Raises NoRoom, TookTooLong, WorkerDied.
        """
        for is_last in (False, True):
            worker = self._take(client, wait_seconds)
            try:
                is_answer, result = worker.ask(work, arguments, work_seconds)
            except TookTooLong:
                self._replace(worker, client)
                raise
            except WorkerDied:
                self._replace(worker, client)
                if is_last or self._is_closed:
                    raise
                continue
            self._give_back(worker, client)
            if is_answer:
                return result
            raise result
        raise AssertionError("unreachable")

    @property
    def waiting(self) -> int:
        """How many questions wait for a worker."""
        return len(self._waiting)

    def _end_all(self) -> None:
        for worker in self._all:
            worker.end()

    def _take(self, client: str | None, wait_seconds: float) -> _Worker:
        ticket = _Ticket(client)
        ends = time.monotonic() + wait_seconds
        with self._changed:
            if client is not None and self._is_full_for(client):
                raise NoRoom
            self._waiting.append(ticket)
            try:
                while not self._is_turn_of(ticket):
                    left = ends - time.monotonic()
                    if self._is_closed:
                        raise WorkerDied("the workers were ended")
                    if left <= 0 and not self._are_none_up():
                        raise NoRoom
                    self._changed.wait(max(left, 0.05))
            finally:
                self._waiting.remove(ticket)
                self._changed.notify_all()
            self._running[client] += 1
            return self._free.pop()

    def _is_full_for(self, client: str) -> bool:
        """Whether as much waits already as may: of the client, or of all."""
        if sum(ticket.client == client for ticket in self._waiting) >= self._most_waiting_of_one:
            return True
        return self._most_waiting is not None and len(self._waiting) >= self._most_waiting

    def _is_turn_of(self, ticket: _Ticket) -> bool:
        """Whether a worker is free and nobody came before who may have it."""
        if not self._free or self._is_closed:
            return False
        return next((each for each in self._waiting if self._may_run(each.client)), None) is ticket

    def _may_run(self, client: str | None) -> bool:
        return client is None or self._running[client] < self._share

    def _are_none_up(self) -> bool:
        """All workers are being replaced: their start is nobody's waiting time."""
        return self._starting > 0 and self._starting >= len(self._all)

    def _give_back(self, worker: _Worker, client: str | None) -> None:
        with self._changed:
            self._free.append(worker)
            self._leave(client)

    def _replace(self, worker: _Worker, client: str | None) -> None:
        if worker.has_ended_itself:
            log.info("idle_worker_starts_again", why="it had ended, because nobody asked it anything")
        worker.end()
        with self._changed:
            self._all.discard(worker)
            self._leave(client)
            if self._is_closed:
                return
            successor = _Worker(self._start, self._arguments)
            self._all.add(successor)
            self._starting += 1
        threading.Thread(
            target=self._bring_up, args=(successor,), name="ricasso-worker-start", daemon=True
        ).start()

    def _bring_up(self, worker: _Worker) -> None:
        try:
            worker.wait_until_up()
        except WorkerDied:
            # Free all the same: whoever gets it finds it dead and has it replaced again.
            if not self._is_closed:
                log.error("worker_not_started")
        with self._changed:
            self._starting -= 1
            self._free.append(worker)
            self._changed.notify_all()

    def _leave(self, client: str | None) -> None:
        self._running[client] -= 1
        if not self._running[client]:
            del self._running[client]
        self._changed.notify_all()


def _context() -> Any:
    """Where the system can, workers are forked from a clean process that has loaded what they share, and so
    hold it in memory once; elsewhere each is begun anew."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(PRELOADED))
    return context


class _Worker:
    """One process and the line to it; used by one thread at a time."""

    def __init__(self, start: Callable[..., float | None], arguments: tuple[Any, ...]) -> None:
        context = _context()
        self._line, there = context.Pipe()
        self._process = context.Process(target=_work, args=(there, start, arguments), daemon=True)
        self._process.start()
        there.close()  # or the end of the process would not be the end of the line

    def wait_until_up(self) -> None:
        """Raises WorkerDied."""
        try:
            if self._line.poll(START_SECONDS):
                self._line.recv_bytes()
                return
        except (EOFError, OSError) as error:
            raise WorkerDied("a worker could not be started") from error
        raise WorkerDied("a worker took too long to start")

    def ask(self, work: Callable[..., Any], arguments: tuple[Any, ...], seconds: float) -> tuple[bool, Any]:
        """Whether it is an answer, and the answer or the error. Raises TookTooLong, WorkerDied."""
        question = pickle.dumps((work, arguments))
        try:
            self._line.send_bytes(question)
            if not self._line.poll(seconds):
                raise TookTooLong
            answer: tuple[bool, Any] = pickle.loads(self._line.recv_bytes())  # noqa: S301  our own process
        except (EOFError, OSError) as error:
            raise WorkerDied("a worker was ended in the middle of its work") from error
        return answer

    @property
    def has_ended_itself(self) -> bool:
        """Whether it has ended in order: nobody had asked it for a while."""
        return bool(self._process.exitcode == 0)

    def end(self) -> None:
        self._process.kill()
        self._process.join(5)  # or it would be kept in the system's table


def _work(line: Connection, start: Callable[..., float | None], arguments: tuple[Any, ...]) -> None:
    """In the process: start, say so, then answer until the line ends, or until nobody asks any more."""
    waits_seconds = start(*arguments)
    gc.freeze()  # what it has loaded stays; to look it through for garbage would take a check's time and more
    line.send_bytes(b"up")
    while line.poll(waits_seconds):
        try:
            work, asked = pickle.loads(line.recv_bytes())  # noqa: S301  from our own service
        except EOFError:
            return
        line.send_bytes(_answer(work, asked))


def _answer(work: Callable[..., Any], asked: tuple[Any, ...]) -> bytes:
    try:
        return pickle.dumps((True, work(*asked)))
    except Exception as error:
        try:
            return pickle.dumps((False, error))
        except Exception:  # an error that can't travel still says what it was
            return pickle.dumps((False, RuntimeError(f"{type(error).__name__} in a worker")))
