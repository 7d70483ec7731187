"""A file that proves a new plate: a crosshair in the middle of every slot, with the slot's number beside it.

It is burned on a sheet of card that lies on the plate, or on tape in the slots, and looked at: every
crosshair lies as its slot does. It is built by the writers of every burn file, but it is no load's.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import LineString

from layout.burn.turn import Burn, BurnPart, NotBurnable, pieces_of, placed
from layout.lettering.fonts import open_font
from layout.lettering.typeset import compose, draw
from layout.shop.outline import Outline, frozen
from layout.shop.plates import Plate, Pose, Slot
from layout.shop.shop import FontSpec, Shop
from layout.shop.stations import Calibration, Process

#: Half the length of a crosshair's arms, where the slot has room for them.
ARM_MM = 6.0
#: Height of the number's figures.
NUMBER_MM = 3.0
_AWAY_MM = 1.5
_ON_THE_PLATE = Pose(0.0, 0.0, 0.0, 0.0)


def middle_of(slot: Slot) -> tuple[float, float]:
    """The middle of a slot's area on the plate (mm): the same point of every slot, however it is turned."""
    return float(slot.outline.centroid.x), float(slot.outline.centroid.y)


def proof_burn(shop: Shop, plate: Plate, process: Process, calibration: Calibration) -> Burn:
    """Crosshair and number of every slot of a plate under a process's station, where the plate lies as the
    calibration says.

    Raises NotBurnable for a slot whose crosshair lies outside the field, and for a shop without a font that
    has the letters of the slots' names.
    """
    station = shop.stations[process.station]
    font = _font(shop, plate)
    x0, y0, x1, y1 = station.field_box_mm
    parts = []
    for slot in plate.slots:
        pieces = [
            placed(piece, _ON_THE_PLATE, calibration)
            for outline in (_cross(slot), _number(slot, font))
            for piece in pieces_of(outline, process, as_rows=station.fill == "rows")
        ]
        points = np.concatenate(
            [p.rows.reshape(-1, 2) for p in pieces] + [x for p in pieces for x in p.lines]
        )
        points = np.concatenate([points, shapely.get_coordinates([a for p in pieces for a in p.areas])])
        if (points < [x0, y0]).any() or (points > [x1, y1]).any():
            raise NotBurnable(
                slot.slot, f"its middle lies too near the edge of the field of {station.station}"
            )
        parts.append(BurnPart(process.process, slot.slot, process.line_width_mm, tuple(pieces)))
    return Burn(tuple(parts), station.field_box_mm)


def shop_of_proof(shop: Shop, plate: Plate) -> Shop:
    """The shop with no more than the proof needs, which is cheap to hand to another process. Raises
    NotBurnable."""
    font = _font(shop, plate)
    return replace(shop, fonts={font.font: font}, blades={}, products={}, artworks={})


def _cross(slot: Slot) -> Outline:
    x, y = middle_of(slot)
    x0, y0, x1, y1 = slot.outline.bounds
    arm = min(ARM_MM, (x1 - x0) / 2, (y1 - y0) / 2)
    return frozen([], [LineString([(x - arm, y), (x + arm, y)]), LineString([(x, y - arm), (x, y + arm)])])


def _number(slot: Slot, font: FontSpec) -> Outline:
    x, y = middle_of(slot)
    text = compose([slot.slot], open_font(font), align="start")
    return draw(text, height_mm=NUMBER_MM, x_mm=x + _AWAY_MM, y_mm=y + _AWAY_MM)


def _font(shop: Shop, plate: Plate) -> FontSpec:
    """The first font with the letters of the slots' names, one of single lines if there is one."""
    letters = "".join(slot.slot for slot in plate.slots)
    for spec in sorted(shop.fonts.values(), key=lambda spec: (spec.kind != "single_line", spec.font)):
        if open_font(spec).covers(letters):
            return spec
    raise NotBurnable("proof", "the shop has no font with the letters of the slots' names")
