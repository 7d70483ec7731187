"""The file that proves a plate, as independent readers see it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from layout.burn.formats import WRITERS
from layout.burn.plate_proof import proof_burn
from layout.burn.turn import NotBurnable
from layout.seating.registration import nominal
from service.shop.catalogue import default_folder, load
from tests.references import readers


@pytest.fixture(scope="module")
def shop():
    return load(default_folder())


def on_station(station, plate, point):
    """Where a point of the plate lies at a station, by arithmetic of its own."""
    x, y, turn = station.plates[plate.plate]
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return np.array(
        [
            (x + cos * point.x - sin * point.y) * station.axes[0],
            (y + sin * point.x + cos * point.y) * station.axes[1],
        ]
    )


@pytest.mark.parametrize("kind", ["svg", "dxf"])
def test_every_slot_has_a_crosshair_in_its_middle_and_its_number_beside_it(shop, kind):
    checked = 0
    for process in shop.processes.values():
        station = shop.stations[process.station]
        if kind not in station.formats:
            continue
        for plate in (shop.plates[name] for name in station.plates):
            burn = proof_burn(shop, plate, process, nominal(station, plate, plate.copies[0]))
            data = WRITERS[kind](burn, station)
            read = readers.svg_paths(data, station.field_box_mm) if kind == "svg" else readers.dxf_paths(data)
            lines = [np.asarray(line, float)[:, :2] for line in read]
            middles = {
                tuple(np.round((line[0] + line[-1]) / 2, 3))
                for line in lines
                if len(line) == 2 and 2 < np.hypot(*(line[1] - line[0])) <= 12.001
            }
            for slot in plate.slots:
                middle = on_station(station, plate, slot.outline.centroid)
                assert any(np.hypot(*(np.array(m) - middle)) < 0.002 for m in middles), (
                    plate.plate,
                    slot.slot,
                )
                near = [line for line in lines if np.hypot(*(line.mean(axis=0) - middle)) < 12]
                assert len(near) > 2  # the number, too
                checked += 1
    assert checked > 20


def test_what_lies_outside_the_field_is_refused(shop):
    process = next(iter(shop.processes.values()))
    station = shop.stations[process.station]
    plate = shop.plates[next(iter(station.plates))]
    lie = dataclasses.replace(nominal(station, plate, plate.copies[0]), matrix=(1, 0, 0, 1, 1000, 0))

    with pytest.raises(NotBurnable, match="edge of the field"):
        proof_burn(shop, plate, process, lie)


def test_a_refusal_comes_back_whole_from_another_process():
    import pickle

    error = pickle.loads(pickle.dumps(NotBurnable("A1", "too near")))

    assert (str(error), error.slot) == ("slot A1: too near", "A1")


def test_the_same_plate_gives_the_same_file(shop):
    process = next(iter(shop.processes.values()))
    station = shop.stations[process.station]
    plate = shop.plates[next(iter(station.plates))]
    lie = nominal(station, plate, plate.copies[0])
    kind = station.formats[0]

    one, other = (WRITERS[kind](proof_burn(shop, plate, process, lie), station) for _ in range(2))

    assert one == other
