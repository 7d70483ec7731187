"""Artwork that is made to hurt: the worst time and memory until it is refused (or read), each file in a
process of its own, within the limits of size that the catalogue sets."""

from __future__ import annotations

import math
import multiprocessing
import resource
import time

from layout.marks.artwork import ArtworkRefused, read_artwork
from tests.bench.timing import figure, input_line


def main() -> None:
    seconds, megabytes = [], []
    for name, drawing in hostile_drawings().items():
        with multiprocessing.get_context("spawn").Pool(1) as pool:
            took, grown, said = pool.apply(_read, (drawing,))
        seconds.append(took)
        megabytes.append(grown)
        input_line(name, f"{len(drawing)} bytes, {took:.2f} s, {grown:.0f} MB: {said}", said)
    figure("hostile_artwork_s", max(seconds))
    figure("hostile_artwork_mb", max(megabytes))


def hostile_drawings() -> dict[str, bytes]:
    """SVG files within the limits of bytes and elements."""
    comb = " ".join(f"L {x / 100:.2f} {1 if x % 2 else 99}" for x in range(100, 9900))
    return {
        "a star of 601 points": _drawing([_star(601)]),
        "a star of 12,001 points": _drawing([_star(12_001)]),
        "140 stars of 99 points": _drawing([_star(99)] * 140),
        "a comb across a comb": _drawing([f"M 1 1 {comb} Z", f"M 1 50 {comb} Z"]),
        "500 circles on one another": _drawing([_circle(x / 20) for x in range(480)]),
        "curves that need a million points": _drawing(["M 0 0" + " c 4999 0 -4999 1 0 1" * 4_000]),
    }


def _drawing(paths: list[str]) -> bytes:
    inside = "".join(f'<path d="{path}"/>' for path in paths)
    head = '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="100mm" viewBox="0 0 100 100">'
    return f"{head}{inside}</svg>".encode()


def _star(corners: int) -> str:
    turn = 2 * math.pi * (corners // 2) / corners
    points = [(50 + 49 * math.cos(turn * n), 50 + 49 * math.sin(turn * n)) for n in range(corners)]
    return "M" + " L".join(f"{x:.3f} {y:.3f}" for x, y in points) + " Z"


def _circle(shift: float) -> str:
    return f"M {30 + shift} 50 a 20 20 0 1 1 -0.1 0 Z"


def _read(drawing: bytes) -> tuple[float, float, str]:
    """Processor seconds, megabytes that the process grew by at its highest, and what came of it."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun = time.process_time()
    try:
        said = f"read, {len(read_artwork(drawing).areas)} areas"
    except ArtworkRefused as refused:
        said = f"refused: {refused}"
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    return time.process_time() - begun, grown / 1024, said


if __name__ == "__main__":
    main()
