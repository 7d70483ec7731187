"""Medians and the one way a figure is printed."""

from __future__ import annotations

import hashlib
import statistics
import time
from collections.abc import Callable


def median_seconds(
    work: Callable[[], object],
    *,
    rounds: int = 15,
    repeats: int = 1,
    clock: Callable[[], float] = time.perf_counter,
) -> float:
    """Median time of one call over `rounds` rounds of `repeats` calls each, after one warm call."""
    work()
    times = []
    for _ in range(rounds):
        begun = clock()
        for _ in range(repeats):
            work()
        times.append((clock() - begun) / repeats)
    return statistics.median(times)


def figure(name: str, value: float) -> None:
    """Print one figure."""
    print(f"{name} {value:.4g}", flush=True)


def input_line(name: str, what: str, result: str) -> None:
    """Say what was measured and a checksum of the result, so that two runs can be compared."""
    checksum = hashlib.sha256(result.encode()).hexdigest()[:12]
    print(f"# {name}: {what}; checksum {checksum}", flush=True)
