"""The desk's proof as one types: a request of the page for every letter, over HTTP in this process.

Geometry runs in a worker process, as in the service. `cpu` is the same work in one thread, in processor time,
which a busy machine disturbs less.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from fastapi.testclient import TestClient

from service.app import create_app, set_up_logging
from service.records.clock import now
from service.records.who import SWEEP, Role
from service.requests import keys
from service.running.assembly import assemble
from service.shop.settings import Settings
from service.stock import import_stock as imports
from tests.bench.timing import figure, input_line

#: (sku, zone, font, capital height asked for, words): straight and curved, joined letters, right to left, two
#: lines, and two that are refused with suggestions.
TYPED = (
    ("AQ-CHEF-20", "heel", "lato-bold", "", "For Nan, with love"),
    ("AQ-CHEF-20", "heel", "dancing-bold", "", "Marta\nand Jonas"),
    ("AQ-SANT-17", "flat", "playfair-bold", "", "Happy birthday"),
    ("AQ-HORI-18", "ricasso", "oswald-medium", "6", "Zoë 1961"),
    ("AQ-CHEESE-14", "between_holes", "amiri-bold", "", "نور الهدى"),
    ("AQ-CHEF-20", "spine", "lato-bold", "", "To Henrik from all of us"),
    ("AQ-CHEF-20", "spine", "pacifico", "", "Summer by the sea"),
    ("AQ-CHEESE-14", "round_hole_1", "serif-semibold", "", "Anna & Ole 2026"),
    ("AQ-CHEF-20", "heel", "lato-bold", "30", "Uncle Bob"),
    ("AQ-CHEF-20", "heel", "cinzel-semibold", "", "Bo ♥ Zoë"),
)


def main() -> None:
    set_up_logging("ERROR")
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(data=Path(folder), sweep_seconds=600, log_level="ERROR")
        wall = typed(settings.model_copy(update={"check_workers": 1}), time.perf_counter)
        cpu = typed(settings.model_copy(update={"check_workers": 0}), time.process_time)
    figure("proof_redraw_ms", statistics.median(wall) * 1e3)
    figure("proof_redraw_p95_ms", statistics.quantiles(wall, n=20)[-1] * 1e3)
    figure("proof_redraw_cpu_ms", statistics.median(cpu) * 1e3)
    figure("proof_redraw_cpu_p95_ms", statistics.quantiles(cpu, n=20)[-1] * 1e3)
    input_line("proof_redraw", f"{len(TYPED)} wordings, {len(wall)} letters", str(TYPED))


def typed(settings: Settings, clock: Callable[[], float]) -> list[float]:
    """Seconds of every redraw while each wording is typed, letter by letter."""
    tools = assemble(settings)
    imports.open_the_store_room(tools)
    key = tools.database.write(
        lambda session: keys.new_key(session, Role.DESK, client="bench", now=now(), who=SWEEP),
    )
    with TestClient(create_app(tools)) as http:
        http.post("/sign-in", data={"key": key, "name": "Dora"})
        token = http.get("/desk").text.split('name="form-token" content="')[1].split('"')[0]

        def redraw(case: tuple[str, str, str, str, str], words: str) -> float:
            sku, zone, font, height, _ = case
            form = {"token": token, "sku": sku, "zone": zone, "font": font, "words": words, "height": height}
            begun = clock()
            answer = http.post("/desk/check", data=form)
            seconds = clock() - begun
            assert answer.status_code == 200 and 'id="proof"' in answer.text, answer.text
            return seconds

        found = []
        for case in TYPED:
            words = case[-1]
            # Fonts are open and most glyphs measured; what is typed is new all the same.
            redraw(case, " ".join(reversed(words.split())))
            found += [redraw(case, words[:end]) for end in range(1, len(words) + 1)]
        return found


if __name__ == "__main__":
    main()
