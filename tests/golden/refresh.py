"""Golden job files: `python -m tests.golden.refresh` writes them anew (look at the difference first).

`python -m tests.golden.refresh --digests` prints the digest of every file instead, for comparing processes.
"""

from __future__ import annotations

import hashlib
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

from layout.burn.dxf import burn_dxf
from layout.burn.pdf import burn_pdf
from layout.burn.svg import burn_svg
from layout.burn.turn import burn_of
from layout.pictures.guide import guide_svg
from layout.shop.blades import Surface
from layout.shop.loads import LoadLayout
from layout.shop.plates import Pose
from layout.shop.shop import Shop
from layout.shop.stations import Calibration, LayerStyle, Rows
from tests.golden.turns import (
    a_fill,
    a_load,
    a_mark,
    a_plate,
    a_process,
    a_shop,
    a_station,
    squares,
    strokes,
    words,
)

FOLDER = Path(__file__).parent / "files"
COARSE = Rows(0.25, 30.0, crossed=True)  # wide rows keep the files small enough to read


def cases() -> dict[str, tuple[Shop, LoadLayout]]:
    """Name of each golden load, with the shop it belongs to."""
    outlines = a_shop()
    rows = a_shop(station=a_station(fill="rows"), process=a_process(rows=COARSE))
    tilted = a_shop(plate=a_plate(pose=Pose(12.5, 11.25, 33.3, 3.0, 1.0, 90.0)))
    mirror = Surface("stainless", "mirror")
    layers = {"satin": LayerStyle("SATIN", "#204060"), "mirror": LayerStyle("MIRROR", "#803020")}
    mixed = a_shop(station=a_station(layers=layers))
    recipes = {**mixed.processes, "mirror": a_process(process="mirror", surface=mirror)}
    mixed = replace(mixed, processes=recipes)
    marks = (a_mark(squares((8, 8))), a_mark(squares((20, 8)), surface=mirror))
    measured = Calibration("measured", "left", "one", (0.9998, -0.0123, 0.0121, 1.0003, -59.87, -30.14), 0.02)
    return {
        "words": (outlines, a_load(shop=outlines)),
        "rows": (rows, a_load(a_fill(marks=(a_mark(words("Rå")),)), shop=rows)),
        "strokes": (outlines, a_load(a_fill(marks=(a_mark(strokes()),)), shop=outlines)),
        "turned": (tilted, a_load(a_fill(), a_fill("A2", "j2"), shop=tilted)),
        "two-processes": (mixed, a_load(a_fill(marks=marks), shop=mixed)),
        "calibrated": (outlines, replace(a_load(shop=outlines), calibration=measured)),
    }


@cache
def files() -> dict[str, bytes]:
    """Name and content of every golden file."""
    written: dict[str, bytes] = {}
    for name, (shop, load) in cases().items():
        burn, station = burn_of(shop, load, 1), shop.stations[load.station]
        written[f"{name}.burn.svg"] = burn_svg(burn, station)
        written[f"{name}.burn.dxf"] = burn_dxf(burn, station)
        written[f"{name}.burn.pdf"] = burn_pdf(burn, station)
        written[f"{name}.guide.svg"] = guide_svg(shop, load, 1)
        written[f"{name}.digest"] = f"{burn.digest} {burn.short_code}\n".encode()
    return written


def main() -> None:
    if "--digests" in sys.argv:
        for name, content in files().items():
            print(hashlib.sha256(content).hexdigest(), name)
        return
    FOLDER.mkdir(exist_ok=True)
    for name, content in files().items():
        (FOLDER / name).write_bytes(content)
    print(f"{len(files())} golden files written to {FOLDER}")


if __name__ == "__main__":
    main()
