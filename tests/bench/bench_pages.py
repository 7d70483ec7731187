"""How much longer pages take in a shop with 50,000 orders behind it than with 5,000; forty orders wait in
both. Of each page the quickest of nine tries counts, because the machine may be busy; on SQLite, where all
work is the process's own, by its processor time."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable

from service.plan import in_force as kept_plan
from tests.bench.bench_search import a_shop
from tests.bench.timing import figure, input_line
from tests.counter import Counter, an_order
from tests.servers import new_postgres_database, running_postgres

_FEW, _MANY, _WAITING, _TRIES = 5_000, 50_000, 40, 9
Clock = Callable[[], float]
_PAGES = (
    "/desk",
    "/board",
    "/backlog",
    "/plan",
    "/bench",
    "/build-list",
    "/build-plan",
    "/lots",
    "/owner/callbacks",
)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        _compare("sqlite", *(f"sqlite:///{folder}/{count}.sqlite3" for count in (_FEW, _MANY)))
    with (
        running_postgres("benchpages") as server,
        new_postgres_database(server, "few") as few,
        new_postgres_database(server, "many") as many,
    ):
        _compare("postgres", *(url.render_as_string(hide_password=False) for url in (few, many)))


def _compare(kind: str, few: str, many: str) -> None:
    seconds = {}
    for count, url in ((_FEW, few), (_MANY, many)):
        with a_shop(url, count) as counter:
            seconds[count] = _quickest(counter, time.process_time if kind == "sqlite" else time.perf_counter)
    ratios = {page: seconds[_MANY][page] / seconds[_FEW][page] for page in _PAGES}
    said = ", ".join(f"{page} {1000 * seconds[_MANY][page]:.0f} ms ({ratios[page]:.2f})" for page in _PAGES)
    input_line(f"pages_50k_vs_5k on {kind}", said, str(_PAGES))
    figure(f"pages_50k_vs_5k{'' if kind == 'sqlite' else '_' + kind}", max(ratios.values()))


def _quickest(counter: Counter, clock: Clock) -> dict[str, float]:
    for _ in range(_WAITING):
        assert counter.post_order(an_order()).status_code == 201
    kept_plan.keep(counter.tools)
    signed_in = counter.client.post(
        "/sign-in", data={"name": "Olga", "key": counter.keys["owner"]}, follow_redirects=False
    )
    assert signed_in.status_code == 303, signed_in.text
    return {page: min(_one(counter, page, clock) for _ in range(_TRIES)) for page in _PAGES}


def _one(counter: Counter, page: str, clock: Clock) -> float:
    begun = clock()
    answer = counter.client.get(page, follow_redirects=False)
    assert answer.status_code == 200, f"{page}: {answer.status_code}"
    return clock() - begun


if __name__ == "__main__":
    main()
