"""Where a unit may be engraved: stations with a usable process, slots that seat the blade that way up.

Two questions, the cheap one first. `candidates` looks at the shop alone: which slots seat the blade with that
face up, at a station with a proven recipe for its metal. `Reach` then looks at the mark: a slot near the edge
of the field may take a short name and not a long one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from layout.seating.focus import heights_of
from layout.seating.registration import nominal, place_points
from layout.shop.blades import Surface
from layout.shop.loads import Place
from layout.shop.measure import Floats
from layout.shop.outline import Outline
from layout.shop.plates import Pose, Seat
from layout.shop.shop import Shop
from layout.shop.stations import Calibration, Process

#: A mark may be this far outside the field or the focus: rounding, nothing that shows.
_ROUNDING_MM = 1e-6
_UNIT_POINTS = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])

Calibrations = Mapping[tuple[str, str], Calibration]
Key = tuple[Calibration | None, ...]  # the calibration of each row, None where the nominal one serves


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place, with its seat and the process that would burn there."""

    place: Place
    seat: Seat
    process: Process


def candidates(shop: Shop, sku: str, face: str, surface: Surface) -> tuple[Candidate, ...]:
    """All places for that face of the product, before the mark itself is looked at; in a fixed order."""
    blade = shop.products[sku].blade
    places = []
    for station_name, station in sorted(shop.stations.items()):
        process = shop.process_for(station_name, surface)
        if process is None:
            continue
        for plate_name in sorted(station.plates):
            for slot in shop.plates[plate_name].slots:
                seat = slot.seat(blade, face)
                if seat is not None:
                    places.append(Candidate(Place(station_name, plate_name, slot.slot, face), seat, process))
    return tuple(places)


class Reach:
    """At which of some candidates a mark lies in the station's field, whichever copy of the plate is mounted,
    and at heights whose spread the process's focus tolerance covers. Prepared once, asked often.

    `region` is what every mark asked about lies in; usually all of it is in reach everywhere, and then so is
    every mark.
    """

    def __init__(self, shop: Shop, where: Sequence[Candidate], region: Any = None) -> None:
        self._shop, self._where, self._region = shop, tuple(where), region
        self._everywhere = frozenset(candidate.place for candidate in where)
        # One row for each candidate and each copy of its plate.
        self._rows = [
            (number, (candidate.place.station, copy))
            for number, candidate in enumerate(where)
            for copy in shop.plates[candidate.place.plate].copies
        ]
        self._fields = np.array([self._field_of(number) for number, _ in self._rows]).reshape(-1, 2, 2)
        self._maps_by_key: dict[Key, tuple[Floats, Floats]] = {}
        self._whole: dict[Key, bool] = {}

    def places(self, outline: Outline, calibrations: Calibrations) -> frozenset[Place]:
        """The places that can take the outline (which must not be empty)."""
        if self.is_whole(calibrations):
            return self._everywhere
        return self._those_for([*outline.areas, *outline.strokes], self._key(calibrations))

    def is_whole(self, calibrations: Calibrations) -> bool:
        """Whether all of the region is in reach at every place."""
        key = self._key(calibrations)
        if key not in self._whole:
            self._whole[key] = self._takes_region(key)
        return self._whole[key]

    def _key(self, calibrations: Calibrations) -> Key:
        return tuple([calibrations.get(row) for _, row in self._rows])

    def _takes_region(self, key: Key) -> bool:
        parts = shapely.get_parts(self._region) if self._region is not None else ()
        return len(parts) > 0 and self._those_for(list(parts), key) == self._everywhere

    def _those_for(self, pieces: list[Any], key: Key) -> frozenset[Place]:
        inside = self._in_field(shapely.get_coordinates(pieces), key).tolist()
        out = {number for (number, _), fits in zip(self._rows, inside, strict=True) if not fits}
        shape = Outline(areas=tuple(pieces))  # for its points alone, whatever kind they are of
        return frozenset(
            candidate.place
            for number, candidate in enumerate(self._where)
            if number not in out and _in_focus(shape, candidate)
        )

    def _field_of(self, number: int) -> tuple[tuple[float, float], tuple[float, float]]:
        """Lowest and highest corner of the field for the middle of a line."""
        candidate = self._where[number]
        x0, y0, x1, y1 = self._shop.stations[candidate.place.station].field_box_mm
        half = candidate.process.line_width_mm / 2
        return (x0 + half, y0 + half), (x1 - half, y1 - half)

    def _in_field(self, points: Floats, key: Key) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """For each row, whether all points (n, 2, face frame) lie in the field."""
        if key not in self._maps_by_key:
            self._maps_by_key[key] = self._maps(key)
        origins, axes = self._maps_by_key[key]
        at = points @ axes + origins[:, None, :]
        low, high = self._fields[:, None, 0], self._fields[:, None, 1]
        return np.asarray(((at >= low - _ROUNDING_MM) & (at <= high + _ROUNDING_MM)).all(axis=(1, 2)))

    def _maps(self, calibrations: Key) -> tuple[Floats, Floats]:
        """Origins (rows, 2) and axes (rows, 2, 2) of the face's frame in station coordinates."""
        placed = [
            self._map(row, calibration) for row, calibration in zip(self._rows, calibrations, strict=True)
        ]
        points = np.array(placed).reshape(-1, 3, 2)
        return points[:, 0], points[:, 1:] - points[:, :1]

    def _map(self, row: tuple[int, tuple[str, str]], calibration: Calibration | None) -> Floats:
        candidate, copy = self._where[row[0]], row[1][1]
        station, plate = (
            self._shop.stations[candidate.place.station],
            self._shop.plates[candidate.place.plate],
        )
        return place_points(_UNIT_POINTS, candidate.seat.pose, calibration or nominal(station, plate, copy))


def _in_focus(outline: Outline, candidate: Candidate) -> bool:
    if _rise(candidate.seat.pose) == 0:
        return True
    low, high = heights_of(outline, candidate.seat.pose)
    return (high - low) / 2 <= candidate.process.focus_tolerance_mm + _ROUNDING_MM


def _rise(pose: Pose) -> float:
    return abs(math.tan(math.radians(pose.tilt_deg)))
