"""The schemas of products and of the store room's bins."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from service.shop.catalogue.schema.forms import BARCODE_FORM, Name, Strict, Words, key


class ProductFile(Strict):
    """What the store sells, or a bare blade that it does not."""

    sku: Name = key("The store's own number of it", "AQ-CHEF-20")
    name: Words = key("Its name for people", "Harbour chef's knife, 20 cm, satin")
    barcodes: list[Annotated[str, Field(pattern=BARCODE_FORM)]] = key(
        "Barcodes on its box, of 8, 12, 13 or 14 digits, the last one the check digit; may be left out",
        ["2700010000103"],
        default=[],
    )
    blade: Name = key("The blade that its faces and zones are", "chef-20")
    material: Name = key(
        "Its material, as the processes name it. One that begins with stainless gets the caution about "
        "rust; one that does not begin with a metal's name counts as something that can burn",
        "stainless_4116",
    )
    finish: Name = key(
        "Its finish, as the processes name it. One that begins with mirror or polished throws the beam back",
        "satin",
    )
    built_from: Name | None = key(
        "The sku of the bare blade that assembly builds it of, for the build list",
        "AQ-PARE-9-BARE",
        default=None,
    )


class ProductsFile(Strict):
    """Products; a folder may have several such files."""

    product: list[ProductFile] = key(
        "Each a table [[product]]",
        [
            {
                "sku": "AQ-1",
                "name": "Knife",
                "blade": "chef-20",
                "material": "stainless_4116",
                "finish": "satin",
            }
        ],
    )


class BinFile(Strict):
    """A place in the store room with boxed units."""

    bin: Name = key("Its name, as its label says", "A1")
    walking_order: int = key("Its turn on the way round the store room", 10, unit="count")
    boxed: dict[Name, Annotated[int, Field(ge=0, le=100_000)]] = key(
        "Boxed units in it, by sku", {"AQ-CHEF-20": 14}, unit="count"
    )


class BinsFile(Strict):
    """The opening stock: it fills an empty database once; from then on the database counts."""

    bin: list[BinFile] = key(
        "Each a table [[bin]]", [{"bin": "A1", "walking_order": 10, "boxed": {"AQ-CHEF-20": 14}}]
    )
