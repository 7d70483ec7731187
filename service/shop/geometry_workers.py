"""Geometry in worker processes: a check is arithmetic for tens of milliseconds and would hold up requests.

Workers are spawned, load the catalogue once, and share what was measured of fonts
(`service.shop.font_tables`).
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import CancelledError, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from layout.check.feasibility import CheckResult, check
from layout.pictures import proof
from layout.shop.inscriptions import Inscription
from layout.shop.proven_recipes import Proof, proven
from layout.shop.stations import Calibration
from service.records.errors import CheckersBusy, CheckTooSlow
from service.shop import catalogue
from service.shop.font_tables import FontTables

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class InForce:
    """What the shop has measured and proven beside its description: the newest calibration by station and
    plate copy, and the record of test cards, oldest first."""

    calibrations: Mapping[tuple[str, str], Calibration] = field(default_factory=dict)
    proofs: tuple[Proof, ...] = ()


#: Longest that the workers may take to start.
_START_SECONDS = 120.0
_CHECK_TOO_SLOW = "the check took too long; ask for fewer or shorter inscriptions"
_WORK_TOO_SLOW = "working this out took longer than a request may; try again soon"


class Geometry:
    """Checks and proofs, in `workers` processes; with none, in the caller's own (tests, the command line)."""

    def __init__(self, folder: Path, cache: Path, *, workers: int, timeout_seconds: float) -> None:
        self._folder, self._cache = folder, cache
        self._workers, self.timeout_seconds = workers, timeout_seconds
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None

    def check(self, sku: str, inscriptions: Sequence[Inscription], *, in_force: InForce) -> CheckResult:
        """Check one unit's inscriptions. Raises CheckTooSlow."""
        result: CheckResult = self._run(_check, sku, tuple(inscriptions), in_force)
        return result

    def proof(
        self,
        sku: str,
        inscriptions: Sequence[Inscription],
        *,
        in_force: InForce,
        is_captioned: bool = True,
    ) -> tuple[CheckResult, dict[str, str]]:
        """The check and, by face, an SVG picture of what it saw. Raises CheckTooSlow."""
        result: tuple[CheckResult, dict[str, str]] = self._run(
            partial(_proof, is_captioned=is_captioned), sku, tuple(inscriptions), in_force
        )
        return result

    def work(self, function: Callable[..., T], *arguments: Any, seconds: float | None = None) -> T:
        """Run a function of module level on picklable values, for so long (None: as long as a check may).

        Raises CheckTooSlow.
        """
        result: T = self._run(function, *arguments, seconds=seconds, too_slow=_WORK_TOO_SLOW)
        return result

    def warm(self) -> None:
        """Start the workers, so that the first check need not wait for them. Raises BrokenProcessPool."""
        if self._workers > 0:
            self._open_pool()

    def close(self) -> None:
        with self._lock:
            if self._pool is not None:
                self._pool.shutdown(wait=False, cancel_futures=True)
                self._pool = None

    def _run(
        self, work: Any, *arguments: Any, seconds: float | None = None, too_slow: str = _CHECK_TOO_SLOW
    ) -> Any:
        if self._workers == 0:
            _open_shop(self._folder, self._cache)
            return work(*arguments)
        for last_try in (False, True):
            pool = self._open_pool()
            try:
                future = pool.submit(work, *arguments)
            except RuntimeError:  # broken, or discarded by another request, since it was looked up
                self._discard(pool)
                if last_try:
                    raise
                continue
            try:
                return future.result(timeout=self.timeout_seconds if seconds is None else seconds)
            except TimeoutError:
                if not future.running() and not future.done():
                    # It never began: the workers are busy with others, who must not be killed for that. It is
                    # not cancelled: a pool that breaks stumbles over a cancelled future (CPython before 3.12)
                    # and then leaves its other callers waiting.
                    raise CheckersBusy("too many checks at once; try again") from None
                self._discard(pool)
                raise CheckTooSlow(too_slow) from None
            except (BrokenProcessPool, CancelledError):
                # A worker was killed, from outside or beside a neighbour that hung: the pool is of no use any
                # more, the check may be repeated.
                self._discard(pool)
                if last_try:
                    raise
        raise AssertionError("unreachable")

    def _open_pool(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._pool is None:
                pool = ProcessPoolExecutor(
                    self._workers,
                    mp_context=multiprocessing.get_context("spawn"),
                    initializer=_start,
                    initargs=(self._folder, self._cache),
                )
                # Starting takes seconds on a busy machine, which must not count as a check's time.
                for started in [pool.submit(_is_open) for _ in range(self._workers)]:
                    started.result(timeout=_START_SECONDS)
                self._pool = pool
            return self._pool

    def _discard(self, pool: ProcessPoolExecutor) -> None:
        with self._lock:
            if self._pool is pool:
                self._pool = None
        for process in list((pool._processes or {}).values()):  # no public way to end a worker that hangs
            process.kill()
        pool.shutdown(wait=False)  # those who wait are told by the broken pool, and try again


# --- in the worker ---

_OPEN: dict[str, Any] = {}


def _open_shop(folder: Path, cache: Path) -> None:
    if _OPEN.get("folder") != folder or _OPEN.get("cache") != cache:
        _OPEN.update(folder=folder, cache=cache, shop=catalogue.load(folder), store=FontTables(cache))


def _start(folder: Path, cache: Path) -> None:
    """A worker is up when it can check and plan; what planning needs takes seconds to load, and many more the
    first time."""
    from layout.plan.planner import prepare

    threading.Thread(target=_end_with_the_service, name="ricasso-parent", daemon=True).start()
    _open_shop(folder, cache)
    prepare()


def _end_with_the_service() -> None:
    """A service that is killed closes nothing: its workers keep each other's pipes open and would wait for
    work for ever."""
    service = multiprocessing.parent_process()
    if service is not None:
        service.join()
        os._exit(1)


def _is_open() -> bool:
    return "shop" in _OPEN


def _check(sku: str, inscriptions: Sequence[Inscription], in_force: InForce) -> CheckResult:
    shop = proven(_OPEN["shop"], in_force.proofs)
    return check(shop, sku, inscriptions, calibrations=in_force.calibrations, store=_OPEN["store"])


def _proof(
    sku: str, inscriptions: Sequence[Inscription], in_force: InForce, *, is_captioned: bool
) -> tuple[CheckResult, dict[str, str]]:
    shop = proven(_OPEN["shop"], in_force.proofs)
    result = check(shop, sku, inscriptions, calibrations=in_force.calibrations, store=_OPEN["store"])
    if sku not in shop.products:
        return result, {}
    faces = dict.fromkeys(one.face for one in result.inscriptions if one.face is not None)
    return result, {
        face: proof.proof_svg(shop, sku, face, result, is_captioned=is_captioned) for face in faces
    }
