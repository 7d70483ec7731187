"""Stores of the shop: from their files to values, and names in them that lead nowhere."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from layout.shop.shop import Shop
from layout.shop.stores import Store
from service.shop.catalogue.schema import StoreFile
from service.shop.catalogue.sense import Whereabouts
from service.shop.catalogue.sentences import unknown
from service.shop.catalogue.troubles import Trouble


def store_of(entry: StoreFile) -> Store:
    return Store(
        entry.store,
        None if entry.products is None else frozenset(entry.products),
        {blade: frozenset(zones) for blade, zones in entry.zones.items()},
        None if entry.fonts is None else frozenset(entry.fonts),
        entry.language or "",
    )


def store_troubles(shop: Shop, where: Whereabouts) -> Iterator[Trouble]:
    """Products, blades, zones and fonts of stores that the shop doesn't have."""
    for store in shop.stores.values():
        file = where.file("stores", store.store)
        for place, what, named, known in (
            ("products", "product", store.products or (), where.declared["products"]),
            ("zones", "blade", store.zones, where.declared["blades"]),
            ("fonts", "font", store.fonts or (), where.declared["fonts"]),
        ):
            yield from _unknown(file, f"{store.store}.{place}", what, named, known)
        for blade, zones in store.zones.items():
            if blade in shop.blades:  # else it was named above, or its own file is refused
                there = {zone.zone for face in shop.blades[blade].faces for zone in face.zones}
                yield from _unknown(file, f"{store.store}.zones.{blade}", "zone", zones, there)


def _unknown(
    file: str, place: str, what: str, named: Iterable[str], known: Iterable[str]
) -> Iterator[Trouble]:
    there = frozenset(known)
    for name in sorted(set(named) - there):
        yield Trouble(file, place, unknown(f"no {what} {name!r}", name, there))
