"""`sh tests/run soak [--kills 200] [--minutes N] [--seed N]`: two thirds of the kills on PostgreSQL with a
broker, workers and two API processes, one third on the embedded default; then the naive controls. Prints what
it does and, at the end, a figure a line. Fails where something was lost, doubled or damaged, and where a
control was not."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
import uuid
from pathlib import Path

from tests.faults.naive import naive_storm
from tests.faults.storm import storm
from tests.servers import new_postgres_database, running_broker, running_postgres


def _say(what: str) -> None:
    print(what, flush=True)


def main() -> int:
    asked = argparse.ArgumentParser(prog="sh tests/run soak", description=__doc__)
    asked.add_argument("--kills", type=int, default=200)
    asked.add_argument(
        "--minutes", type=float, default=0.0, help="Longest time of faults; 0: until all kills"
    )
    asked.add_argument("--only", choices=("servers", "embedded"), help="One of the two parts")
    asked.add_argument("--seed", type=int, default=int(time.time()))
    chosen = asked.parse_args()
    os.nice(10)
    longest = chosen.minutes * 60 or 30.0 * chosen.kills
    kills = acked = burned = 0
    sentences: list[str] = []
    lost = doubled = 0
    with tempfile.TemporaryDirectory(prefix="ricasso-soak-") as folder:
        for name, embedded, share in (("servers", False, 2), ("embedded", True, 1)):
            if chosen.only not in (None, name):
                continue
            found, world = storm(
                Path(folder) / name,
                seed=chosen.seed,
                embedded=embedded,
                kills=max(1, chosen.kills * share // 3),
                seconds=longest * share / 3,
                say=_say,
            )
            _say(f"{name}: {', '.join(f'{fault} {count}' for fault, count in sorted(world.done.items()))}")
            _say(
                f"{name}: {world.kills} kills, {found.acked} acked, {found.burned} faces burned,"
                f" {len(found.lost)} lost, {len(found.doubled)} doubled"
            )
            kills, acked, burned = kills + world.kills, acked + found.acked, burned + found.burned
            lost, doubled = lost + len(found.lost), doubled + len(found.doubled)
            sentences += [f"{name}: {sentence}" for sentence in found.sentences()]
            for sentence in found.sentences():  # now: what comes after it may fail
                _say(f"WRONG {name}: {sentence}")
        with (
            running_postgres(f"soak-{uuid.uuid4().hex[:8]}") as server,
            new_postgres_database(server, "naive") as url,
            running_broker() as broker,
        ):
            naive = naive_storm(url.render_as_string(hide_password=False), broker, seed=chosen.seed, kills=20)
    for figure, value in (
        ("seed", chosen.seed),
        ("kills", kills),
        ("acked", acked),
        ("faces_burned", burned),
        ("lost", lost),
        ("doubled", doubled),
        ("naive_lost", naive.lost),
        ("naive_doubled", naive.doubled),
    ):
        _say(f"{figure} {value}")
    return 1 if sentences or not (naive.lost and naive.doubled) else 0


if __name__ == "__main__":
    sys.exit(main())
