"""A preview of new words beside the check alone, in the same run: what the pictures and suggestions cost.

    python -m tests.bench.bench_previews [SEED]

Words are drawn anew by a seed, none comes twice. Warm: fonts are open and letters measured. Cold: each
in a process that has done nothing before, with letters that were never measured, as after a start. The check
alone is `Geometry.check`, without a picture; the preview `Geometry.preview`; both in this process, in
processor time, which a busy machine disturbs less.
"""

from __future__ import annotations

import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from layout.shop.inscriptions import TextInscription
from service.shop import catalogue
from service.shop.geometry_workers import Geometry, InForce
from tests.bench.bench_proof import TYPED
from tests.bench.timing import figure, input_line

_NAMES = (
    "Ada",
    "Nora",
    "Theo",
    "Linus",
    "Marta",
    "Jonas",
    "Henrik",
    "Ole",
    "Anna",
    "Zoe",
    "Ruth",
    "Iris",
    "Max",
)
#: Places and fonts in which Latin words are typed.
_PLACES = tuple((sku, zone, font) for sku, zone, font, _, words in TYPED if words.isascii())
_WARM_EACH, _COLD = 24, 3
#: Refused wherever it is asked for.
_TOO_TALL_MM = 30.0


def main(seed: int) -> None:
    print(f"# seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        geometry = _geometry(folder)
        for place in _PLACES:  # fonts opened, letters measured
            _seconds(geometry.preview, place, "".join(_NAMES) + " & 0123456789", None)
            _seconds(geometry.preview, place, "For Nan", _TOO_TALL_MM)
        drawn = random.Random(seed)
        for name, height in (("accepted", None), ("refused", _TOO_TALL_MM)):
            check, preview = [], []
            for place in _PLACES:
                for _ in range(_WARM_EACH):
                    check.append(_seconds(geometry.check, place, _words(drawn), height))
                    preview.append(_seconds(geometry.preview, place, _words(drawn), height))
            against = "check" if name == "accepted" else "refused_check"
            figure(f"preview_{name}_p95_vs_{against}", _p95(preview) / _p95(check))
            figure(f"preview_{name}_ms", statistics.median(preview) * 1e3)
            figure(f"preview_{name}_check_ms", statistics.median(check) * 1e3)
    for name in ("accepted", "refused"):
        check, preview = (
            statistics.median(_cold(kind, name, seed + number) for number in range(_COLD))
            for kind in ("check", "preview")
        )
        figure(f"preview_{name}_cold_vs_check", preview / check)
    input_line("previews", f"{len(_PLACES)} places, {_WARM_EACH} new words each, seed {seed}", str(_PLACES))


def _geometry(folder: str) -> Geometry:
    return Geometry(catalogue.default_folder(), Path(folder), workers=0, timeout_seconds=60)


def _words(drawn: random.Random) -> str:
    return f"{drawn.choice(_NAMES)} & {drawn.choice(_NAMES)} {drawn.randint(1000, 9999)}"


def _seconds(
    work: Callable[..., object], place: tuple[str, str, str], words: str, height_mm: float | None
) -> float:
    sku, zone, font = place
    inscriptions = (TextInscription(zone, words, font, height_mm),)
    begun = time.process_time()
    work(sku, inscriptions, in_force=InForce(), client="a buyer")
    return time.process_time() - begun


def _p95(seconds: list[float]) -> float:
    return statistics.quantiles(seconds, n=20)[-1]


def _cold(kind: str, name: str, number: int) -> float:
    """Seconds of one check or preview in a process of its own, whose font tables are empty."""
    command = [sys.executable, "-m", "tests.bench.bench_previews", kind, name, str(number)]
    return float(subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True).stdout)


def _once(kind: str, name: str, number: int) -> float:
    with tempfile.TemporaryDirectory() as folder:
        geometry = _geometry(folder)
        place = _PLACES[number % len(_PLACES)]
        # The shop's description is read and its other fonts stay closed; only the words are new.
        geometry.check("none", (), in_force=InForce())
        height = None if name == "accepted" else _TOO_TALL_MM
        work = geometry.check if kind == "check" else geometry.preview
        return _seconds(work, place, _words(random.Random(number)), height)


if __name__ == "__main__":
    if len(sys.argv) > 2:
        print(_once(sys.argv[1], sys.argv[2], int(sys.argv[3])))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else random.SystemRandom().randrange(10**6))
