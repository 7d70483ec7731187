"""Words tried in a zone that is being drawn: the check itself, in a shop around the blade as it is drawn.

A draft may have no product, seat or proven process for the blade yet. What is missing is stood in for, and
said: then the words are fitted without play, or for a line of usual width.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from shapely.geometry import Polygon

from layout.shop.blades import Blade, Face, Product, Surface, Zone
from layout.shop.plates import Plate, Play, Pose, Seat, Slot
from layout.shop.shop import Shop
from layout.shop.stations import Process, Rows, Station, TestCard

Missing = Literal["product", "seat", "process"]

_STAND_IN = "stand-in"
#: A line of usual width, by common practice, no source; the shop's own process takes its place.
_USUAL_LINE_MM = 0.05
_CARD = TestCard("2000-01-01", "nobody")


@dataclass(frozen=True, slots=True)
class TrialShop:
    """The shop in which a zone is tried, the product that is asked for, and what was stood in for."""

    shop: Shop
    sku: str
    missing: frozenset[Missing]


def shop_around(shop: Shop, blade: Blade, face: Face, zone: Zone, *, sku: str, font: str) -> TrialShop:
    """As little of the shop as a check of that zone needs, with the blade as it is drawn. `sku`: for which
    of its products; `font`: the only one that is taken along."""
    missing: set[Missing] = set()
    sold = [p for p in shop.products.values() if p.blade == blade.blade]
    product = next((p for p in sold if p.sku == sku), sold[0] if sold else None)
    surfaces = [p.surface for p in shop.processes.values()]
    if product is None:
        missing.add("product")
        product = Product(_STAND_IN, blade.name, (), blade.blade, surfaces[0] if surfaces else _SURFACE)
    surface = zone.surface or product.surface
    processes = [replace(p, test_card=_CARD) for p in shop.processes.values() if p.surface == surface]
    stations = {p.station: shop.stations[p.station] for p in processes if p.station in shop.stations}
    if not stations:
        missing.add("process")
        stations = {_STAND_IN: _station()}
        processes = [_process(surface)]
    plates = {
        name: plate
        for name, plate in shop.plates.items()
        if any(name in s.plates for s in stations.values())
        and any(slot.seat(blade.blade, face.face) is not None for slot in plate.slots)
    }
    if not plates:
        missing.add("seat")
        plates = {_STAND_IN: _plate(blade, face)}
        stations = {name: replace(s, field_mm=_FIELD_MM, origin="centre") for name, s in stations.items()}
    around = replace(
        shop,
        version=_STAND_IN,
        products={product.sku: replace(product, photos={})},
        blades={blade.blade: blade},
        plates=plates,
        stations={name: _mounting(station, plates) for name, station in stations.items()},
        processes={p.process: p for p in processes if p.station in stations},
        fonts={name: spec for name, spec in shop.fonts.items() if name == font},
        artworks={},
        stores={},
    )
    return TrialShop(around, product.sku, frozenset(missing))


_SURFACE = Surface(_STAND_IN, _STAND_IN)
_FIELD_MM = (4_000.0, 4_000.0)


def _mounting(station: Station, plates: dict[str, Plate]) -> Station:
    own = {name: place for name, place in station.plates.items() if name in plates}
    return replace(station, plates=own or dict.fromkeys(plates, (0.0, 0.0, 0.0)))


def _plate(blade: Blade, face: Face) -> Plate:
    """A slot in which the face lies as it is drawn, without play."""
    seat = Seat(blade.blade, face.face, Pose(0.0, 0.0, 0.0, 0.0), Play(0.0, 0.0))
    outline: Polygon = face.body or face.silhouette
    return Plate(
        _STAND_IN,
        _STAND_IN,
        (1.0, 1.0),
        (Slot("1", outline, (seat,)),),
        (_STAND_IN,),
        ((0.0, 0.0), (1.0, 0.0)),
    )


def _station() -> Station:
    return Station(
        station=_STAND_IN,
        name=_STAND_IN,
        field_mm=_FIELD_MM,
        origin="centre",
        spot_mm=_USUAL_LINE_MM,
        focus_mm=0.0,
        jump_speed_mm_s=1_000.0,
        acceleration_mm_s2=10_000.0,
        formats=("svg",),
        fill="rows",
        layers={},
        plates={},
    )


def _process(surface: Surface) -> Process:
    return Process(
        process=_STAND_IN,
        station=_STAND_IN,
        surface=surface,
        power_percent=50.0,
        speed_mm_s=500.0,
        frequency_khz=None,
        rows=Rows(spacing_mm=_USUAL_LINE_MM / 2, angle_deg=0.0, crossed=False),
        edge_line=True,
        edge_allowance_mm=0.0,
        repeats=1,
        line_width_mm=_USUAL_LINE_MM,
        focus_tolerance_mm=5.0,
        test_card=_CARD,
        centre_line_passes=1,
    )
