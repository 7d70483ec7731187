"""What each rule of the search is worth: plans of 55 shops with all rules, and without one at a time.

`python -m tests.bench.ablation` (with the names of rules: for those alone) prints for each a line: in how
many shops the plan is worse without it, in how many better (by lateness, then loads, then the weighted sum,
of which less than a hundredth is nothing; in brackets, by one of the first two), how much the weighted sum
grows on average where those are equal, and the processor time. Searches are shorter than in the service, so
that a rule has more to say.
No part of the suite.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from statistics import fmean
from typing import Any
from unittest import mock

from layout.loading.backlog import Backlog, Score
from layout.plan.planner import plan
from layout.plan.search import search
from tests.planning import a_busy_backlog
from tests.references.demo_mix import a_demo_backlog
from tests.references.shops import a_shop, backlog_of
from tests.references.test_bin_packing import a_shift_backlog, packing_instances

#: Changes tried from each start.
ROUNDS = 20_000


def shops() -> dict[str, Backlog]:
    """43 generated shops of 15 to 57 units, four of 100 to 600; four of the demo's mix; four in which shifts
    limit the loads, not slots (published instances of bin packing)."""
    made = {f"generated {n}": backlog_of(a_shop(900 + n, 15 + n)) for n in range(43)}
    made |= {f"busy {n}": a_busy_backlog(n, seed=n, days=3) for n in (100, 200, 300, 600)}
    made |= {f"demo {n}": a_demo_backlog(n, seed=n, tight=n > 100) for n in (40, 100, 357, 1_000)}
    packed = [a_shift_backlog(capacity, weights) for _, capacity, _, weights in packing_instances()[:4]]
    return made | {f"shifts {n}": backlog for n, backlog in enumerate(packed)}


@contextmanager
def without(*names: str) -> Iterator[None]:
    """No plan of a rule whose name begins so is made."""
    built, ahead = search._built, search._looking_ahead

    def fewer(make: Callable[..., list[Any]]) -> Callable[..., list[Any]]:
        return lambda *given: [one for one in make(*given) if not one[0].startswith(names)]

    with (
        mock.patch.object(search, "_built", fewer(built)),
        mock.patch.object(search, "_looking_ahead", fewer(ahead)),
    ):
        yield


def unchanged(_problem: Any, loads: Any, *_: Any, **__: Any) -> Any:
    return loads


VARIANTS: dict[str, Callable[[], Any]] = {
    "all": nullcontext,
    "earliest due date": lambda: without("earliest"),
    "grouped by the week": lambda: without("grouped, 7"),
    "fewest loads": lambda: without("fewest"),
    "apparent tardiness cost": lambda: without("apparent"),
    "fullest stretches": lambda: without("fullest"),
    "all but earliest due date and grouped, all days": lambda: without(
        "grouped, 7", "fewest", "apparent", "fullest"
    ),
    "a second start": lambda: mock.patch.object(search, "STARTS", 1),
    "the search once more": lambda: mock.patch.object(search, "AGAIN", 0),
    "search for dates": lambda: mock.patch("layout.plan.search.improve.improve_dates", unchanged),
    "search for the sum": lambda: mock.patch("layout.plan.search.improve.improve_sum", unchanged),
}


def rank(score: Score) -> tuple[int, int, float]:
    return score.lateness, score.loads, score.weighted


def main() -> None:
    backlogs = shops()
    full: dict[str, tuple[int, int, float]] = {}
    for name in ("all", *(sys.argv[1:] or list(VARIANTS)[1:])):
        start = time.process_time()
        with VARIANTS[name]():
            ranks = {shop: rank(plan(backlog, rounds=ROUNDS).score) for shop, backlog in backlogs.items()}
        full = full or ranks
        took = time.process_time() - start
        worse = [shop for shop, mine in ranks.items() if _is_less(full[shop], mine)]
        better = [shop for shop, mine in ranks.items() if _is_less(mine, full[shop])]
        alike = [shop for shop, mine in ranks.items() if mine[:2] == full[shop][:2] and full[shop][2]]
        growth = fmean(ranks[shop][2] / full[shop][2] - 1 for shop in alike) if alike else 0.0
        dates = [
            sum(one[shop][:2] > other[shop][:2] for shop in ranks)
            for one, other in ((ranks, full), (full, ranks))
        ]
        print(
            f"{name}: worse {len(worse)} (dates or loads {dates[0]}), better {len(better)} ({dates[1]}), "
            f"sum {growth:+.1%}, {took:.0f} s",
            flush=True,
        )


def _is_less(one: tuple[int, int, float], other: tuple[int, int, float]) -> bool:
    if one[:2] != other[:2]:
        return one[:2] < other[:2]
    return one[2] < 0.99 * other[2]


if __name__ == "__main__":
    main()
