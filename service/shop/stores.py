"""The shop as one store offers it: a part of its products, zones and fonts.

A store's own requests are held against this; the shop's own people, and everything that goes on with an
accepted order, against the whole shop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from layout.shop.blades import Blade, Face, Zone
from layout.shop.inscriptions import Inscription, Kind
from layout.shop.shop import FontSpec, Shop
from layout.shop.stores import Store

#: Kinds that are written in a font.
_WITH_LETTERS = frozenset[Kind]({"text", "monogram"})


def shop_for(shop: Shop, client: str | None) -> Shop:
    """The shop as a client sees it, at the same version; the whole shop for None (its own people) and for a
    client that it describes no store of.

    Left out are products that the store doesn't sell, blades of those alone, zones that it doesn't offer,
    and fonts where a zone names them. The list of fonts stays whole: a font that is not offered is another
    thing than one that doesn't exist (`fonts_for` has those that a store is told of).
    """
    store = shop.stores.get(client) if client is not None else None
    if store is None:
        return shop
    products = {
        sku: product
        for sku, product in shop.products.items()
        if store.products is None or sku in store.products
    }
    sold = {product.blade for product in products.values()}
    blades = {name: _blade(blade, store) for name, blade in shop.blades.items() if name in sold}
    return replace(shop, products=products, blades=blades)


def fonts_for(shop: Shop, client: str | None) -> tuple[FontSpec, ...]:
    """The fonts that a client is told of: those of its store's list, or all."""
    store = shop.stores.get(client) if client is not None else None
    named = None if store is None else store.fonts
    return tuple(spec for name, spec in shop.fonts.items() if named is None or name in named)


def still_offered(shop: Shop, sku: str, inscriptions: Sequence[Inscription]) -> bool:
    """Whether a shop, as `shop_for` gives it, has that product with zones and fonts of those inscriptions."""
    product = shop.products.get(sku)
    if product is None:
        return False
    zones = {zone.zone: zone for face in shop.blades[product.blade].faces for zone in face.zones}
    return all(
        asked.zone in zones and getattr(asked, "font", None) in {None, *zones[asked.zone].fonts}
        for asked in inscriptions
    )


def language_for(shop: Shop, client: str) -> str:
    """The language that a store is spoken to in where nobody asks for another; empty: the shop's own."""
    store = shop.stores.get(client)
    return store.language if store is not None else ""


def _blade(blade: Blade, store: Store) -> Blade:
    return replace(blade, faces=tuple(_face(face, blade.blade, store) for face in blade.faces))


def _face(face: Face, blade: str, store: Store) -> Face:
    offered = store.zones.get(blade)
    zones = [_zone(zone, store) for zone in face.zones if offered is None or zone.zone in offered]
    return replace(face, zones=tuple(zone for zone in zones if zone.kinds))


def _zone(zone: Zone, store: Store) -> Zone:
    """The zone with the store's fonts; where none of them is for it, nothing is written there."""
    if store.fonts is None:
        return zone
    fonts = tuple(font for font in zone.fonts if font in store.fonts)
    return replace(zone, fonts=fonts, kinds=zone.kinds if fonts else zone.kinds - _WITH_LETTERS)
