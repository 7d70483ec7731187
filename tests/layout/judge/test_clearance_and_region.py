"""The judge and the region, which share no code, agree on every seat of the made-up shop."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
import shapely

from layout.fit.region import region_of
from layout.judge.load import verify
from layout.seating.registration import nominal
from layout.shop.blades import Zone
from layout.shop.loads import LoadLayout, Mark, Place, SlotFill, Turn
from layout.shop.outline import frozen
from layout.shop.plates import Seat
from layout.shop.shop import Shop
from service.shop.catalogue.loader import default_folder, load


@pytest.fixture(scope="module")
def shop() -> Shop:
    return load(default_folder())


def seats(shop: Shop) -> Iterator[tuple[str, str, str, Seat, Zone]]:
    for station in shop.stations.values():
        for plate in station.plates:
            for slot in shop.plates[plate].slots:
                for seat in slot.seats:
                    for zone in shop.blades[seat.blade].face(seat.face).zones:
                        yield station.station, plate, slot.slot, seat, zone


def pressed(shop: Shop, place: tuple[str, str, str, Seat, Zone], *, play_cut: float) -> LoadLayout | None:
    """A load whose one mark fills the whole region of a zone, with that share of the play left out."""
    station, plate, slot, seat, zone = place
    face = shop.blades[seat.blade].face(seat.face)
    product = next(p for p in shop.products.values() if p.blade == seat.blade)
    surface = zone.surface or product.surface
    process = shop.process_for(station, surface)
    if process is None:
        return None
    known = region_of(face, zone, line_width_mm=process.line_width_mm, plays=[seat.play])
    if play_cut:
        # The zone's own margin would hide the cut, so it is left out as well.
        zone = replace(zone, edge_margin_mm=-play_cut * known.play_mm)
        known = region_of(face, zone, line_width_mm=process.line_width_mm, plays=[seat.play])
    mark = Mark(zone.zone, face.face, surface, frozen(shapely.get_parts(known.polygon)))
    bare = shop.blades[seat.blade].bare
    eligible = frozenset({Place(station, plate, slot, face.face)})
    unit = {"job": None, "lot": "l"} if bare else {"job": "j", "lot": None}
    fill = SlotFill(slot, product.sku, seat.blade, face.face, (mark,), eligible, **unit)
    copy = shop.plates[plate].copies[0]
    calibration = nominal(shop.stations[station], shop.plates[plate], copy)
    return LoadLayout(station, plate, copy, calibration, (Turn(1, (fill,)),))


def test_a_mark_that_fills_its_region_passes_the_judge_in_every_seat(shop):
    loads = [load for place in seats(shop) if (load := pressed(shop, place, play_cut=0.0)) is not None]

    refused = [finding.message for load in loads for finding in verify(shop, load)]

    assert len(loads) > 50
    assert refused == []


def test_with_a_fifth_of_the_play_left_out_the_judge_refuses_in_every_seat(shop):
    loads = [load for place in seats(shop) if (load := pressed(shop, place, play_cut=0.2)) is not None]

    passed = [load for load in loads if "outside_zone" not in {f.code for f in verify(shop, load)}]

    assert len(loads) > 50
    assert passed == []
