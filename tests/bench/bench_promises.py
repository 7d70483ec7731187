"""Do plans stay put, and do promises hold? Two weeks of invented shops, and plans let happen thousands of
times.

Shops are drawn anew by every run (the seed is printed; `python -m tests.bench.bench_promises SEED` repeats
one), so that no figure is of a shop that anything was tuned on.

`promise_moves_*`: promises that moved by a working day or more, for each promise made. 60 and 85 are the
percentage of the open hours that burning takes on an ordinary day, on average; the doubled day comes on top.
`plan_regret`: the kept plan's lesser parts over those of one made from nothing, at worst (infinite where it
was later or had more loads). `promise_kept_worst`: of the orders of many plans, the share of runs in which
the worst one kept its promise. `promise_kept_first_85`: orders done by the day that was promised first.
`promise_slack_*_days`: working days by which that day lay after the day on which the order was done, on
average.
"""

from __future__ import annotations

import secrets
import sys
from random import Random

from tests.bench.timing import figure
from tests.shop_life import Shop, kept_shares, lived

PLANS, RUNS = 12, 2_000


def main() -> None:
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else secrets.randbelow(10_000)
    print(f"# promises: shops of seed {seed}", flush=True)
    idle = lived(Shop(0.6, seed, spread=0.0, bias=0.0, scrap=0.0, stops_per_s=0.0), orders_until=1)
    figure("promise_moves_idle", idle.moves())
    calm, busy = lived(Shop(0.6, seed)), lived(Shop(0.85, seed))
    print(f"# what came fills {calm.filled:.2f} and {busy.filled:.2f} of the open hours", flush=True)
    figure("promise_moves_60", calm.moves())
    figure("promise_moves_85", busy.moves())
    figure("plan_regret", max(calm.regrets + busy.regrets))
    shares = [share for number in range(PLANS) for share in kept_shares(Random(f"{seed} {number}"), RUNS)]
    print(f"# {len(shares)} orders of {PLANS} plans, {RUNS} runs each", flush=True)
    figure("promise_kept_worst", min(shares))
    figure("promise_kept_first_85", busy.kept_first())
    figure("promise_slack_60_days", calm.slack())
    figure("promise_slack_85_days", busy.slack())


if __name__ == "__main__":
    main()
