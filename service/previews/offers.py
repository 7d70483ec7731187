"""What may be tried on a product: places, fonts with a picture of each, pictures and frames."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from layout.pictures.set_words import outline_svg
from layout.shop.blades import Face, Zone
from layout.shop.shop import Artwork, FontSpec, Shop
from service.papers import words
from service.papers.font_names import font_names
from service.papers.voice import Voice
from service.previews.preview_answers import (
    ArtworkSampleAnswer,
    FontSampleAnswer,
    Language,
    OfferAnswer,
    PlaceAnswer,
)
from service.records.errors import NotFound
from service.records.who import Who
from service.requests.inscriptions import MOST_INSCRIPTIONS
from service.shop.smallest_sizes import NEVER, smallest_sizes
from service.shop.stores import shop_for
from service.shop.tools import Tools

_MOST_INITIALS = 3
#: Kinds that are written in a font.
_WITH_LETTERS = frozenset({"text", "monogram"})


def offer(tools: Tools, sku: str, *, language: Language, voice: Voice, buyer: str, who: Who) -> OfferAnswer:
    """What may be chosen for a product. `buyer`: who asks, as far as that is known (an address). Raises
    NotFound, CheckTooSlow, CheckersBusy."""
    shop = shop_for(tools.catalogue.current, who.sees_client)
    product = shop.products.get(sku)
    if product is None:
        raise NotFound("the shop has no such product", id=sku)
    places = tuple(
        _place(tools, shop, sku, face, zone, voice)
        for face in shop.blades[product.blade].faces
        for zone in face.zones
    )
    kinds = {kind for place in places for kind in place.kinds}
    fonts = [shop.fonts[name] for name in dict.fromkeys(font for place in places for font in place.fonts)]
    uses = {use for use, kind in (("symbol", "artwork"), ("frame", "monogram")) if kind in kinds}
    return OfferAnswer(
        sku=sku,
        name=product.name,
        language=language,
        version=shop.version,
        most_inscriptions=MOST_INSCRIPTIONS,
        zones=places,
        default_zone=places[0].zone if places else None,
        fonts=_fonts(tools, fonts, buyer),
        artworks=tuple(_artwork(one) for one in shop.artworks.values() if one.use in uses),
    )


def _place(tools: Tools, shop: Shop, sku: str, face: Face, zone: Zone, voice: Voice) -> PlaceAnswer:
    smallest = smallest_sizes(shop, sku, zone, tools.settings.font_tables)
    fonts = tuple(font for font in zone.fonts if smallest.get(font) != NEVER)
    fonts = fonts if zone.kinds & _WITH_LETTERS else ()
    return PlaceAnswer(
        zone=zone.zone,
        name=zone.zone.replace("_", " ").capitalize(),
        face=face.face,
        face_name=voice.say(words.FACES.get(face.face, face.face)),
        kinds=tuple(sorted(zone.kinds)),
        fonts=fonts,
        default_font=next(iter(fonts), None),
        max_lines=zone.max_lines,
        max_characters=shop.policy.max_graphemes_per_line,
        max_initials=_MOST_INITIALS,
        min_height_mm=zone.min_height_mm,
        max_height_mm=zone.max_height_mm,
        usual_height_mm=zone.usual_height_mm,
    )


def _fonts(tools: Tools, fonts: Sequence[FontSpec], buyer: str) -> tuple[FontSampleAnswer, ...]:
    pictures = font_names(fonts, partial(tools.geometry.draw, client=buyer))
    return tuple(
        FontSampleAnswer(font=font.font, name=font.name, style=font.style, picture=pictures[font.font])
        for font in fonts
    )


def _artwork(artwork: Artwork) -> ArtworkSampleAnswer:
    assert artwork.use != "mark"
    return ArtworkSampleAnswer(
        artwork=artwork.artwork,
        name=artwork.name,
        use=artwork.use,
        picture=outline_svg(artwork.outline),
    )
