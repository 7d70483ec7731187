"""Whether units lie on their plates and plates under their stations as the files say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import box

from layout.drawing.sense import far_larger, size_words, unit_that_fits
from layout.seating.registration import nominal, place_points, to_station
from layout.shop.measure import CONTAINMENT_MM, format_mm
from layout.shop.plates import Plate, Pose, Seat, Slot
from layout.shop.shop import Shop
from layout.shop.stations import Station
from service.shop.catalogue.sentences import unknown
from service.shop.catalogue.troubles import Trouble

#: More lines than this that say the same of other slots become one.
_MOST_LINES = 3


def plate_troubles(shop: Shop, plate: Plate, file: str, blades: frozenset[str]) -> Iterator[Trouble]:
    """What is wrong with a plate by itself and under the stations that mount it. A blade that is far larger
    than its slots is named once, with its likely cause, and its units are looked at no further."""
    for name, times in Counter(slot.slot for slot in plate.slots).items():
        if times > 1:
            yield Trouble(file, "slots", f"slot {name!r} stands twice")
    yield from _seat_names(shop, plate, file, blades)
    if swapped := _swapped(shop, plate, file):
        yield swapped
        return
    yield from _places(shop, plate, file)
    yield from _fiducials(plate, file)
    for station in shop.stations.values():
        if plate.plate in station.plates:
            yield from _under_station(shop, station, plate, file)


def seat_reaches(station: Station, plate: Plate, seat: Seat, area: Any) -> bool:
    """Whether an area of the face (face frame) lies in the station's field when the unit sits there."""
    calibration = nominal(station, plate, plate.copies[0])
    points = place_points(shapely.get_coordinates(area), seat.pose, calibration)
    x0, y0, x1, y1 = station.field_box_mm
    low, high = points.min(axis=0), points.max(axis=0)
    return bool(low[0] >= x0 and low[1] >= y0 and high[0] <= x1 and high[1] <= y1)


def body_of(shop: Shop, seat: Seat) -> Any | None:
    """The whole unit of a seat in the plate's frame; None for a blade or face that isn't there."""
    blade = shop.blades.get(seat.blade)
    face = next((f for f in blade.faces if f.face == seat.face), None) if blade else None
    return None if face is None else _posed(face.body or face.silhouette, seat.pose)


def too_large(shop: Shop, plate: Plate) -> Iterator[tuple[str, str]]:
    """Blades that are far larger than the slots that take them, each with what is the matter."""
    slot = plate.slots[0]
    for seat in slot.seats:
        body = body_of(shop, seat)
        if body is None or not far_larger(body, slot.outline):
            continue
        blade = shop.blades[seat.blade].face(seat.face)
        unit = unit_that_fits(body, slot.outline)
        why = f"{unit}: is it drawn in that?" if unit else "is its unit right, and is this slot for it?"
        yield (
            seat.blade,
            f"blade {seat.blade!r} is {size_words(blade.body or blade.silhouette)}, far larger than the "
            f"slots that take it ({size_words(slot.outline)}); {why}",
        )


def _posed(polygon: Any, pose: Pose) -> Any:
    turned = affinity.rotate(polygon, pose.turn_deg, origin=(0, 0))
    return affinity.translate(turned, pose.x_mm, pose.y_mm)


def _seat_names(shop: Shop, plate: Plate, file: str, blades: frozenset[str]) -> Iterator[Trouble]:
    for slot in plate.slots:
        if not slot.seats:
            yield Trouble(file, f"slot {slot.slot}", "it takes no blade")
        for (blade, face), times in Counter((seat.blade, seat.face) for seat in slot.seats).items():
            if times > 1:
                yield Trouble(file, "seat", f"{blade!r} with its {face} up has two seats in a slot")
        for seat in slot.seats:
            if seat.blade not in blades:
                yield Trouble(file, "seat", unknown(f"no blade {seat.blade!r}", seat.blade, blades))
            elif seat.blade in shop.blades and body_of(shop, seat) is None:
                yield Trouble(file, "seat", f"blade {seat.blade!r} has no face {seat.face!r}")


def _places(shop: Shop, plate: Plate, file: str) -> Iterator[Trouble]:
    """Units lie on the plate, and those of different slots don't touch, whatever each of them holds."""
    top = box(0, 0, *plate.size_mm).buffer(CONTAINMENT_MM)
    bodies: list[tuple[str, Any]] = []
    for slot in plate.slots:
        if not top.covers(slot.outline):
            yield Trouble(file, f"slot {slot.slot}", "its outline reaches beyond the plate")
        shapes = [(seat, body) for seat in slot.seats if (body := body_of(shop, seat)) is not None]
        for seat, body in shapes:
            if not top.covers(body):
                reason = f"{seat.blade!r} with its {seat.face} up reaches beyond the plate"
                yield Trouble(file, f"slot {slot.slot}", reason)
        bodies.append((slot.slot, shapely.union_all([body for _, body in shapes])))
    yield from _touching(file, "units in", bodies)
    yield from _touching(
        file, "outlines of", [(s.slot, s.outline.buffer(-CONTAINMENT_MM)) for s in plate.slots]
    )


def _swapped(shop: Shop, plate: Plate, file: str) -> Trouble | None:
    """That width and height were taken for one another: what does not fit would, turned round."""
    width, height = plate.size_mm
    turned = replace(plate, size_mm=(height, width))

    def off(one: Plate) -> int:
        beside = [t for t in (*_places(shop, one, file), *_fiducials(one, file)) if "beside the" in t.reason]
        return len(beside) + sum("beyond the plate" in t.reason for t in _places(shop, one, file))

    if width == height or not off(plate) or off(turned):
        return None
    said = f"on {format_mm(width)} x {format_mm(height)} mm slots and units reach beyond the plate, and on "
    reason = (
        f"{said}{format_mm(height)} x {format_mm(width)} mm all of it fits: are width and height swapped?"
    )
    return Trouble(file, "size_mm", reason)


def _touching(file: str, what: str, bodies: list[tuple[str, Any]]) -> Iterator[Trouble]:
    tree = shapely.STRtree([body for _, body in bodies])
    pairs: list[str] = []
    for index, (name, body) in enumerate(bodies):
        for other in sorted(tree.query(body, predicate="intersects")):
            if other > index:
                pairs.append(f"{name!r} and {bodies[other][0]!r}")
    if len(pairs) > _MOST_LINES:
        yield Trouble(file, "slots", f"{what} {len(pairs)} pairs of slots would touch, such as {pairs[0]}")
    else:
        yield from (Trouble(file, "slots", f"{what} slots {pair} would touch") for pair in pairs)


def _fiducials(plate: Plate, file: str) -> Iterator[Trouble]:
    points = np.array(plate.fiducials)
    if len(np.unique(points, axis=0)) < len(points):
        yield Trouble(file, "fiducials", "two fiducials in one place")
    elif len(points) > 2 and np.linalg.matrix_rank(np.diff(points, axis=0), 1e-6) < 2:
        yield Trouble(file, "fiducials", "all fiducials lie in one line")
    if (points < 0).any() or (points > np.array(plate.size_mm)).any():
        yield Trouble(file, "fiducials", "a fiducial lies beside the plate")


def _under_station(shop: Shop, station: Station, plate: Plate, file: str) -> Iterator[Trouble]:
    """Fiducials and all zones that the station could burn lie in its field."""
    x0, y0, x1, y1 = station.field_box_mm
    points = to_station(np.array(plate.fiducials), nominal(station, plate, plate.copies[0]))
    if (points < [x0, y0]).any() or (points > [x1, y1]).any():
        reason = f"a fiducial lies outside the field of station {station.station!r}"
        yield Trouble(file, "fiducials", reason)
    for slot in plate.slots:
        for zone in _out_of_reach(shop, station, plate, slot):
            reason = f"zone {zone!r} lies outside the field of station {station.station!r}"
            yield Trouble(file, f"slot {slot.slot}", reason)


def _out_of_reach(shop: Shop, station: Station, plate: Plate, slot: Slot) -> Iterator[str]:
    for seat in slot.seats:
        blade = shop.blades.get(seat.blade)
        for face in blade.faces if blade else ():
            if face.face != seat.face:
                continue
            for zone in face.zones:
                surfaces = {
                    zone.surface or p.surface for p in shop.products.values() if p.blade == seat.blade
                }
                burned = any(shop.recipe_for(station.station, surface) for surface in surfaces)
                area = zone.polygon.intersection(face.silhouette)
                if burned and not area.is_empty and not seat_reaches(station, plate, seat, area):
                    yield zone.zone
