"""A plate of 24 units: the load proposed, judged, and written as files."""

from __future__ import annotations

import tracemalloc

from layout.burn.dxf import burn_dxf
from layout.burn.pdf import burn_pdf
from layout.burn.svg import burn_svg
from layout.burn.turn import burn_of
from layout.check.feasibility import check
from layout.judge.load import verify
from layout.judge.written_file import inspect_file
from layout.loading.next_load import propose
from layout.loading.values import Candidate, FreePlate, Option
from layout.seating.registration import nominal
from layout.shop.inscriptions import ArtworkInscription
from layout.shop.loads import LoadLayout, SlotFill, Turn
from layout.shop.shop import Shop
from service.shop import catalogue
from tests.bench.timing import figure, input_line, median_seconds

WAITING = 2_000


def main() -> None:
    shop = catalogue.load(catalogue.default_folder())
    load = a_full_load(shop)
    fills = load.turns[0].fills
    station = shop.stations[load.station]
    burn = burn_of(shop, load, 1)
    figure("verify_ms_per_slot", median_seconds(lambda: verify(shop, load), rounds=3) * 1e3 / len(fills))

    data = burn_svg(burn, station)
    assert inspect_file(shop, load, 1, data, "svg") == ()
    look = median_seconds(lambda: inspect_file(shop, load, 1, data, "svg"), rounds=3)
    figure("judge_file_ms_per_slot", look * 1e3 / len(fills))

    def write() -> bytes:
        made = burn_of(shop, load, 1)
        return burn_svg(made, station) + burn_dxf(made, station) + burn_pdf(made, station)

    figure("burnfile_ms_per_slot", median_seconds(write, rounds=3) * 1e3 / len(fills))
    tracemalloc.start()
    write()
    figure("burnfile_peak_mb", tracemalloc.get_traced_memory()[1] / 1e6)
    tracemalloc.stop()
    input_line("burnfile", f"{len(fills)} slots, SVG, DXF and PDF, station {load.station}", burn.digest)
    propose_figure(shop)


def a_full_load(shop: Shop) -> LoadLayout:
    """Every slot of the largest plate with the first blade that it takes, each with the house mark."""
    plate = max(shop.plates.values(), key=lambda p: len(p.slots))
    station = next(s for s in shop.stations.values() if plate.plate in s.plates)
    seat = plate.slots[0].seats[0]
    product = next(p for p in shop.products.values() if p.blade == seat.blade)
    zone = next(z for z in shop.blades[seat.blade].face(seat.face).zones if "artwork" in z.kinds)
    mark = next(a.artwork for a in shop.artworks.values() if a.use == "mark")
    result = check(shop, product.sku, [ArtworkInscription(zone.zone, mark, width_mm=10.0)])
    assert result.marks, result.findings
    fills = tuple(
        SlotFill(
            slot.slot, product.sku, seat.blade, seat.face, result.marks, result.eligible, job=f"J{number}"
        )
        for number, slot in enumerate(plate.slots)
    )
    copy = plate.copies[0]
    return LoadLayout(station.station, plate.plate, copy, nominal(station, plate, copy), (Turn(1, fills),))


def propose_figure(shop: Shop) -> None:
    """The next load out of a long queue."""
    plate = max(shop.plates.values(), key=lambda p: len(p.slots))
    options = tuple(Option(plate.plate, slot.slot, "mark_side", "p", 0.0, 1.0) for slot in plate.slots)
    waiting = [
        Candidate(f"J{n}", f"O{n // 3}", "blade", ("mark_side",), options, due=float(n % 17))
        for n in range(WAITING)
    ]
    free = [FreePlate(plate.plate, tuple(s.slot for s in plate.slots), plate.copies)]

    def next_load() -> object:
        return propose(waiting, free)

    figure("propose_ms", median_seconds(next_load, rounds=3) * 1e3)
    input_line("propose", f"{WAITING} waiting, {len(plate.slots)} slots", repr(next_load()))


if __name__ == "__main__":
    main()
