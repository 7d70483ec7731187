"""Live previews for the pages of a shop: what may be tried on a product, and words tried on it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import Field

from service.api.contract import details
from service.api.security import Previewer
from service.doorway import AtHand, Route, address_of, key_id_of, language_of, voice_in
from service.previews import offers
from service.previews import preview as previews
from service.previews.preview_answers import Language, OfferAnswer, PreviewAnswer
from service.records import errors
from service.requests.inscriptions import InscriptionsIn, Name, Strict
from service.shop.stores import language_for

router = APIRouter(tags=["previews"], route_class=Route)

#: What is offered changes with the shop's description.
_KEPT = "private, max-age=300"
_SAID_IN = (
    "The language of sentences and names; left out: what Accept-Language prefers, else the store's, else "
    "English."
)


class PreviewIn(Strict):
    sku: Name = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
    inscriptions: InscriptionsIn = Field(description="What is to be engraved, one entry a place.")
    language: Language | None = Field(default=None, description=_SAID_IN, examples=["de"])


Sku = Annotated[str, Path(description="The store's number of the product.", examples=["AQ-PARER-OAK"])]
Spoken = Annotated[Language | None, Query(description=_SAID_IN, examples=["de"])]


@router.post(
    "/v1/previews",
    openapi_extra=details(errors.CheckTooSlow, errors.CheckersBusy, errors.OriginNotListed),
)
def preview(tools: AtHand, request: Request, body: PreviewIn, who: Previewer) -> PreviewAnswer:
    """Words tried on a product, as their buyer sees them: whether they can be engraved, what that looks like,
    and what could be engraved instead. Nothing is stored."""
    buyer = address_of(request)
    tools.rates.preview(key_id_of(request), buyer)
    language = _language(request, body.language, language_for(tools.catalogue.current, who.client))
    inscriptions = tuple(inscription.value() for inscription in body.inscriptions)
    return previews.preview(
        tools, body.sku, inscriptions, language=language, voice=voice_in(language), buyer=buyer, who=who
    )


@router.get(
    "/v1/previews/{sku}",
    openapi_extra=details(errors.CheckTooSlow, errors.CheckersBusy, errors.OriginNotListed),
)
def get_offer(
    tools: AtHand, request: Request, response: Response, sku: Sku, who: Previewer, language: Spoken = None
) -> OfferAnswer:
    """What may be tried on a product: its places, fonts with their names set in them, pictures and frames."""
    buyer = address_of(request)
    tools.rates.preview(key_id_of(request), buyer)
    response.headers["Cache-Control"] = _KEPT
    response.headers["Vary"] = "Authorization, Accept-Language"
    said = _language(request, language, language_for(tools.catalogue.current, who.client))
    return offers.offer(tools, sku, language=said, voice=voice_in(said), buyer=buyer, who=who)


def _language(request: Request, named: Language | None, otherwise: str) -> Language:
    if named is not None:
        return named
    return "de" if language_of(request, otherwise) == "de" else "en"


@router.options("/v1/previews", status_code=204, include_in_schema=False)
@router.options("/v1/previews/{sku}", status_code=204, include_in_schema=False)
def may_ask() -> Response:
    """A browser asks whether a page may ask; `service.arrivals.origins` says so in the answer's headers."""
    return Response(status_code=204)
