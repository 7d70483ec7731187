"""Backlogs of any length of the made-up shop's mix (invented: Alder & Quay does not exist), as a release day
leaves them: orders of one to three units, some engraved on both faces, promised no earlier than the work at
hand takes."""

from __future__ import annotations

from functools import cache
from random import Random

from layout.loading.backlog import Backlog, Kind, PlanJob, PlanPlate, PlanStation
from layout.loading.values import Option
from layout.shop.blades import Product
from layout.shop.hours import DAY_S, Hours
from layout.shop.shop import Shop
from service.shop import catalogue

#: Products by how often they are bought, roughly as many of each as the demo's bins hold.
BOUGHT = {
    "AQ-CHEF-20": 18,
    "AQ-CHEF-20-SW": 8,
    "AQ-SANT-17": 12,
    "AQ-CHEESE-14": 24,
    "AQ-HORI-18": 14,
    "AQ-GRAFT-7": 16,
    "AQ-OYSTER-8": 9,
    "AQ-PARE-9": 5,
}
#: Burning seconds of one face, between these.
SECONDS = 25.0, 140.0
#: What the shop engraves on a working day, about.
UNITS_A_DAY = 160
#: Shares of units engraved on both faces (where the shop can), of hurried orders, of replacements.
BOTH_FACES, HURRIED, REPLACES = 0.3, 0.05, 0.01


@cache
def demo_shop() -> Shop:
    return catalogue.load(catalogue.default_folder())


@cache
def bins_of() -> dict[str, list[int]]:
    """By product the places of its bins on the way round the store room."""
    places: dict[str, list[int]] = {}
    for shelf in catalogue.load_stock(catalogue.default_folder()):
        places.setdefault(shelf.sku, []).append(shelf.walking_order)
    return places


def kinds_of(product: Product) -> list[Kind]:
    """The product with words on its mark side, and with words on both faces if the shop engraves both."""
    shop = demo_shop()
    both = {
        seat.face
        for plate in shop.plates.values()
        for slot in plate.slots
        for seat in slot.seats
        if seat.blade == product.blade
    } >= {"mark_side", "pile_side"}
    kinds = []
    for faces in [("mark_side",), ("mark_side", "pile_side")][: 1 + both]:
        options = {name: _options(name, product, faces) for name in shop.stations}
        kinds.append(Kind(f"{product.sku} {len(faces)}", product.blade, faces, options))
    return kinds


def _options(station: str, product: Product, faces: tuple[str, ...]) -> tuple[Option, ...]:
    shop = demo_shop()
    process = shop.process_for(station, product.surface)
    if process is None:
        return ()
    reach = process.focus_tolerance_mm
    return tuple(
        Option(
            plate, slot.slot, face, process.process, seat.pose.height_mm - reach, seat.pose.height_mm + reach
        )
        for plate in sorted(shop.stations[station].plates)
        for slot in shop.plates[plate].slots
        for face in faces
        if (seat := slot.seat(product.blade, face)) is not None
        for height in [seat.pose.height_mm]
    )


def a_demo_backlog(count: int, *, seed: int, tight: bool = False) -> Backlog:
    """So many units. Their ship-by times begin when about all of it can be done; if `tight`, tomorrow."""
    shop, chance = demo_shop(), Random(seed)
    kinds = {sku: kinds_of(shop.products[sku]) for sku in BOUGHT}
    first, days = 1 if tight else 1 + count // UNITS_A_DAY, 5 + count // (UNITS_A_DAY // 2)
    jobs: list[PlanJob] = []
    while len(jobs) < count:
        order, day = f"O{len(jobs)}", first + chance.randrange(days)
        due = (day // 5 * 7 + day % 5) * DAY_S + 16 * 3600.0
        weight = 11 if chance.random() < HURRIED else 1
        for _ in range(chance.choice([1, 1, 1, 2, 2, 3])):
            [sku] = chance.choices(list(BOUGHT), weights=list(BOUGHT.values()))
            kind = kinds[sku][-1 if chance.random() < BOTH_FACES else 0]
            jobs.append(
                PlanJob(
                    f"J{len(jobs)}",
                    order,
                    kind,
                    due,
                    chance.uniform(*SECONDS),
                    weight=weight + (100 if chance.random() < REPLACES else 0),
                    bin=chance.choice(bins_of()[sku]),
                )
            )
    stations = tuple(
        PlanStation(
            station.station,
            tuple(sorted(station.plates)),
            Hours(station.hours),
            load_seconds=station.load_seconds_per_slot,
            turn_seconds=station.turn_seconds_per_slot,
            plate_change_seconds=station.plate_change_seconds,
            process_change_seconds=station.process_change_seconds,
        )
        for _, station in sorted(shop.stations.items())
    )
    plates = tuple(
        PlanPlate(plate.plate, tuple(s.slot for s in plate.slots), dict.fromkeys(plate.copies, 0.0))
        for _, plate in sorted(shop.plates.items())
    )
    return Backlog(8 * 3600.0, tuple(jobs[:count]), stations, plates, weights=shop.policy.plan)
