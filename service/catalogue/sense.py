"""What no schema can see: names that lead nowhere, blades that overlap, products nobody can engrave."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np
import shapely
from shapely import affinity

from layout.parts import Face, Plate, Pose, Shop
from layout.register import nominal, place_points
from service.catalogue.loader import Trouble


def troubles_of(shop: Shop) -> list[Trouble]:
    """Everything that does not make sense, all at once."""
    return [
        *_of_blades(shop),
        *_of_products(shop),
        *_of_plates(shop),
        *_of_stations(shop),
        *_of_processes(shop),
        *_of_engraving(shop),
    ]


def _of_blades(shop: Shop) -> Iterator[Trouble]:
    for blade in shop.blades.values():
        file = f"blades/{blade.blade}"
        zones = Counter(zone.zone for face in blade.faces for zone in face.zones)
        for name, times in zones.items():
            if times > 1:
                yield Trouble(file, name, "this zone name stands on more than one place of the blade")
        for face in blade.faces:
            yield from _of_face(shop, file, face)


def _of_face(shop: Shop, file: str, face: Face) -> Iterator[Trouble]:
    kept_out = shapely.union_all([k.polygon for k in face.keep_outs])
    for zone in face.zones:
        place = f"{face.face}.{zone.zone}"
        if not zone.polygon.intersects(face.silhouette):
            yield Trouble(file, place, "the zone lies beside the blade")
        elif (
            zone.polygon.intersection(face.silhouette)
            .difference(kept_out)
            .buffer(-zone.edge_margin_mm)
            .is_empty
        ):
            yield Trouble(file, place, "keep-outs and margins leave nothing of the zone")
        for font in zone.fonts:
            if font not in shop.fonts:
                yield Trouble(file, f"{place}.fonts", f"no font {font!r}")
    for keep_out in face.keep_outs:
        if not keep_out.polygon.intersects(face.silhouette):
            yield Trouble(file, f"{face.face}.{keep_out.keep_out}", "the keep-out lies beside the blade")


def _of_products(shop: Shop) -> Iterator[Trouble]:
    barcodes = Counter(code for product in shop.products.values() for code in product.barcodes)
    for product in shop.products.values():
        if product.blade not in shop.blades:
            yield Trouble("products/", product.sku, f"no blade {product.blade!r}")
        for code in product.barcodes:
            if barcodes[code] > 1:
                yield Trouble("products/", product.sku, f"barcode {code} stands on two products")
            if len(code) == 13 and not _check_digit_holds(code):
                yield Trouble("products/", product.sku, f"barcode {code} has a wrong check digit")


def _check_digit_holds(code: str) -> bool:
    """GS1 General Specifications: weights 1 and 3 from the left of 13 digits, sum a multiple of ten."""
    return sum(int(digit) * (3 if index % 2 else 1) for index, digit in enumerate(code)) % 10 == 0


def _of_plates(shop: Shop) -> Iterator[Trouble]:
    copies = Counter(copy for plate in shop.plates.values() for copy in plate.copies)
    for plate in shop.plates.values():
        file = f"plates/{plate.plate}"
        for copy in plate.copies:
            if copies[copy] > 1:
                yield Trouble(file, "copies", f"{copy!r} is the name of two copies")
        for name, times in Counter(slot.slot for slot in plate.slots).items():
            if times > 1:
                yield Trouble(file, "slots", f"slot {name!r} stands twice")
        for seat in plate.slots[0].seats:
            blade = shop.blades.get(seat.blade)
            if blade is None:
                yield Trouble(file, "seat", f"no blade {seat.blade!r}")
            elif not any(face.face == seat.face for face in blade.faces):
                yield Trouble(file, "seat", f"blade {seat.blade!r} has no face {seat.face!r}")
        if (
            len(plate.fiducials) > 2
            and np.linalg.matrix_rank(np.diff(np.array(plate.fiducials), axis=0), 1e-6) < 2
        ):
            yield Trouble(file, "fiducials", "all fiducials lie in one line")
        yield from _collisions(shop, plate, file)


def _collisions(shop: Shop, plate: Plate, file: str) -> Iterator[Trouble]:
    """Blades in neighbouring slots must not touch, whichever of its blades each slot holds."""
    bodies = []
    for slot in plate.slots:
        shapes = [
            _posed(face.silhouette, seat.pose)
            for seat in slot.seats
            if (blade := shop.blades.get(seat.blade))
            for face in blade.faces
            if face.face == seat.face
        ]
        bodies.append((slot.slot, shapely.union_all(shapes)))
    for index, (name, body) in enumerate(bodies):
        for other, other_body in bodies[index + 1 :]:
            if body.intersects(other_body):
                yield Trouble(file, "slots", f"blades in slots {name!r} and {other!r} would touch")


def _posed(polygon: object, pose: Pose) -> object:
    return affinity.translate(affinity.rotate(polygon, pose.turn_deg, origin=(0, 0)), pose.x_mm, pose.y_mm)


def _of_stations(shop: Shop) -> Iterator[Trouble]:
    for station in shop.stations.values():
        file = f"stations/{station.station}"
        for plate in station.plates:
            if plate not in shop.plates:
                yield Trouble(file, f"plates.{plate}", "no such plate")
        for process in station.layers:
            if process not in shop.processes:
                yield Trouble(file, f"layers.{process}", "no such process")
        named = Counter(style.layer for style in station.layers.values())
        for layer, times in named.items():
            if times > 1:
                yield Trouble(file, "layers", f"layer {layer!r} stands for two processes")


def _of_processes(shop: Shop) -> Iterator[Trouble]:
    seen: dict[tuple[str, object], str] = {}
    for process in shop.processes.values():
        file = "processes/"
        station = shop.stations.get(process.station)
        if station is None:
            yield Trouble(file, process.process, f"no station {process.station!r}")
        elif process.process not in station.layers:
            yield Trouble(file, process.process, f"station {process.station!r} names no layer for it")
        twin = seen.setdefault((process.station, process.surface), process.process)
        if twin != process.process:
            yield Trouble(file, process.process, f"{twin!r} is for the same station, material and finish")


def _of_engraving(shop: Shop) -> Iterator[Trouble]:
    """Every zone of every product can be burned somewhere: a usable process, a plate, inside the field."""
    for product in shop.products.values():
        blade = shop.blades.get(product.blade)
        for face in blade.faces if blade else ():
            for zone in face.zones:
                if not _burnable(shop, product.blade, face, zone.zone, product.sku):
                    yield Trouble(
                        "products/",
                        product.sku,
                        f"zone {zone.zone!r}: no station has a usable process, a plate for it and room in its field",
                    )


def _burnable(shop: Shop, blade: str, face: Face, zone: str, sku: str) -> bool:
    surface = shop.surface_of(sku, zone)
    polygon = face.zone(zone).polygon
    for station in shop.stations.values():
        if shop.process_for(station.station, surface) is None:
            continue
        field = shapely.box(*station.field_box_mm)
        for plate_name in station.plates:
            plate = shop.plates.get(plate_name)
            for slot in plate.slots if plate else ():
                seat = slot.seat(blade, face.face)
                if seat is None or plate is None:
                    continue
                corners = place_points(
                    shapely.get_coordinates(polygon), seat.pose, nominal(station, plate, plate.copies[0])
                )
                if field.covers(shapely.multipoints(corners)):
                    return True
    return False
