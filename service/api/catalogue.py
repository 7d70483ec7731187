"""The shop's description, as far as stores and pages need it."""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.api.contract import details
from service.api.security import Anyone
from service.doorway import AtHand, Route
from service.intake.catalogue_answers import CatalogueAnswer, catalogue_answer
from service.shop.stores import fonts_for, shop_for

router = APIRouter(tags=["catalogue"], route_class=Route)


@router.get("/v1/catalogue", openapi_extra=details(etag=True))
def get_catalogue(tools: AtHand, response: Response, who: Anyone) -> CatalogueAnswer:
    """Products with their zones, fonts, plates, stations, at the version in force; for a store what it
    offers of them."""
    shop = shop_for(tools.catalogue.current, who.sees_client)
    response.headers["ETag"] = f'"{shop.version}"'
    return catalogue_answer(shop, fonts_for(shop, who.sees_client), tools.settings.font_tables)
