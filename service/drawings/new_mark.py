"""A drawing tried as a mark of the library, for whoever brings it in: what it becomes, its finest places, its
picture, and what each zone has for it; or what is wanting.

Runs in a geometry process: values in, values out, no exception for what a drawing may be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from layout.drawing.strokes import DrawingRefused
from layout.pictures.marks import draw_mark
from layout.shop.shop import Shop
from layout.shop.svg_text import Box
from service.drawings.artwork import TakenMark, Wanted, box_of, take
from service.drawings.units import UnitNeeded
from service.shop.new_marks import Room, rooms

Use = Literal["mark", "symbol", "frame"]


@dataclass(frozen=True, slots=True)
class Asked:
    """What its owner says of a mark: its names in orders and for people, how it is used, and where a frame's
    initials go (None: the largest box that it leaves free)."""

    artwork: str
    name: str
    use: Use = "symbol"
    initials_box_mm: Box | None = None


@dataclass(frozen=True, slots=True)
class TriedMark:
    """`taken` is the mark where all is well. Otherwise `refused` says why not; `sizes` how large the drawing
    would be in each unit where it states none."""

    taken: TakenMark | None = None
    box_mm: Box | None = None
    picture: str = ""
    rooms: tuple[Room, ...] = ()
    refused: str = ""
    sizes: Mapping[str, str] = field(default_factory=dict)

    def entry(self, asked: Asked) -> dict[str, Any]:
        """The mark's table in the list of the library."""
        box = {} if self.box_mm is None else {"initials_box_mm": list(self.box_mm)}
        file = f"{asked.artwork}.svg"
        return {"artwork": asked.artwork, "name": asked.name, "use": asked.use, "file": file, **box}


def tried_mark(shop: Shop, data: bytes, wanted: Wanted, asked: Asked) -> TriedMark:
    """What becomes of a drawing as a mark of this shop."""
    try:
        taken = take(data, wanted)
        box = box_of(taken, asked.initials_box_mm) if asked.use == "frame" else None
    except UnitNeeded as needed:
        return TriedMark(refused=needed.why, sizes=needed.sizes)
    except DrawingRefused as refused:
        return TriedMark(refused=str(refused))
    finest = {"stroke_mm": taken.stroke_mm, "gap_mm": taken.gap_mm}
    return TriedMark(
        taken=taken,
        box_mm=box,
        picture=draw_mark(taken.outline, asked.artwork, **finest, initials_box_mm=box),
        rooms=tuple(rooms(shop, taken.outline, **finest, initials_box_mm=box)),
    )
