"""`python -m tests.faults.release_day [--orders 5000] [--minutes 10] [--api 2] [--workers 2] [--tireless]`: a
release day without faults. Stores post so many orders in so many minutes while two benches work and the desk
checks a text every second. All words are made up, none was seen before, and they are in any font that is
offered for them; PostgreSQL with `fsync`, clients on the same processors. The first run measures the fonts,
as a shop's first day does (some minutes). Prints figures: errors, what 99 of a hundred answers took at the
most, and the processor time that each kind of process took for an order, which says on a busy machine too how
many orders it is enough for.

At the benches hands and beam take some seconds for each act (`PACE`): half a minute a load, where one takes
minutes in a shop, so two benches do the work of several. `--tireless`: they never pause, a load every few
seconds: the work of dozens of benches, whose acts and files then take the processors from orders."""

from __future__ import annotations

import argparse
import itertools
import random
import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from layout.lettering.fonts import suggest
from layout.shop.shop import Shop
from service.shop import catalogue
from service.shop.font_tables import measure_all
from service.shop.smallest_sizes import work_out_missing
from tests.bench.corpus import made_up_text
from tests.counter import FONT_TABLES
from tests.faults.people import WANTED, Desk, Operator, Pace, Person, Store
from tests.faults.processes import until_idle, wait
from tests.faults.storm import World, a_world

_STORES, _WARMING = 6, 60
#: Less than people can do with: to mount a plate, to walk by some bins, to seat, wipe and look at eight units
#: each take longer, and so does the burn of a plate.
PACE = Pace(hands_s=(2.0, 4.0), beam_s=10.0)


class Timed:
    """How long each request took, by what was asked; a bench that was told that nothing waits is left out."""

    def __init__(self) -> None:
        self.seconds: dict[str, list[float]] = {"order": [], "check": [], "claim": []}
        self.errors = 0
        self.refused: dict[str, set[str]] = {}

    def watch(self, person: Person, what: str, path: str) -> None:
        """Let the person's requests to that path be timed."""
        ask = person.ask

        def timed(method: str, where: str, body: Any = None, **headers: str) -> Any:
            begun = time.perf_counter()
            answer = ask(method, where, body, **headers)
            if where == path and method == "POST" and (answer is None or answer.status_code != 204):
                self.seconds[what].append(time.perf_counter() - begun)
            if answer is None or answer.status_code >= 500:
                self.errors += 1
                code = "no answer" if answer is None else f"{answer.status_code} {answer.text[:80]}"
                self.refused.setdefault(person.name, set()).add(f"{method} {where}: {code}")
            return answer

        person.ask = timed  # type: ignore[method-assign]


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--orders", type=int, default=5_000)
    asked.add_argument("--minutes", type=float, default=10.0)
    asked.add_argument("--api", type=int, default=2)
    asked.add_argument("--workers", type=int, default=2)
    asked.add_argument("--tireless", action="store_true", help="benches that never pause")
    chosen = asked.parse_args()
    timed, numbers = Timed(), itertools.count(1)
    shop = catalogue.load(catalogue.default_folder())
    wanted, checked = _Drawn(shop, 1), _Drawn(shop, 2)
    _measure(shop)
    with (
        tempfile.TemporaryDirectory(prefix="ricasso-release-") as folder,
        a_world(
            Path(folder) / "world",
            font_tables=FONT_TABLES,
            seed=1,
            embedded=False,
            say=print,
            stores=_STORES,
            api=chosen.api,
            workers=chosen.workers,
            measures_fonts=False,  # in a shop that sells that was over on its first day
            is_stormy=False,
        ) as world,
    ):
        stores = [person for person in world.people if isinstance(person, Store)]
        (desk,) = (person for person in world.people if isinstance(person, Desk))
        _warm(world, desk, stores, _Drawn(shop, 3))
        over = threading.Event()
        before, warmed, burned = _worked(world), len(world.told.acked), _loads(world.operators())
        begun = time.monotonic()

        def post(store: Store) -> None:
            while (number := next(numbers)) <= chosen.orders:
                wait(max(0.0, begun + 60 * chosen.minutes * number / chosen.orders - time.monotonic()))
                store.take_one(f"R-{number}", *wanted.next())

        def check() -> None:
            while not over.wait(1.0):
                sku, inscription = checked.next()
                desk.ask("POST", "/v1/checks", {"sku": sku, "inscriptions": [inscription]})

        for store in stores:
            timed.watch(store, "order", "/v1/orders")
        timed.watch(desk, "check", "/v1/checks")
        for operator in world.operators():
            timed.watch(operator, "claim", "/v1/loads/next")
            operator.pace = None if chosen.tireless else PACE
        threads = [threading.Thread(target=post, args=(store,)) for store in stores]
        threads.append(threading.Thread(target=check))
        for thread in threads:
            thread.start()
        for thread in threads[:-1]:
            thread.join()
        minutes = (time.monotonic() - begun) / 60
        over.set()
        threads[-1].join()
        for operator in world.operators():
            operator.over.set()
        for operator in world.operators():
            operator.join(60)
        taken = len(world.told.acked) - warmed
        worked = {name: seconds - before[name] for name, seconds in _worked(world).items()}
        print(f"# {taken} orders in {minutes:.1f} minutes, {_loads(world.operators()) - burned} loads")
        print(f"# processors in use: {sum(worked.values()) / (60 * minutes):.2f}")
        for kind, in_all in worked.items():
            print(f"release_{kind}_ms_an_order {1000 * in_all / max(1, taken):.1f}")
        print(f"release_processor_ms_an_order {1000 * sum(worked.values()) / max(1, taken):.0f}")
        for person in world.people:
            for said in sorted(timed.refused.pop(person.name, set())):
                print(f"# {person.name}: {said}")
    print(f"release_errors {timed.errors}")
    for what, seconds in timed.seconds.items():
        if len(seconds) > 1:
            print(f"release_{what}_p99_s {statistics.quantiles(seconds, n=100, method='inclusive')[-1]:.3f}")


def _warm(world: World, desk: Desk, stores: list[Store], drawn: _Drawn) -> None:
    """As on any other day, the service has been at work before: orders came, and each bench burned a load."""
    until_idle(lambda: sum(_worked(world).values()))
    for number in range(_WARMING):
        sku, inscription = drawn.next()
        desk.ask("POST", "/v1/checks", {"sku": sku, "inscriptions": [inscription]})
        stores[number % len(stores)].take_one(f"W-{number}", *drawn.next())
    for operator in world.operators():
        operator.start()
    while not all(operator.done for operator in world.operators()):
        wait(0.5)
    until_idle(lambda: sum(_worked(world).values()), seconds=10)  # a bench with nothing to do asks on and on


class _Drawn:
    """Products and made-up words for them, in a font that a store's page would offer for these words."""

    def __init__(self, shop: Shop, seed: int) -> None:
        self._shop = shop
        self._chance = random.Random(seed)
        self._one_at_a_time = threading.Lock()

    def next(self) -> tuple[str, dict[str, Any]]:
        """For any of the threads that play the stores."""
        with self._one_at_a_time:
            while True:
                sku, zone = self._chance.choice(WANTED)
                text = made_up_text(self._chance)
                offered = self._shop.face_of_zone(sku, zone).zone(zone).fonts
                if able := suggest(text, self._shop.fonts, offered):
                    return sku, {"zone": zone, "text": text, "font": self._chance.choice(able)}


def _measure(shop: Shop) -> None:
    """Measure every font, where no run before has."""
    work_out_missing(shop, FONT_TABLES)

    def progress(font: str, done: int, of: int) -> None:
        if done == of:
            print(f"# {font}: {of} glyphs measured", flush=True)

    measure_all(shop.fonts, FONT_TABLES, processes=2, progress=progress)


def _worked(world: World) -> dict[str, float]:
    """Processor time so far, by kind of process: what answers requests, what checks for it, what does tasks,
    what wakes them, the database, the broker, and the clients, which are in this one."""
    assert world.postgres is not None
    assert world.broker is not None
    worked = dict.fromkeys(("requests", "checks", "tasks", "beat"), 0.0)
    for name, program in world.programs.items():
        kind = name.split("-")[0]
        if kind == "api":
            alone = program.worked_alone_s()
            worked["requests"] += alone
            worked["checks"] += program.worked_s() - alone
        else:
            worked["tasks" if kind == "worker" else kind] += program.worked_s()
    return {
        **worked,
        "database": world.postgres.worked_s(),
        "broker": world.broker.worked_s(),
        "clients": time.process_time(),
    }


def _loads(operators: list[Operator]) -> int:
    return sum(operator.done for operator in operators)


if __name__ == "__main__":
    main()
