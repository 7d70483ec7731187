"""The shop's description, as far as stores and pages need it."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response

from layout.shop.shop import Shop
from service.api.security import Anyone
from service.doorway import AtHand

router = APIRouter(tags=["catalogue"])


@router.get("/v1/catalogue")
def get_catalogue(tools: AtHand, response: Response, who: Anyone) -> dict[str, Any]:
    """Products with their zones, fonts, plates, stations, at the version in force."""
    shop: Shop = tools.catalogue.current
    response.headers["ETag"] = f'"{shop.version}"'
    return catalogue_json(shop)


def catalogue_json(shop: Shop) -> dict[str, Any]:
    return {
        "version": shop.version,
        "products": [
            {
                "sku": product.sku,
                "name": product.name,
                "barcodes": list(product.barcodes),
                "blade": product.blade,
                "zones": [
                    {
                        "zone": zone.zone,
                        "face": face.face,
                        "kinds": sorted(zone.kinds),
                        "fonts": list(zone.fonts),
                        "max_lines": zone.max_lines,
                        "min_height_mm": zone.min_height_mm,
                        "max_height_mm": zone.max_height_mm,
                    }
                    for face in shop.blades[product.blade].faces
                    for zone in face.zones
                ],
            }
            for product in shop.products.values()
        ],
        "fonts": [
            {"font": f.font, "name": f.name, "kind": f.kind, "style": f.style, "licence": f.licence}
            for f in shop.fonts.values()
        ],
        "artworks": [{"artwork": a.artwork, "name": a.name, "use": a.use} for a in shop.artworks.values()],
        "plates": [
            {
                "plate": plate.plate,
                "copies": list(plate.copies),
                "slots": [
                    {"slot": slot.slot, "takes": [{"blade": s.blade, "face": s.face} for s in slot.seats]}
                    for slot in plate.slots
                ],
            }
            for plate in shop.plates.values()
        ],
        "stations": [
            {
                "station": s.station,
                "field_mm": list(s.field_mm),
                "spot_mm": s.spot_mm,
                "formats": list(s.formats),
            }
            for s in shop.stations.values()
        ],
    }
