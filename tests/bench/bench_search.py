"""How much longer the search of the desk takes among 50,000 orders than among 500: the whole answer of
`GET /v1/orders?q=`, thirty orders a page as at the desk, on SQLite and on PostgreSQL. Of each search the
quickest of five tries counts, because the machine may be busy; p95 is over the searches.

Every kind of search has thirty answers among the 500 as well (a whole reference has one in both), so that the
same is written down; names and words are invented.
"""

from __future__ import annotations

import random
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import insert, text

from service.records.db import Database, open_engine
from service.records.schema import upgrade
from service.records.search_words import search_words, texts_of
from service.records.tables import Job, Order, OrderLine, OrderWord
from tests.bench.timing import figure, input_line
from tests.clocks import SetClock, a_clock
from tests.counter import Counter, an_open_counter
from tests.servers import new_postgres_database, running_postgres

_FEW, _MANY, _ASKED, _A_PAGE, _TRIES = 500, 50_000, 240, 30, 5
_A_DAY = 55  # so that 5,000 orders are the quarter that the build plan looks back on
_FIRST, _LAST = ("Nan", "Zo\u00eb", "Marta", "Jonas"), ("Alder", "Birch", "Cedar", "Dogwood")
_WORDS = ("For Nan", "1 May", "Allotment 7", "Quay Lane", "Summer", "Harbour", "Home", "With love", "Thanks")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        _compare("sqlite", *(f"sqlite:///{folder}/{count}.sqlite3" for count in (_FEW, _MANY)))
    with (
        running_postgres("benchsearch") as server,
        new_postgres_database(server, "few") as few,
        new_postgres_database(server, "many") as many,
    ):
        _compare("postgres", *(url.render_as_string(hide_password=False) for url in (few, many)))


def _compare(kind: str, few: str, many: str) -> None:
    p95, found = {}, []
    for count, url in ((_FEW, few), (_MANY, many)):
        with a_shop(url, count) as counter:
            seconds, answers = _search(counter, count)
        p95[count] = statistics.quantiles(seconds, n=20)[-1]
        found.append(answers)
    input_line(
        f"search_50k_vs_500 on {kind}",
        f"{_ASKED} searches; p95 {1000 * p95[_FEW]:.1f} and {1000 * p95[_MANY]:.1f} ms",
        str(found),
    )
    figure(f"search_50k_vs_500{'' if kind == 'sqlite' else '_' + kind}", p95[_MANY] / p95[_FEW])


@contextmanager
def a_shop(url: str, count: int) -> Iterator[Counter]:
    """A shop with so many orders that are over, and its made-up stock."""
    engine = open_engine(url)
    upgrade(engine)
    clock = a_clock()
    with (
        tempfile.TemporaryDirectory() as data,
        an_open_counter(Database(engine), clock, Path(data)) as counter,
    ):
        _fill(counter, count, clock)
        if not counter.tools.database.is_sqlite:  # what PostgreSQL does by itself after a while
            with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                connection.execute(text("VACUUM ANALYZE"))
        yield counter
    engine.dispose()


def _fill(counter: Counter, count: int, clock: SetClock) -> None:
    """Released orders of one line and one unit, as intake leaves them: 55 a day until now."""
    chance = random.Random(50)
    shop = counter.tools.catalogue.current
    products = [p for p in shop.products.values() if not shop.blades[p.blade].bare]
    now = clock()
    orders: list[dict[str, Any]] = []
    lines: list[dict[str, Any]] = []
    jobs: list[dict[str, Any]] = []
    words: list[dict[str, Any]] = []
    for number in range(1, count + 1):
        product = products[number % len(products)]
        ref, buyer = f"AQ-2026-{number:06d}", f"{chance.choice(_FIRST)} {chance.choice(_LAST)}"
        mark = {"zone": "flat", "kind": "text", "text": chance.choice(_WORDS), "font": "lato-bold"}
        came = now - timedelta(days=(count - number) / _A_DAY)
        ship_by = came + timedelta(days=number % 20)
        orders.append(
            {"client": "store-1", "order_ref": ref, "buyer": buyer, "ship_by": ship_by, "created_at": came}
        )
        lines.append(
            {
                "order_id": number,
                "line_ref": "1",
                "sku": product.sku,
                "quantity": 1,
                "inscriptions": [mark],
                "verdict": "accept",
                "findings": [],
                "checked": [],
                "eligible": [],
                "catalogue_version": "",
            }
        )
        jobs.append(
            {
                "line_id": number,
                "order_id": number,
                "unit": 1,
                "sku": product.sku,
                "blade": product.blade,
                "state": "released",
                "priority": 0,
                "ship_by": ship_by,
                "words_revision": 1,
                "faces": [],
                "faces_done": [],
                "created_at": came,
            }
        )
        kept = search_words(texts_of(ref, buyer, [(product.sku, [mark])]))
        words += [{"word": word, "order_id": number} for word in kept]
    with counter.tools.database.engine.begin() as connection:
        for table, rows in ((Order, orders), (OrderLine, lines), (Job, jobs), (OrderWord, words)):
            for first in range(0, len(rows), 5_000):
                connection.execute(insert(table), rows[first : first + 5_000])


def _search(counter: Counter, count: int) -> tuple[list[float], list[int]]:
    """Seconds of each search, and how many orders each gave."""
    chance = random.Random(7)
    searches = [_a_search(chance, count, kind) for kind in range(6) for _ in range(_ASKED // 6)]
    chance.shuffle(searches)
    headers = {"Authorization": f"Bearer {counter.keys['desk']}"}
    found: list[int] = []

    def search(asked: str) -> float:
        begun = time.perf_counter()
        answer = counter.client.get("/v1/orders", params={"q": asked, "limit": str(_A_PAGE)}, headers=headers)
        seconds = time.perf_counter() - begun
        found.append(len(answer.json()["orders"]))
        return seconds

    for asked in searches[:20]:
        search(asked)
    found.clear()
    return [min(search(asked) for _ in range(_TRIES)) for asked in searches], found


def _a_search(chance: random.Random, count: int, kind: int) -> str:
    first, last = chance.choice(_FIRST), chance.choice(_LAST)
    return (
        f"AQ-2026-{chance.randint(1, count):06d}",
        first,
        f"{first} {last}",
        chance.choice(("chef", "hori", "parer", "cheese")),
        chance.choice(_WORDS),
        first[:2].lower(),
    )[kind]


if __name__ == "__main__":
    main()
