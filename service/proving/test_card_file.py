"""The burn file of a test card: for scrap of the process's material, its name no load's."""

from __future__ import annotations

from layout.burn.formats import MEDIA_TYPES, WRITERS
from layout.burn.test_card import card_burn, shop_of_card
from layout.burn.turn import NotBurnable
from layout.shop.shop import Shop
from service.records.errors import BadRequest, NotFound
from service.requests.served import Served
from service.shop.tools import Tools


def card_file(tools: Tools, process: str, format_name: str) -> Served:
    """The card of a process in one of its station's formats, whether it is proven yet or not.

    Raises NotFound for a process or format that is not there, BadRequest when no card can be made.
    """
    shop = tools.catalogue.current
    if process not in shop.processes:
        raise NotFound("there is no such process", id=process)
    if format_name not in shop.stations[shop.processes[process].station].formats:
        raise NotFound(f"the station of {process} reads no {format_name}", id=format_name)
    try:
        data, code = tools.geometry.work(build, shop_of_card(shop), process, format_name)
    except NotBurnable as error:
        raise BadRequest(f"no card can be made: {error}", field="process") from error
    name = f"TEST-CARD-{process}-{code}.{format_name}"
    return Served.of(data, name, MEDIA_TYPES[format_name])


def build(shop: Shop, process: str, format_name: str) -> tuple[bytes, str]:
    """The file and its short code; runs in a geometry process."""
    recipe = shop.processes[process]
    burn = card_burn(shop, recipe)
    return WRITERS[format_name](burn, shop.stations[recipe.station]), burn.short_code
