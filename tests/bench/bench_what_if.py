"""An answer to what if ...? for a usual shop: 300 units that wait, 60 orders a day to come."""

from __future__ import annotations

from dataclasses import replace

from layout.shop.hours import DAY_S
from service.what_if.answer import play, runs_for
from service.what_if.simulation import OrderLike, Scenario
from tests.bench.timing import figure, input_line, median_seconds
from tests.planning import a_busy_backlog


def main() -> None:
    backlog = a_busy_backlog(300, seed=1, days=5)
    mix = tuple(OrderLike((job,), lead_s=3 * DAY_S) for job in backlog.jobs[:100])
    usual = Scenario(
        backlog, mix, orders_per_day=60.0, orders_until=backlog.now + 2 * DAY_S, spread=0.3, scrap=0.02
    )
    asked = replace(usual, orders_factor=2.0, factor_until=DAY_S)
    runs = runs_for(asked)
    figure("what_if_300_s", median_seconds(lambda: play((usual, asked), runs, 1, {}), rounds=3))
    input_line("what_if", f"{runs} runs of 300 units", repr(play((usual, asked), 2, 1, {})))


if __name__ == "__main__":
    main()
