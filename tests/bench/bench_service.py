"""The service as its own process with two geometry workers: how soon it answers, how much memory it takes,
and how long a font's table takes to make.

Memory is the proportional set size (smaps_rollup, Linux) of all its processes after a thousand mixed checks,
with no font being measured behind, as it is from the first half hour of a shop on, and no plan being made.
"""

from __future__ import annotations

import http.client
import json
import random
import tempfile
import time
from dataclasses import asdict, replace
from pathlib import Path

from layout.lettering.fonts import open_font
from service.shop import catalogue
from service.shop.font_tables import measure_all
from tests.bench.bench_doors import a_new_key, a_service, ask
from tests.bench.corpus import CURVED, STRAIGHT, Draw, draws
from tests.bench.timing import figure, input_line

_CHECKS, _GLYPHS = 1_000, 600
#: The planner's process, begun with the service, waits half a minute for its first plan. A fast machine has
#: made all checks by then.
_PLANNER_ENDS_SECONDS = 40.0


def main() -> None:
    shop = catalogue.load(catalogue.default_folder())
    chance = random.Random(1)
    drawn = draws(shop, chance, _CHECKS * 9 // 10, zones=STRAIGHT)
    drawn += draws(shop, chance, _CHECKS // 10, zones=CURVED)
    chance.shuffle(drawn)
    with tempfile.TemporaryDirectory() as folder:
        _start(folder)  # makes the database, and files that are read come from memory the second time
        key = a_new_key(folder, "store")
        _start(folder, key)  # compiles what only these requests import
        figure("serve_ready_s", _start(folder, key))
        with a_service(folder, check_workers="2", check_seconds="60", measure_fonts="false") as address:
            begun = time.monotonic()
            verdicts = [_check(address, key, draw) for draw in drawn]
            time.sleep(max(0.0, _PLANNER_ENDS_SECONDS - (time.monotonic() - begun)))
            figure("service_pss_mb", _pss_mb())
    input_line("service_pss_mb", f"{_CHECKS} checks on two workers", " ".join(verdicts))
    _font_table()


def _start(folder: str, key: str = "") -> float:
    """Seconds until the service has answered whether it lives, and to who has a key a list and a page."""
    begun = time.perf_counter()
    with a_service(folder, check_workers="2", measure_fonts="false") as address:
        for path in ("/v1/orders", "/sign-in") if key else ():
            assert ask(address, path, key) == 200, path
        return time.perf_counter() - begun


def _check(address: tuple[str, int], key: str, draw: Draw) -> str:
    asked = {name: value for name, value in asdict(draw.asked).items() if value is not None}
    connection = http.client.HTTPConnection(*address, timeout=120)
    try:
        connection.request(
            "POST",
            "/v1/checks",
            json.dumps({"sku": draw.sku, "inscriptions": [asked]}),
            {"Authorization": f"Bearer {key}", "Content-Type": "application/json"},
        )
        answer = json.loads(connection.getresponse().read())
    finally:
        connection.close()
    return str(answer.get("verdict", answer.get("code")))


def _pss_mb() -> float:
    """Of this process's descendants, among which is nothing but the service."""
    parents: dict[int, int] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents[int(stat.parent.name)] = int(stat.read_text().rsplit(")", 1)[1].split()[1])
        except (FileNotFoundError, ProcessLookupError):
            continue
    ours = {int(Path("/proc/self").resolve().name)}
    while more := {child for child, parent in parents.items() if parent in ours} - ours:
        ours |= more
    ours -= {int(Path("/proc/self").resolve().name)}
    lines = [line for pid in ours for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()]
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


def _font_table() -> None:
    """A font's table from nothing, on two cores, as it would take for _GLYPHS glyphs."""
    shop = catalogue.load(catalogue.default_folder())
    counts = {name: len(open_font(spec).glyphs) for name, spec in shop.fonts.items()}
    name = min(counts, key=lambda name: abs(counts[name] - _GLYPHS))
    spec = replace(shop.fonts[name], font=name)
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        measure_all({name: spec}, Path(folder), processes=2, progress=lambda *_: None)
        seconds = time.perf_counter() - begun
    figure("font_table_s", seconds * _GLYPHS / counts[name])
    input_line("font_table_s", f"{name}, {counts[name]} glyphs in {seconds:.1f} s", name)


if __name__ == "__main__":
    main()
