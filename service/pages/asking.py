"""What a form of the desk asks for: product, place and font chosen, words as an inscription, and the check of
them. Shared by the check, the phone order and the orders' own page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import TypeAdapter, ValidationError

from layout.shop.blades import Zone
from layout.shop.shop import FontSpec, Shop
from service.intake import check as checks
from service.pages.gate import Visitor
from service.papers import texts
from service.records.errors import BadRequest
from service.requests.inscription_answers import InscriptionAnswer
from service.requests.inscriptions import InscriptionIn, InscriptionsIn
from service.shop.smallest_sizes import NEVER, smallest_sizes
from service.shop.tools import Tools

_ONE: TypeAdapter[Any] = TypeAdapter(InscriptionIn)
_SUGGESTED: TypeAdapter[InscriptionAnswer] = TypeAdapter(InscriptionAnswer)
_MANY: TypeAdapter[Any] = TypeAdapter(InscriptionsIn)


def chosen(tools: Tools, shop: Shop, given: Mapping[str, str]) -> dict[str, Any]:
    """Product, zone and font of a form; the first of each where it names none that is there. `smallest` is
    the height in mm from which a font can be burned there, by font, as far as it was worked out."""
    sellable = [p for p in shop.products.values() if not shop.blades[p.blade].bare]
    product = shop.products.get(given.get("sku", "")) or sellable[0]
    faces = shop.blades[product.blade].faces
    zones = [(face, zone) for face in faces for zone in face.zones if "text" in zone.kinds]
    if not zones:
        zones = [(face, zone) for face in faces for zone in face.zones]
    face, zone = next((pair for pair in zones if pair[1].zone == given.get("zone")), zones[0])
    smallest = smallest_sizes(shop, product.sku, zone, tools.settings.font_tables)
    fonts = offered(shop, zone, smallest)
    font = next((offered for offered in fonts if offered.font == given.get("font")), fonts[0])
    return {
        "product": product,
        "face": face,
        "zone": zone,
        "zones": zones,
        "fonts": fonts,
        "smallest": smallest,
        "font": font,
    }


def offered(shop: Shop, zone: Zone, smallest: Mapping[str, float]) -> list[FontSpec]:
    """The zone's fonts but those that can't be burned at any height that it takes; where that leaves none,
    all of them, and the check says what is wrong."""
    fonts = [shop.fonts[name] for name in zone.fonts if name in shop.fonts] or list(shop.fonts.values())
    return [font for font in fonts if smallest.get(font.font) != NEVER] or fonts


def inscription_of(chosen: Mapping[str, Any], given: Mapping[str, str]) -> Any:
    """The text inscription that a form asks for. Raises BadRequest."""
    return _one(text_of(chosen, given))


def text_of(chosen: Mapping[str, Any], given: Mapping[str, str]) -> dict[str, Any]:
    """The same as it would be posted, not looked at yet."""
    inscription: dict[str, Any] = {
        "zone": chosen["zone"].zone,
        "text": given.get("words", "").replace("\r\n", "\n"),
        "font": chosen["font"].font,
    }
    if given.get("height", "").strip():
        inscription["height_mm"] = given["height"].strip().replace(",", ".")
    elif given.get("size") == "largest":
        inscription["size"] = "largest"
    if given.get("letter_spacing", "").strip():
        inscription["letter_spacing"] = given["letter_spacing"].strip().replace(",", ".")
    if given.get("align") in {"start", "centre", "end"}:
        inscription["align"] = given["align"]
    return inscription


def suggested(button: str) -> InscriptionAnswer:
    """The inscription that a button suggests, as JSON. Raises BadRequest."""
    try:
        return _SUGGESTED.validate_json(button)
    except ValueError:
        raise BadRequest("this suggestion can't be read", field="suggestion") from None


def _one(inscription: Mapping[str, Any]) -> Any:
    try:
        # A form knows no numbers: what reads like one is one.
        return _ONE.validate_python(inscription, strict=False).value()
    except ValidationError as invalid:
        raise unreadable(invalid) from None


def valid(inscriptions: Sequence[Any]) -> list[Any]:
    """Inscriptions of a form as they come in by the wire. Raises BadRequest."""
    try:
        validated: list[Any] = _MANY.validate_python(list(inscriptions), strict=False)
    except ValidationError as invalid:
        raise unreadable(invalid) from None
    return validated


def unreadable(invalid: ValidationError) -> BadRequest:
    """The first thing that is wrong with what was typed; the words themselves are not in it."""
    error = invalid.errors(include_input=False, include_context=False, include_url=False)[0]
    return BadRequest(f"{error['loc'][-1]}: {error['msg']}", field=str(error["loc"][-1]))


def check(tools: Tools, visitor: Visitor, sku: str, inscriptions: Sequence[Any]) -> checks.CheckAnswer:
    """What the check says of inscriptions of a form as they come in by the wire, with pictures in the
    visitor's language. Raises CheckTooSlow, CheckersBusy."""
    return checks.check(
        tools,
        sku,
        [inscription.value() for inscription in inscriptions],
        is_captioned=visitor.language == texts.DEFAULT,
        client=visitor.who.client,
    )
