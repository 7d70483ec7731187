"""Geometry in worker processes: a check is arithmetic for tens of milliseconds and would hold up requests.

Four sorts of workers: some check and draw; one plans, whose search brings a compiler with it that nobody
else needs in memory; one builds files, a second of a processor each, which must not keep a check waiting; and
some work for anybody who looks at a page of a shop (previews): those are begun with the first preview, and
stand behind all others wherever the machine has too little for all. Who checks loads the catalogue once, and
all share what was measured of fonts (`service.shop.font_tables`). Planner and builder end when they have had
nothing to do for a while, and are begun anew for what comes next.
"""

from __future__ import annotations

import copy
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import structlog

from layout.check.feasibility import Checked, CheckResult, check, check_one
from layout.lettering.fonts import open_font
from layout.pictures import preview, proof
from layout.shop.findings import Finding
from layout.shop.inscriptions import Inscription
from layout.shop.proven_recipes import Proof, proven
from layout.shop.shop import FontSpec, Shop
from layout.shop.stations import Calibration
from service.records.counters import CHECK_SECONDS, CHECKS_TURNED_AWAY
from service.records.errors import CheckersBusy, CheckTooSlow
from service.shop import catalogue
from service.shop.font_tables import FontTables
from service.shop.stores import shop_for
from service.shop.worker_pool import NoRoom, TookTooLong, WorkerDied, WorkerPool, end_with_parent

log = structlog.get_logger(__name__)

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class InForce:
    """What the shop has measured and proven beside its description: the newest calibration by station and
    plate copy, and the record of test cards, oldest first."""

    calibrations: Mapping[tuple[str, str], Calibration] = field(default_factory=dict)
    proofs: tuple[Proof, ...] = ()


#: What `nice` takes off for previews, and for plans and files beside requests: where a machine is full,
#: checks and claims go on, and a plan, for which a minute is allowed, has the third of a share that is left.
_BEHIND, _WORK_BEHIND = 10, 5
#: For so long the builder waits for the next file before it ends: longer than from load to load.
_BUILDER_WAITS_SECONDS = 600.0
#: For so long the planner waits for the next plan before it ends. With the compiler it is a third of the
#: service's memory; to begin anew takes a second of a processor, twice a minute at the most, for plans that
#: nobody waits for. Where orders come one after the other it stays.
_PLANNER_WAITS_SECONDS = 30.0
#: So many previews of one buyer, and of all, wait for their worker; each holds a thread of the service. Who
#: types on asks again anyway.
_PREVIEWS_OF_ONE, _PREVIEWS_WAITING = 2, 8
#: So many are remembered of the shop as stores see it, under one record of test cards or another.
_MOST_SEEN = 64
#: Checks that are remembered whole: words are tried, checked for the last time, and then ordered.
_MOST_CHECKED = 32
_LONG_WORK = "long work of the house"
_TRIALS = "trials of drafts"
_CHECK_TOO_SLOW = "the check took too long; ask for fewer or shorter inscriptions"
_WORK_TOO_SLOW = "working this out took longer than a request may; try again soon"


class Geometry:
    """Checks and proofs in `workers` processes, plans in one of their own, previews in `preview_workers`;
    with no `workers` all in the caller's own (tests, the command line)."""

    def __init__(
        self, source: Path, cache: Path, *, workers: int, timeout_seconds: float, preview_workers: int = 1
    ) -> None:
        """`source`: a folder with the shop's description, or a file that `catalogue.keep` wrote."""
        self._source, self._cache = source, cache
        self._workers, self.timeout_seconds = workers, timeout_seconds
        self._checkers = _Opened(workers, _start, (source, cache))
        self._planners = _Opened(1, _start_planner, (source, cache))
        self._builders = _Opened(1, _start_builder, ())
        self._previewers = _Opened(
            preview_workers,
            _start_behind,
            (source, cache),
            most_waiting_of_one=_PREVIEWS_OF_ONE,
            most_waiting=_PREVIEWS_WAITING,
        )

    def of(self, source: Path) -> Geometry:
        """The same workers, asked about the description there."""
        view = copy.copy(self)
        view._source = source
        return view

    def begin_with(self, source: Path) -> None:
        """Workers that are started from now on open this description; those that work open it when they are
        first asked about it."""
        for opened in (self._checkers, self._planners, self._previewers):  # the builder needs none
            opened.begin_with((source, self._cache))

    def check(
        self,
        sku: str,
        inscriptions: Sequence[Inscription],
        *,
        in_force: InForce,
        client: str | None = None,
        store: str | None = None,
    ) -> CheckResult:
        """Check one unit's inscriptions. `client`: whose share of the workers it is taken from, None for the
        house; `store`: against what that store offers, None for the whole shop. Raises CheckTooSlow,
        CheckersBusy."""
        with _counted() as verdict:
            result: CheckResult = self._run(
                _check, self._source, sku, tuple(inscriptions), in_force, store, client=client
            )
            verdict.append(result.verdict.value)
        return result

    def proof(
        self,
        sku: str,
        inscriptions: Sequence[Inscription],
        *,
        in_force: InForce,
        is_captioned: bool = True,
        client: str | None = None,
        store: str | None = None,
    ) -> tuple[CheckResult, dict[str, str]]:
        """The check, as `check` makes it, and, by face, an SVG picture of what it saw. Raises CheckTooSlow,
        CheckersBusy."""
        with _counted() as verdict:
            result: tuple[CheckResult, dict[str, str]] = self._run(
                partial(_proof, is_captioned=is_captioned),
                self._source,
                sku,
                tuple(inscriptions),
                in_force,
                store,
                client=client,
            )
            verdict.append(result[0].verdict.value)
        return result

    def preview(
        self,
        sku: str,
        inscriptions: Sequence[Inscription],
        *,
        in_force: InForce,
        client: str,
        store: str | None = None,
    ) -> preview.Preview:
        """The check as a buyer sees it, worked out behind everybody else's checks; `client`: which buyer;
        `store`: of which store. Raises CheckTooSlow, CheckersBusy."""
        result: preview.Preview = self._run(
            _preview,
            self._source,
            sku,
            tuple(inscriptions),
            in_force,
            store,
            pool=self._previewers,
            client=client,
        )
        return result

    def try_out(self, shop: Shop, sku: str, inscription: Inscription) -> tuple[Checked, list[Finding]]:
        """Check one inscription in another shop than the one in force: a part of a draft. All that is tried
        has one share of the workers between it. Raises CheckTooSlow, CheckersBusy."""
        result: tuple[Checked, list[Finding]] = self._run(_tried, shop, sku, inscription, client=_TRIALS)
        return result

    def draw(self, function: Callable[..., T], *arguments: Any, client: str) -> T:
        """Run a function of module level on picklable values where previews are drawn. Raises CheckTooSlow,
        CheckersBusy."""
        result: T = self._run(
            function, *arguments, pool=self._previewers, too_slow=_WORK_TOO_SLOW, client=client
        )
        return result

    def work(self, function: Callable[..., T], *arguments: Any, seconds: float | None = None) -> T:
        """Run a function of module level on picklable values, for so long (None: as long as a check may).

        What may take longer than a check has one share of the workers between all of its kind.
        Raises CheckTooSlow, CheckersBusy.
        """
        result: T = self._run(
            function,
            *arguments,
            seconds=seconds,
            too_slow=_WORK_TOO_SLOW,
            client=None if seconds is None else _LONG_WORK,
        )
        return result

    def build(self, function: Callable[..., T], *arguments: Any) -> T:
        """The same for files, which are needed in a moment, behind whoever waits for an answer now; one after
        the other. Raises CheckTooSlow, CheckersBusy."""
        result: T = self._run(function, *arguments, pool=self._builders, too_slow=_WORK_TOO_SLOW, client=None)
        return result

    @property
    def has_workers(self) -> bool:
        """Whether geometry is done beside the caller, who may go on meanwhile."""
        return self._workers > 0

    def plan(self, function: Callable[..., T], *arguments: Any, seconds: float | None = None) -> T:
        """The same in the process that has the planner loaded. Raises CheckTooSlow, CheckersBusy."""
        result: T = self._run(
            function, *arguments, pool=self._planners, seconds=seconds, too_slow=_WORK_TOO_SLOW, client=None
        )
        return result

    def warm(self, *, plans: bool) -> None:
        """Start the workers, so that the first check need not wait for them; the planner's where `plans` are
        made here. Raises WorkerDied."""
        if self._workers == 0:
            return
        self._checkers.pool()
        if plans:
            begun = time.monotonic()
            log.info("planner_starts", why="at the first start here its search is compiled: half a minute")
            self._planners.pool()
            log.info("planner_ready", seconds=round(time.monotonic() - begun, 1))

    def close(self) -> None:
        self._checkers.close()
        self._planners.close()
        self._builders.close()
        self._previewers.close()

    def _run(
        self,
        work: Any,
        *arguments: Any,
        client: str | None,
        pool: _Opened | None = None,
        seconds: float | None = None,
        too_slow: str = _CHECK_TOO_SLOW,
    ) -> Any:
        if self._workers == 0:
            _open_shop(self._source, self._cache)
            return work(*arguments)
        longest = self.timeout_seconds if seconds is None else seconds
        try:
            return (
                (pool or self._checkers)
                .pool()
                .run(
                    work,
                    *arguments,
                    client=client,
                    wait_seconds=longest,
                    work_seconds=longest,
                )
            )
        except NoRoom:
            raise CheckersBusy("too many checks at once; try again") from None
        except TookTooLong:
            raise CheckTooSlow(too_slow) from None


@contextmanager
def _counted() -> Iterator[list[str]]:
    """Count a check, whose verdict is put into the list, or why there is none."""
    begun, verdict = time.perf_counter(), list[str]()
    try:
        yield verdict
    except CheckersBusy:
        CHECKS_TURNED_AWAY.labels("busy").inc()
        raise
    except CheckTooSlow:
        CHECKS_TURNED_AWAY.labels("too_slow").inc()
        raise
    CHECK_SECONDS.labels(verdict[0]).observe(time.perf_counter() - begun)


class _Opened:
    """A pool of workers, started when it is first needed."""

    def __init__(
        self, workers: int, start: Callable[..., float | None], arguments: tuple[Any, ...], **waiting: int
    ) -> None:
        """`waiting`: how many questions may wait, see `WorkerPool`."""
        self._workers, self._start, self._arguments, self._may_wait = workers, start, arguments, waiting
        self._lock = threading.Lock()  # held until the workers are up, which may take a minute
        self._telling = threading.Lock()  # held for a moment
        self._begun: WorkerPool | None = None  # perhaps still starting
        self._pool: WorkerPool | None = None
        self._is_closed = False

    def begin_with(self, arguments: tuple[Any, ...]) -> None:
        """Does not wait for workers that are starting: whoever puts a description in force would wait with
        them, and its transaction would be ended for idleness."""
        with self._telling:
            self._arguments = arguments
            if self._begun is not None:
                self._begun.begin_with(arguments)

    def pool(self) -> WorkerPool:
        """Raises WorkerDied: it was closed, and a thread that has not heard of it opens none anew."""
        with self._lock:
            if self._is_closed:
                raise WorkerDied("the workers were ended")
            if self._pool is None:
                with self._telling:
                    self._begun = WorkerPool(self._workers, self._start, self._arguments, **self._may_wait)
                self._begun.open()  # takes seconds on a busy machine, which must not count as a check's time
                self._pool = self._begun
            return self._pool

    def close(self) -> None:
        self._is_closed = True
        begun = self._begun
        if begun is not None:  # not behind the lock, which is held until they are up: that may be minutes
            begun.close()
        with self._lock:
            self._begun = self._pool = None


# --- in the worker ---


@dataclass(frozen=True, slots=True)
class _OpenShop:
    """A description opened in this process, the shop as stores see it and as cards prove it, and the last
    checks."""

    shop: Shop
    seen: dict[tuple[tuple[Proof, ...], str | None], Shop] = field(default_factory=dict)
    checked: dict[Any, CheckResult] = field(default_factory=dict)


#: Descriptions by where they were read; a change takes some requests to go from one to the next.
_OPEN: dict[Path, _OpenShop] = {}
_MOST_OPEN = 3
#: What was measured of fonts, and the folder that it is kept in.
_MEASURED: dict[str, Any] = {}


def open_catalogue(source: Path) -> None:
    """Load a shop that this process works with, and open its fonts; who hands it over has judged it. Raises
    CatalogueError, FontRefused."""
    for spec in _opened(source).shop.fonts.values():
        open_font(spec)


def _opened(source: Path) -> _OpenShop:
    opened = _OPEN.get(source)
    if opened is None:
        opened = _OpenShop(catalogue.load(source, is_judged=True))
        while len(_OPEN) >= _MOST_OPEN:
            oldest, *_ = _OPEN
            _OPEN.pop(oldest, None)
        _OPEN[source] = opened
    return opened


def _open_shop(source: Path, cache: Path) -> None:
    open_catalogue(source)
    if _MEASURED.get("cache") != cache:
        _MEASURED.update(cache=cache, store=FontTables(cache))


def _start(source: Path, cache: Path) -> None:
    """A worker is up when it can check."""
    end_with_parent()
    _open_shop(source, cache)


def _start_planner(source: Path, cache: Path) -> float | None:
    """The planner's worker is up when it can plan: what that needs takes seconds to load, and many more the
    first time. Returns for how long it waits for the next plan."""
    from layout.plan.machine_code import MachineCode
    from layout.plan.planner import prepare

    # In a worker, which stands behind requests itself, no further: of a minute on a full machine too little
    # would be left to end a long plan, and the next one would begin from nothing.
    os.nice(max(0, _WORK_BEHIND - os.nice(0)))
    _start(source, cache)
    code = prepare()
    if code is MachineCode.NOT_KEPT:
        return None  # the next one would compile for half a minute
    # What has compiled holds memory that one that finds the code never takes.
    return 0.0 if code is MachineCode.KEPT else _PLANNER_WAITS_SECONDS


def _start_builder() -> float:
    """The builder is handed all that it needs. Returns for how long it waits for the next file."""
    os.nice(max(0, _WORK_BEHIND - os.nice(0)))
    end_with_parent()
    return _BUILDER_WAITS_SECONDS


def _start_behind(source: Path, cache: Path) -> None:
    """A worker that goes on when nobody else wants the processor."""
    os.nice(_BEHIND)
    _start(source, cache)


def _check(
    source: Path, sku: str, inscriptions: Sequence[Inscription], in_force: InForce, store: str | None
) -> CheckResult:
    return _checked(source, sku, inscriptions, in_force, store, is_timed=True)


def _tried(shop: Shop, sku: str, inscription: Inscription) -> tuple[Checked, list[Finding]]:
    """What is worked out of a shop is remembered with it: many that are tried share one font."""
    fonts = {name: _FONTS.setdefault(spec.identity, spec) for name, spec in shop.fonts.items()}
    while len(_FONTS) > _MOST_FONTS:
        del _FONTS[next(iter(_FONTS))]
    return check_one(replace(shop, fonts=fonts), sku, inscription, store=_MEASURED["store"])


_FONTS: dict[tuple[object, ...], FontSpec] = {}
_MOST_FONTS = 64


def _proof(
    source: Path,
    sku: str,
    inscriptions: Sequence[Inscription],
    in_force: InForce,
    store: str | None,
    *,
    is_captioned: bool,
) -> tuple[CheckResult, dict[str, str]]:
    shop = _seen(source, in_force, store)
    result = _checked(source, sku, inscriptions, in_force, store, is_timed=True)
    if sku not in shop.products:
        return result, {}
    faces = dict.fromkeys(checked.face for checked in result.inscriptions if checked.face is not None)
    return result, {
        face: proof.proof_svg(shop, sku, face, result, is_captioned=is_captioned) for face in faces
    }


def _preview(
    source: Path, sku: str, inscriptions: Sequence[Inscription], in_force: InForce, store: str | None
) -> preview.Preview:
    """Drawn of the whole shop: what the handle is of may stand at a zone that this store doesn't offer."""
    result = _checked(source, sku, inscriptions, in_force, store)
    shop = _seen(source, in_force)
    return preview.preview(shop, sku, result, calibrations=in_force.calibrations, store=_MEASURED["store"])


def _seen(source: Path, in_force: InForce, store: str | None = None) -> Shop:
    """The shop as it is proven, as that store sees it: the same value every time, for what was worked out of
    its zones is remembered with it."""
    opened = _opened(source)
    store = store if store in opened.shop.stores else None
    key = in_force.proofs, store
    shop = opened.seen.get(key)
    if shop is None:
        if store is None:
            shop = proven(opened.shop, in_force.proofs)
        else:
            shop = shop_for(_seen(source, in_force), store)
        if len(opened.seen) >= _MOST_SEEN:
            opened.seen.clear()
        opened.seen[key] = shop
    return shop


def _checked(
    source: Path,
    sku: str,
    inscriptions: Sequence[Inscription],
    in_force: InForce,
    store: str | None,
    *,
    is_timed: bool = False,
) -> CheckResult:
    """The check, or what is remembered of it: nothing else than what stands here decides it."""
    last = _opened(source).checked
    measured = frozenset(in_force.calibrations.items())
    key = (sku, tuple(inscriptions), measured, in_force.proofs, store)
    result = last.pop(key, None)
    if result is None:
        shop = _seen(source, in_force, store)
        result = check(shop, sku, inscriptions, calibrations=in_force.calibrations, store=_MEASURED["store"])
    if is_timed:
        result = result.timed()
    last[key] = result
    while len(last) > _MOST_CHECKED:
        last.pop(next(iter(last)), None)
    return result
