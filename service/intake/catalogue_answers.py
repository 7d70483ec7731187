"""The shop's description as stores see it: what can be sold, where it can be engraved, with which fonts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from pydantic import Field

from layout.shop.blades import Face, Product, Zone
from layout.shop.plates import Plate
from layout.shop.shop import FontSpec, Shop
from service.requests.answers import AnswerBody
from service.shop.smallest_sizes import NEVER, smallest_sizes


class ZoneAnswer(AnswerBody):
    """A place on a product where something may be engraved."""

    zone: str = Field(description="Its name, as an inscription gives it.", examples=["flat"])
    face: str = Field(description="The face that it is on.", examples=["mark_side"])
    kinds: tuple[str, ...] = Field(description="What may be put there.", examples=[["monogram", "text"]])
    fonts: tuple[str, ...] = Field(description="Fonts that may be used there.", examples=[["lato-bold"]])
    max_lines: int = Field(description="Lines of text at the most.", examples=[2])
    min_height_mm: float = Field(
        description="Smallest height of the font's capital H, in mm.", examples=[2.0]
    )
    max_height_mm: float = Field(description="Largest height of the font's capital H, in mm.", examples=[8.0])
    smallest_mm: dict[str, float] = Field(
        description="By font, the smallest height of its capital H from which it can be burned there, in mm. "
        "A font that was not worked out yet is left out; one that never can is not among `fonts`.",
        examples=[{"lato-bold": 2.0}],
    )


class ProductAnswer(AnswerBody):
    """What the store sells."""

    sku: str = Field(description="The store's number of the product.", examples=["AQ-PARER-OAK"])
    name: str = Field(description="Its name.", examples=["Paring knife, oak"])
    barcodes: tuple[str, ...] = Field(description="Barcodes on its box.", examples=[["4006381333931"]])
    blade: str = Field(description="Its engravable part.", examples=["parer"])
    zones: tuple[ZoneAnswer, ...] = Field(description="Where it can be engraved.")


class FontAnswer(AnswerBody):
    """A font that may be asked for."""

    font: str = Field(description="Its name, as an inscription gives it.", examples=["lato-bold"])
    name: str = Field(description="Its name for people.", examples=["Lato Bold"])
    kind: str = Field(
        description="Whether its letters are outlines to be filled or single lines.", examples=["outline"]
    )
    style: str = Field(description="What it looks like.", examples=["sans"])
    licence: str = Field(description="Its licence.", examples=["OFL-1.1"])


class DrawingAnswer(AnswerBody):
    """A drawing of the shop's own."""

    artwork: str = Field(description="Its name, as an inscription gives it.", examples=["leaf"])
    name: str = Field(description="Its name for people.", examples=["Oak leaf"])
    use: str = Field(description="What it is for.", examples=["ornament"])


class TakesAnswer(AnswerBody):
    """A blade that fits a slot with one face up."""

    blade: str = Field(description="The blade.", examples=["parer"])
    face: str = Field(description="The face that is up.", examples=["mark_side"])


class PlateSlotAnswer(AnswerBody):
    """A place on a plate."""

    slot: str = Field(description="Its name, as it is marked on the plate.", examples=["3"])
    takes: tuple[TakesAnswer, ...] = Field(description="What fits it.")


class PlateAnswer(AnswerBody):
    """A fixture pallet."""

    plate: str = Field(description="The plate.", examples=["parer-8"])
    copies: tuple[str, ...] = Field(
        description="Plates made alike, by name.", examples=[["parer-8-a", "parer-8-b"]]
    )
    slots: tuple[PlateSlotAnswer, ...] = Field(description="Its places.")


class StationAnswer(AnswerBody):
    """A laser."""

    station: str = Field(description="Station.", examples=["fibre-1"])
    field_mm: tuple[float, float] = Field(
        description="Its field, width and depth in mm.", examples=[[300.0, 300.0]]
    )
    spot_mm: float = Field(description="Its spot's diameter, in mm.", examples=[0.05])
    formats: tuple[str, ...] = Field(
        description="Files that its software reads, the preferred one first.", examples=[["svg", "dxf"]]
    )


class CatalogueAnswer(AnswerBody):
    """The shop's description at the version in force."""

    version: str = Field(description="Names this description.", examples=["3f1c9a0b7d2e"])
    products: tuple[ProductAnswer, ...] = Field(description="What is sold.")
    fonts: tuple[FontAnswer, ...] = Field(description="Fonts.")
    artworks: tuple[DrawingAnswer, ...] = Field(description="Drawings of the shop's own.")
    plates: tuple[PlateAnswer, ...] = Field(description="Fixture pallets.")
    stations: tuple[StationAnswer, ...] = Field(description="Lasers.")


def catalogue_answer(shop: Shop, fonts: Iterable[FontSpec], sizes: Path) -> CatalogueAnswer:
    """The description in force, as far as whoever asks sees it, with the fonts that they are told of; `sizes`
    is the folder of the font tables. Plates are told of as far as they take blades of that shop."""
    return CatalogueAnswer(
        version=shop.version,
        products=tuple(_product(shop, product, sizes) for product in shop.products.values()),
        fonts=tuple(
            FontAnswer(font=f.font, name=f.name, kind=f.kind, style=f.style, licence=f.licence) for f in fonts
        ),
        artworks=tuple(
            DrawingAnswer(artwork=a.artwork, name=a.name, use=a.use) for a in shop.artworks.values()
        ),
        plates=tuple(_plate(plate, taken) for plate, taken in _taken(shop)),
        stations=tuple(
            StationAnswer(station=s.station, field_mm=s.field_mm, spot_mm=s.spot_mm, formats=tuple(s.formats))
            for s in shop.stations.values()
        ),
    )


def _product(shop: Shop, product: Product, sizes: Path) -> ProductAnswer:
    faces = shop.blades[product.blade].faces
    return ProductAnswer(
        sku=product.sku,
        name=product.name,
        barcodes=tuple(product.barcodes),
        blade=product.blade,
        zones=tuple(
            _zone(face, zone, smallest_sizes(shop, product.sku, zone, sizes))
            for face in faces
            for zone in face.zones
        ),
    )


def _zone(face: Face, zone: Zone, smallest: Mapping[str, float]) -> ZoneAnswer:
    return ZoneAnswer(
        zone=zone.zone,
        face=face.face,
        kinds=tuple(sorted(zone.kinds)),
        fonts=tuple(font for font in zone.fonts if smallest.get(font) != NEVER),
        max_lines=zone.max_lines,
        min_height_mm=zone.min_height_mm,
        max_height_mm=zone.max_height_mm,
        smallest_mm={font: size for font, size in smallest.items() if size != NEVER},
    )


def _taken(shop: Shop) -> Iterator[tuple[Plate, frozenset[str]]]:
    """Plates that take blades of the shop, with those."""
    for plate in shop.plates.values():
        taken = frozenset(seat.blade for slot in plate.slots for seat in slot.seats) & shop.blades.keys()
        if taken:
            yield plate, taken


def _plate(plate: Plate, taken: frozenset[str]) -> PlateAnswer:
    return PlateAnswer(
        plate=plate.plate,
        copies=tuple(plate.copies),
        slots=tuple(
            PlateSlotAnswer(
                slot=slot.slot,
                takes=tuple(
                    TakesAnswer(blade=seat.blade, face=seat.face)
                    for seat in slot.seats
                    if seat.blade in taken
                ),
            )
            for slot in plate.slots
        ),
    )
