"""What no schema can check: names that lead nowhere, shapes that don't meet, products nobody can engrave."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import SequenceMatcher

import shapely

from layout.drawing.sense import likely_cause, size_words, wrong_way_round
from layout.shop.blades import Blade, Face, Product, Surface, Zone
from layout.shop.shop import Shop
from layout.shop.stations import Station
from service.shop.catalogue.mounting import body_of, plate_troubles, seat_reaches, too_large
from service.shop.catalogue.sentences import unknown
from service.shop.catalogue.troubles import Trouble

#: Digits of a GTIN (GS1 General Specifications).
_LENGTHS = (8, 12, 13, 14)


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """In which file each thing stands, by kind and name; which names the files declare, broken ones included;
    and whether everything could be read, so that the shop can be judged as a whole."""

    files: Mapping[tuple[str, str], str]
    declared: Mapping[str, frozenset[str]]
    whole: bool

    def file(self, kind: str, name: str) -> str:
        return self.files.get((kind, name), f"{kind}/")


def troubles_of(shop: Shop, where: Whereabouts) -> list[Trouble]:
    """Everything that does not make sense, all at once. A blade whose outline is a mistake is named once,
    with its likely cause, and everything that follows from it is left out."""
    mistaken = {name for name, blade in shop.blades.items() if any(map(likely_cause, blade.faces))}
    too_large_ones = {}
    for plate in shop.plates.values():
        for name, reason in too_large(shop, plate):
            if name not in mistaken and name not in too_large_ones:
                too_large_ones[name] = Trouble(where.file("plates", plate.plate), "slot_outline", reason)
    mistaken |= too_large_ones.keys()
    sound = replace(shop, blades={name: b for name, b in shop.blades.items() if name not in mistaken})
    return [
        *too_large_ones.values(),
        *(t for blade in shop.blades.values() for t in _of_blade(blade, where)),
        *_of_products(shop, where),
        *(
            t
            for plate in shop.plates.values()
            for t in plate_troubles(sound, plate, where.file("plates", plate.plate), where.declared["blades"])
        ),
        *_of_copies(shop, where),
        *(t for station in shop.stations.values() for t in _of_station(shop, station, where)),
        *_of_processes(shop, where),
        *(_of_engraving(sound, where) if where.whole else ()),
    ]


def _of_blade(blade: Blade, where: Whereabouts) -> Iterator[Trouble]:
    file = where.file("blades", blade.blade)
    for name in _twice(zone.zone for face in blade.faces for zone in face.zones):
        faces = [face.face for face in blade.faces for zone in face.zones if zone.zone == name]
        yield Trouble(file, f"{faces[-1]}.{name}", "two zones of this blade have this name")
    for face in blade.faces:
        if cause := likely_cause(face):
            yield Trouble(file, f"{face.face}.silhouette", cause)
            return
    for face in blade.faces:
        if contradiction := wrong_way_round(face):
            yield Trouble(file, f"{face.face}.handle_deg", contradiction)
        for name in _twice(k.keep_out for k in face.keep_outs):
            yield Trouble(file, f"{face.face}.{name}", "two keep-outs of this face have this name")
        for keep_out in face.keep_outs:
            if keep_out.polygon.intersection(face.silhouette).area == 0:
                reason = f"the keep-out lies beside the blade, whose outline is {size_words(face.silhouette)}"
                yield Trouble(file, f"{face.face}.{keep_out.keep_out}", reason)
        for zone in face.zones:
            for reason in _zone_reasons(face, zone, where.declared["fonts"]):
                yield Trouble(file, f"{face.face}.{zone.zone}", reason)


def _zone_reasons(face: Face, zone: Zone, fonts: frozenset[str]) -> Iterator[str]:
    on_blade = zone.polygon.intersection(face.silhouette)
    free = on_blade.difference(shapely.union_all([k.polygon for k in face.keep_outs]))
    if on_blade.area == 0:
        yield f"the zone lies beside the blade, whose outline is {size_words(face.silhouette)}"
    elif free.buffer(-zone.edge_margin_mm).is_empty:
        yield "keep-outs and the edge margin leave nothing of the zone"
    if on_blade.area > 0 and not zone.baseline.line.intersects(zone.polygon):
        yield "the baseline lies beside the zone"
    if zone.anchor is not None and not zone.polygon.covers(shapely.Point(zone.anchor)):
        yield "the anchor lies beside the zone"
    if not zone.baseline.is_straight and zone.kinds != {"text"}:
        yield "on a curved baseline only text can run"
    for font in zone.fonts:
        if font not in fonts:
            yield unknown(f"no font {font!r}", font, fonts)


def _of_products(shop: Shop, where: Whereabouts) -> Iterator[Trouble]:
    shared = set(_twice(code for product in shop.products.values() for code in product.barcodes))
    for product in shop.products.values():
        file = where.file("products", product.sku)
        if product.blade not in where.declared["blades"]:
            yield Trouble(
                file,
                f"{product.sku}.blade",
                unknown(f"no blade {product.blade!r}", product.blade, where.declared["blades"]),
            )
        yield from _of_built_from(shop, product, file)
        for code in product.barcodes:
            if code in shared:
                yield Trouble(file, f"{product.sku}.barcodes", f"barcode {code} stands twice")
            if not check_digit_holds(code):
                yield Trouble(file, f"{product.sku}.barcodes", _about_digits(code))


def _of_built_from(shop: Shop, product: Product, file: str) -> Iterator[Trouble]:
    if product.built_from is None:
        return
    source = shop.products.get(product.built_from)
    if source is None:
        yield Trouble(
            file,
            f"{product.sku}.built_from",
            unknown(f"no product {product.built_from!r}", product.built_from, shop.products),
        )
    elif source.blade in shop.blades and not shop.blades[source.blade].bare:
        yield Trouble(file, f"{product.sku}.built_from", f"{product.built_from} is no bare blade")


def check_digit_holds(code: str) -> bool:
    """Whether the last digit of a GTIN of 8, 12, 13 or 14 digits is right; False for other lengths.

    GS1 General Specifications, check digit calculation: weights 3 and 1 from the right, beginning beside the
    check digit, sum a multiple of ten.

    >>> check_digit_holds("6291041500213")
    True
    """
    return len(code) in _LENGTHS and code.isdecimal() and check_digit(code[:-1]) == code[-1]


def check_digit(digits: str) -> str:
    """The digit that makes a GTIN of these.

    >>> check_digit("629104150021")
    '3'
    """
    return str(-sum(int(d) * (1 if i % 2 else 3) for i, d in enumerate(reversed(digits))) % 10)


def _about_digits(code: str) -> str:
    if len(code) not in _LENGTHS:
        return f"barcode {code} has {len(code)} digits; barcodes have 8, 12, 13 or 14"
    right = check_digit(code[:-1])
    return (
        f"barcode {code} has a wrong check digit: it ends in {code[-1]}, and {right} belongs there "
        f"({code[:-1]}{right})"
    )


def _of_copies(shop: Shop, where: Whereabouts) -> Iterator[Trouble]:
    for copy in _twice(copy for plate in shop.plates.values() for copy in plate.copies):
        for plate in shop.plates.values():
            if copy in plate.copies:
                reason = f"{copy!r} is the name of two copies"
                yield Trouble(where.file("plates", plate.plate), "copies", reason)


def _of_station(shop: Shop, station: Station, where: Whereabouts) -> Iterator[Trouble]:
    file = where.file("stations", station.station)
    for plate in station.plates:
        if plate not in where.declared["plates"]:
            yield Trouble(file, f"plates.{plate}", unknown("no such plate", plate, where.declared["plates"]))
    for table, layers in (("layers", station.layers), ("centre_layers", station.centre_layers)):
        for process in layers:
            if process not in where.declared["processes"]:
                yield Trouble(
                    file,
                    f"{table}.{process}",
                    unknown("no such process", process, where.declared["processes"]),
                )
            elif (recipe := shop.processes.get(process)) and recipe.station != station.station:
                yield Trouble(
                    file, f"{table}.{process}", f"this process belongs to station {recipe.station!r}"
                )
    styles = [*station.layers.values(), *station.centre_layers.values()]
    for layer in _twice(style.layer for style in styles):
        yield Trouble(file, "layers", f"layer {layer!r} stands for two processes")
    for colour in _twice(style.colour for style in styles):
        yield Trouble(file, "layers", f"colour {colour!r} stands for two processes")


def _of_processes(shop: Shop, where: Whereabouts) -> Iterator[Trouble]:
    first_for: dict[tuple[str, object], str] = {}
    for process in shop.processes.values():
        file = where.file("processes", process.process)
        station = shop.stations.get(process.station)
        if station is None:
            if process.station not in where.declared["stations"]:
                yield Trouble(
                    file,
                    f"{process.process}.station",
                    unknown(f"no station {process.station!r}", process.station, where.declared["stations"]),
                )
            continue
        if process.process not in station.layers:
            yield Trouble(file, process.process, f"station {process.station!r} names no layer for it")
        if process.centre_line_passes > 0 and process.process not in station.centre_layers:
            reason = f"station {process.station!r} names no centre layer for it"
            yield Trouble(file, f"{process.process}.centre_line_passes", reason)
        twin = first_for.setdefault((process.station, process.surface), process.process)
        if twin != process.process:
            reason = f"{twin!r} is for the same station, material and finish"
            yield Trouble(file, process.process, reason)
        if process.line_width_mm < station.spot_mm:
            yield Trouble(file, f"{process.process}.line_width_mm", "a line can't be finer than the spot")


def _of_engraving(shop: Shop, where: Whereabouts) -> Iterator[Trouble]:
    """Zones of products that can be burned nowhere: no process for their surface (with or without a test
    card), no plate that takes the face, or outside the field."""
    known = {process.surface for process in shop.processes.values()}
    mistaken = {
        seat.blade
        for plate in shop.plates.values()
        for slot in plate.slots[:1]
        for seat in slot.seats
        if seat.blade in shop.blades and body_of(shop, seat) is None
    }
    for product in shop.products.values():
        file = where.file("products", product.sku)
        blade = shop.blades.get(product.blade)
        if product.blade in mistaken:
            continue  # a seat names a face that it has not, and that is said
        if product.surface not in known and not _all_say(blade):
            yield Trouble(file, f"{product.sku}.finish", _about_surface(product.surface, known))
            continue
        for face in blade.faces if blade else ():
            for zone in face.zones:
                if not zone.polygon.intersects(face.silhouette):
                    continue  # reported at the blade itself
                reason = _unburnable(shop, product, face, zone)
                if reason:
                    yield Trouble(file, f"{product.sku}.{zone.zone}", reason)


def _all_say(blade: Blade | None) -> bool:
    """Whether every zone says its own surface, so that the product's is asked for nowhere."""
    return all(zone.surface is not None for face in blade.faces for zone in face.zones) if blade else True


def _about_surface(surface: Surface, known: set[Surface]) -> str:
    """That no process is for a material and finish, and which it may have been."""
    near = sorted(
        known,
        key=lambda one: (
            -SequenceMatcher(
                None, f"{one.material}, {one.finish}", f"{surface.material}, {surface.finish}"
            ).ratio()
        ),
    )
    told = "; ".join(f"{one.material}, {one.finish}" for one in near[:6])
    more = f" and {len(near) - 6} more" if len(near) > 6 else ""
    there = f". There are processes for {told}{more}" if near else ""
    return f"no process is for {surface.material}, {surface.finish}{there}"


def _unburnable(shop: Shop, product: Product, face: Face, zone: Zone) -> str | None:
    surface = shop.surface_of(product.sku, zone.zone)
    able = [s for s in shop.stations.values() if shop.recipe_for(s.station, surface) is not None]
    if not able:
        return f"{surface.material}, {surface.finish}: no process is for it"
    for station in able:
        for plate_name in station.plates:
            plate = shop.plates.get(plate_name)
            for slot in plate.slots if plate else ():
                seat = slot.seat(product.blade, face.face)
                if (
                    plate
                    and seat
                    and seat_reaches(station, plate, seat, zone.polygon.intersection(face.silhouette))
                ):
                    return None
    return (
        "no station with a process for it can mount a plate that takes this face with the zone in its field"
    )


def _twice(names: Iterable[str]) -> list[str]:
    return [name for name, times in Counter(names).items() if times > 1]
