"""What a check knows of one zone of a product before it sees any words: all that no inscription changes."""

from __future__ import annotations

from dataclasses import replace

import shapely

from layout.fit.fitters import Fitter, fitter_for
from layout.fit.region import Region, region_of
from layout.seating.places import Reach, candidates
from layout.shop.blades import Blade, Zone
from layout.shop.inscriptions import Align
from layout.shop.measure import CONTAINMENT_MM
from layout.shop.outline import Outline
from layout.shop.shop import Shop

#: Artwork and codes have no capital height; their zone's shape alone limits them.
LARGEST_MM = 500.0
#: So many zones are remembered; a shop has a few dozen, and few versions of it live at once.
_MOST_GROUNDS = 512


class Ground:
    """One zone of a product: its face, the places where it can be engraved, the region, and the ways to fit.

    `region` is for the widest line and the worst play of all those places, for the job may land at any of
    them; None where there is no place at all. Nothing here changes after it was made, save what it remembers.
    """

    def __init__(self, shop: Shop, sku: str, zone_name: str) -> None:
        self.shop = shop  # kept, so that the id by which it is remembered stays its own
        self.face = shop.face_of_zone(sku, zone_name)
        self.zone = self.face.zone(zone_name)
        self._unlimited = replace(self.zone, min_height_mm=0.0, max_height_mm=LARGEST_MM)
        self.surface = shop.surface_of(sku, zone_name)
        self.where = candidates(shop, sku, self.face.face, self.surface)
        self.line_width_mm = max((c.process.line_width_mm for c in self.where), default=0.0)
        self.region: Region | None = None
        self._fitters: dict[tuple[Align, bool, float | None], Fitter] = {}
        if self.where:
            self.region = self._region_with(self.zone.edge_margin_mm)
            self._allowed = self.region.polygon.buffer(CONTAINMENT_MM)
            for polygon in (self.region.polygon, self._allowed):
                shapely.prepare(polygon)
                # The index is built at the first question: better now, while nobody else can be asking.
                shapely.covers(polygon, polygon.representative_point().buffer(0.001))
        self.reach = Reach(shop, self.where, self.region.polygon if self.region else None)

    def fitter(self, align: Align, *, limited: bool, room_mm: float | None = None) -> Fitter:
        """How to fit blocks here; `limited` by the zone's own heights, as words are; with so much room around
        them where that is more than the edge margin. Raises ValueError where there is no region."""
        if self.region is None:
            raise ValueError("no region to fit in")
        key = (align, limited, room_mm)
        if key not in self._fitters:
            region = self.region if room_mm is None else self._region_with(room_mm)
            self._fitters[key] = fitter_for(region, self.limits(limited=limited), align)
        return self._fitters[key]

    def _region_with(self, room_mm: float) -> Region:
        """The region that keeps so much room from what bounds the zone, in place of the edge margin."""
        roomy = replace(self.zone, edge_margin_mm=room_mm)
        plays = {candidate.seat.play for candidate in self.where}
        return region_of(self.face, roomy, line_width_mm=self.line_width_mm, plays=plays)

    def limits(self, *, limited: bool) -> Zone:
        """The zone, with its own heights or with none."""
        return self.zone if limited else self._unlimited

    def holds(self, outline: Outline) -> bool:
        """Whether the true outline lies in the region, but for the rounding of frozen coordinates."""
        return bool(shapely.covers(self._allowed, [*outline.areas, *outline.strokes]).all())


def ground_of(shop: Shop, sku: str, zone: str) -> Ground | None:
    """The ground of a product's zone, made once; None for a zone that the product doesn't have.

    Raises KeyError for an unknown product.
    """
    key = (id(shop), sku, zone)
    ground = _GROUNDS.get(key)
    if ground is None:
        if not _has_zone(shop.blades[shop.products[sku].blade], zone):
            return None
        if len(_GROUNDS) >= _MOST_GROUNDS:
            _GROUNDS.clear()
        ground = _GROUNDS[key] = Ground(shop, sku, zone)
    return ground


def _has_zone(blade: Blade, zone: str) -> bool:
    return any(candidate.zone == zone for face in blade.faces for candidate in face.zones)


_GROUNDS: dict[tuple[int, str, str], Ground] = {}
