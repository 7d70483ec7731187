"""Where a unit may be engraved: stations with a usable process, plates whose slots seat the blade that way up."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from layout.parts import Calibration, Mark, Place, Process, Seat, Shop, Surface
from layout.register import nominal, place_points

#: A mark's corners may be this far outside the field or the focus: rounding, nothing that shows.
_ROUNDING_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place with the seat it means and the process that would burn there."""

    place: Place
    seat: Seat
    process: Process


def candidates(shop: Shop, sku: str, face: str, surface: Surface) -> tuple[Candidate, ...]:
    """All places for that face of the product, before the mark itself is looked at; in a fixed order."""
    blade = shop.products[sku].blade
    found = []
    for station_name, station in sorted(shop.stations.items()):
        process = shop.process_for(station_name, surface)
        if process is None:
            continue
        for plate_name in sorted(station.plates):
            for slot in shop.plates[plate_name].slots:
                seat = slot.seat(blade, face)
                if seat is not None:
                    found.append(Candidate(Place(station_name, plate_name, slot.slot, face), seat, process))
    return tuple(found)


def eligible(
    shop: Shop,
    mark: Mark,
    where: Iterable[Candidate],
    *,
    calibrations: Mapping[tuple[str, str], Calibration],
) -> frozenset[Place]:
    """Those candidates at which the whole mark lies in the field of the station, whichever copy of the plate is
    mounted, and at heights whose spread the process's focus tolerance covers."""
    return frozenset(
        candidate.place
        for candidate in where
        if _in_field(shop, mark, candidate, calibrations)
        and focus_spread_mm(mark, candidate.seat) / 2 <= candidate.process.focus_tolerance_mm + _ROUNDING_MM
    )


def focus_spread_mm(mark: Mark, seat: Seat) -> float:
    """Difference of the highest and the lowest point of a mark on a tilted face."""
    rise = math.tan(math.radians(seat.pose.tilt_deg))
    if rise == 0:
        return 0.0
    towards = math.radians(seat.pose.tilt_towards_deg - seat.pose.turn_deg)
    x0, y0, x1, y1 = mark.outline.bounds_mm
    along = [x * math.cos(towards) + y * math.sin(towards) for x in (x0, x1) for y in (y0, y1)]
    return abs(rise) * (max(along) - min(along))


def _in_field(
    shop: Shop, mark: Mark, candidate: Candidate, calibrations: Mapping[tuple[str, str], Calibration]
) -> bool:
    station = shop.stations[candidate.place.station]
    plate = shop.plates[candidate.place.plate]
    fx0, fy0, fx1, fy1 = station.field_box_mm
    x0, y0, x1, y1 = mark.outline.bounds_mm
    half = candidate.process.line_width_mm / 2
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    for copy in plate.copies:
        known = calibrations.get((station.station, copy)) or nominal(station, plate, copy)
        for x, y in place_points(corners, candidate.seat.pose, known).tolist():
            if not (fx0 + half <= x <= fx1 - half and fy0 + half <= y <= fy1 - half):
                return False
    return True
