"""What a preview showed of an order line, drawn again for the desk from the description of the shop of then.

Its outlines are kept nowhere: they follow from the words, the description and what was measured. Where they
come to another digest than the preview's, the picture says no more than how it was about.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from layout.pictures.preview import Preview, tried
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Shop
from service.intake import check as checks
from service.proving.test_cards import proven
from service.records.errors import CatalogueMissing
from service.records.tables import OrderLine
from service.requests.inscriptions import InscriptionsIn
from service.shop.geometry_workers import InForce
from service.shop.tools import Tools

_STORED: TypeAdapter[Any] = TypeAdapter(InscriptionsIn)


@dataclass(frozen=True, slots=True)
class ShownBefore:
    """What a preview showed: the product, its inscriptions and their faces, and the shop as it was described
    then."""

    shop: Shop
    in_force: InForce
    sku: str
    inscriptions: tuple[Inscription, ...]
    faces: tuple[str, ...]
    digest: str


def shown_before(tools: Tools, session: Session, line: OrderLine) -> ShownBefore | None:
    """What the preview of a line showed; None where it is not known: the line is what its preview showed, the
    token could not be read, or the shop of then is not on record."""
    noted = line.preview or {}
    if "inscriptions" not in noted:
        return None
    try:
        shop = proven(session, tools.catalogue.at(session, noted["catalogue_version"]))
    except CatalogueMissing:
        return None
    inscriptions = tuple(one.value() for one in _STORED.validate_python(noted["inscriptions"]))
    if noted["sku"] not in shop.products:
        return None
    blade = shop.blades[shop.products[noted["sku"]].blade]
    zones = {zone.zone: face.face for face in blade.faces for zone in face.zones}
    faces = dict.fromkeys(zones[asked.zone] for asked in inscriptions if asked.zone in zones)
    in_force = checks.in_force(session)
    return ShownBefore(shop, in_force, noted["sku"], inscriptions, tuple(faces), noted["digest"])


def drawn_again(tools: Tools, shown: ShownBefore) -> Preview:
    """Its pictures. Raises CheckTooSlow, CheckersBusy."""
    return tools.geometry.work(tried, shown.shop, shown.sku, shown.inscriptions, shown.in_force.calibrations)
