"""The schema of stores that offer a part of what the shop engraves."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.shop.catalogue.schema.forms import Name, Strict, key

#: A store that offers nothing is most likely a mistake: what is left out is offered whole.
Some = Annotated[list[Name], Field(min_length=1)]


class StoreFile(Strict):
    """What one store sees and may order of the shop. What the shop's own people do for it is not bound by
    this, nor are orders that were accepted before."""

    store: Name = key("The client's name that its keys were made for", "garden-shop")
    products: Some | None = key(
        "The products that it sells, by sku; left out: all",
        ["AQ-HORI-18", "AQ-GRAFT-7"],
        names="products",
        default=None,
    )
    zones: dict[Name, Some] = key(
        "By blade, the zones that it offers; a blade that is not named: all",
        {"hori-18": ["ricasso"]},
        names="blades",
        default={},
    )
    fonts: Some | None = key(
        "The fonts that it offers, where a zone offers them too; left out: all",
        ["lato-bold"],
        names="fonts",
        default=None,
    )
    language: Literal["en", "de"] | None = key(
        "The language of its previews and of its buyers' pages where nobody asks for another; left out: en",
        "de",
        default=None,
    )


class StoresFile(Strict):
    """Stores that offer a part of the shop. The folder may be left out; a store that is not named offers
    everything."""

    store: list[StoreFile] = key(
        "Each a table [[store]]", [{"store": "garden-shop", "products": ["AQ-HORI-18"], "language": "de"}]
    )
