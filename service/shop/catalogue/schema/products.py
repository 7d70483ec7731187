"""The schemas of products and of the store room's bins."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from service.shop.catalogue.schema.forms import BARCODE_FORM, Inspect, Name, Strict, Words, key

PHOTO_FORM = r"^[A-Za-z0-9][A-Za-z0-9_.-]*\.(jpg|jpeg|png)$"


class PhotoFile(Strict):
    """The shop's photo of a product, shown to buyers under the mark. Two points say where it lies: far apart,
    best the tip and the end of the handle."""

    face: Name = key("The face that is up on it", "mark_side")
    file: Annotated[str, Field(pattern=PHOTO_FORM)] = key(
        "A JPEG or PNG file in the folder photos, of up to 1 MB", "chef-20.jpg", names="photos"
    )
    points_px: tuple[tuple[float, float], tuple[float, float]] = key(
        "Two points of the photo, from its left upper corner", [[212, 640], [2310, 655]], unit="pixels"
    )
    points_mm: tuple[tuple[float, float], tuple[float, float]] = key(
        "The same two points on the face", [[-129, 2], [201, 6]], unit="mm"
    )

    @model_validator(mode="after")
    def _two_points(self) -> PhotoFile:
        for points in (self.points_px, self.points_mm):
            if points[0] == points[1]:
                raise ValueError("the two points are one; take two that are far apart")
        return self


class ProductFile(Strict):
    """What the store sells, or a bare blade that it does not."""

    sku: Name = key("The store's own number of it", "AQ-CHEF-20")
    name: Words = key("Its name for people", "Harbour chef's knife, 20 cm, satin")
    barcodes: list[Annotated[str, Field(pattern=BARCODE_FORM)]] = key(
        "Barcodes on its box, of 8, 12, 13 or 14 digits, the last one the check digit; may be left out",
        ["2700010000103"],
        default=[],
    )
    blade: Name = key("The blade that its faces and zones are", "chef-20", names="blades")
    material: Name = key(
        "Its material, as the processes name it. One that begins with stainless gets the caution about "
        "rust; one that does not begin with a metal's name counts as something that can burn",
        "stainless_4116",
        names="materials",
    )
    finish: Name = key(
        "Its finish, as the processes name it. One that begins with mirror or polished throws the beam back",
        "satin",
        names="finishes",
    )
    built_from: Name | None = key(
        "The sku of the bare blade that assembly builds it of, for the build list",
        "AQ-PARE-9-BARE",
        names="products",
        default=None,
    )
    handle_material: Name | None = key(
        "What its handle is of, for the buyer's picture; left out: as a zone on the handle says",
        "walnut",
        default=None,
    )
    inspect: Inspect = key(
        "Looked at on it before it is boxed, besides what the policy and its blade name",
        ["Sheath closes"],
        default=[],
        max_length=20,
    )
    photo: list[PhotoFile] = key(
        "Photos for the buyer's picture, each a table [[product.photo]]; a face without one is drawn, shaded "
        "in its material and finish",
        [
            {
                "face": "mark_side",
                "file": "chef-20.jpg",
                "points_px": [[212, 640], [2310, 655]],
                "points_mm": [[-129, 2], [201, 6]],
            }
        ],
        default=[],
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
        "Boxed units in it, by sku", {"AQ-CHEF-20": 14}, unit="count", names="products"
    )


class BinsFile(Strict):
    """The opening stock: it fills an empty database once; from then on the database counts."""

    bin: list[BinFile] = key(
        "Each a table [[bin]]", [{"bin": "A1", "walking_order": 10, "boxed": {"AQ-CHEF-20": 14}}]
    )
