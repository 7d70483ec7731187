"""Fitting a block in a zone: on a straight baseline by its hull, on a curved one cluster by cluster."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Protocol

import shapely
from shapely import affinity

from layout.fit import curved as climb
from layout.fit import straight as fit
from layout.fit.region import Region
from layout.fit.straight import Fit, Overhang
from layout.lettering import baseline_curve as curve
from layout.marks.blocks import Block
from layout.shop.affine import Affine
from layout.shop.blades import Zone
from layout.shop.inscriptions import Align
from layout.shop.outline import Outline

#: The largest sizes of so many blocks are remembered: a refusal suggests what it has just looked for.
_LAST_BLOCKS = 8


class Fitter(Protocol):
    """One zone's way of fitting blocks; sizes in mm."""

    def place(self, block: Block, size: float) -> Fit | None:
        """The block at that size, or None when it fits nowhere."""

    def holds(self, block: Block, size: float) -> bool:
        """Whether `place` would find a place at that size; quicker where the place is not asked for."""

    @property
    def largest(self) -> Callable[[Block], Fit | None]:
        """The block at its largest size, or None when none fits."""

    def bound(self, block: Block) -> float:
        """A size above which the block certainly does not fit; cheap."""

    def draw(self, block: Block, fit: Fit) -> Outline:
        """The frozen outline of a placed block."""

    def sketch(self, block: Block, size: float) -> Outline | None:
        """The block at its anchor at that size, whether it fits or not; None where that can't be drawn."""

    def overhang(self, block: Block, size: float, largest: float | None) -> Overhang:
        """By how much the block is too long and too tall at a size at which it doesn't fit."""


def fitter_for(region: Region, zone: Zone, align: Align) -> Fitter:
    """The fitter that a zone's baseline asks for."""
    return Straight(region, zone, align) if zone.baseline.is_straight else Curved(region, zone, align)


class Straight:
    """The hull of the whole block in the region, as near to the zone's anchor as it goes."""

    def __init__(self, region: Region, zone: Zone, align: Align) -> None:
        self._region, self._zone, self._align = region, zone, align
        self._anchor = fit.anchor_of(zone, align)
        self._turn_deg = fit.turn_of(zone)
        self._turned = Affine.turned(self._turn_deg)
        level = affinity.rotate(region.polygon, -self._turn_deg, origin=(0, 0))
        box: tuple[float, float, float, float] = level.bounds
        self._room = box[2] - box[0], box[3] - box[1]
        self.largest = lru_cache(_LAST_BLOCKS)(self._largest)

    def place(self, block: Block, size: float) -> Fit | None:
        at_anchor = self._at_anchor(block, size)
        # One question, and most blocks that fit at all fit where the zone wants them.
        if shapely.covers(self._region.polygon, at_anchor.block):
            return at_anchor
        if size > self.bound(block):
            return None
        return fit.place(self._region, block.hull, self._zone, align=self._align, height_mm=size)

    def holds(self, block: Block, size: float) -> bool:
        if shapely.covers(self._region.polygon, self._at_anchor(block, size).block):
            return True
        return size <= self.bound(block) and fit.holds(
            self._region, block.hull, self._zone, align=self._align, height_mm=size
        )

    def _largest(self, block: Block) -> Fit | None:
        return fit.largest(self._region, block.hull, self._zone, align=self._align)

    def bound(self, block: Block) -> float:
        if self._region.polygon.is_empty:
            return 0.0
        (length, height), (along, across) = block.extent, self._room
        return min(along / length, across / height) * (1 + 1e-9)

    def draw(self, block: Block, fit: Fit) -> Outline:
        return block.draw(fit.height_mm, fit.x_mm, fit.y_mm, fit.turn_deg)

    def sketch(self, block: Block, size: float) -> Outline | None:
        return self.draw(block, self._at_anchor(block, size))

    def overhang(self, block: Block, size: float, largest: float | None) -> Overhang:
        return fit.overhang(self._region, block.hull, self._zone, height_mm=size, align=self._align)

    def _at_anchor(self, block: Block, size: float) -> Fit:
        x, y = self._anchor[0] - block.reference[0] * size, self._anchor[1] - block.reference[1] * size
        corners = block.hull * size + (x, y)
        if self._turn_deg:
            corners, (x, y) = self._turned(corners), self._turned.point((x, y))
        return Fit(size, x, y, self._turn_deg, self._region, (shapely.polygons(corners),))


class Curved:
    """Only one line of text can follow a curve; other blocks fit nowhere here."""

    def __init__(self, region: Region, zone: Zone, align: Align) -> None:
        self._region, self._zone, self._align = region, zone, align
        self._last: tuple[Block, float, curve.Bent | None] | None = None
        self.largest = lru_cache(_LAST_BLOCKS)(self._largest)

    def place(self, block: Block, size: float) -> Fit | None:
        bent = self._bent(block, size)
        if bent is None or not climb.inside(self._region, bent):
            return None
        return Fit(size, 0.0, 0.0, 0.0, self._region, bent.hulls())

    def holds(self, block: Block, size: float) -> bool:
        return self.place(block, size) is not None

    def _largest(self, block: Block) -> Fit | None:
        if block.strip is None:
            return None
        size = climb.largest_on_curve(self._region, block.strip, self._zone, align=self._align)
        return self.place(block, size) if size else None

    def bound(self, block: Block) -> float:
        return self._zone.max_height_mm

    def draw(self, block: Block, fit: Fit) -> Outline:
        bent = self._bent(block, fit.height_mm)
        assert bent is not None  # place() has bent it before
        return curve.draw(bent)

    def sketch(self, block: Block, size: float) -> Outline | None:
        bent = self._bent(block, size)
        return curve.draw(bent) if bent is not None else None

    def overhang(self, block: Block, size: float, largest: float | None) -> Overhang:
        """By how much the line outgrows the largest that follows the curve; all of it where none does.

        Nought for what is no single line, and follows no curve at any length.
        """
        if block.strip is None:
            return Overhang(0.0, 0.0)
        length, _ = block.extent
        return Overhang(length * max(0.0, size - (largest or 0.0)), 0.0)

    def _bent(self, block: Block, size: float) -> curve.Bent | None:
        """The block bent at that size; the last one is kept, because what was placed is drawn next."""
        last = self._last
        if block.strip is None or climb.is_too_long(block.strip, self._zone.baseline.line, size):
            return None
        if last is not None and last[0] is block and last[1] == size:
            return last[2]
        bent = curve.bend_strip(block.strip, self._zone.baseline.line, height_mm=size, align=self._align)
        self._last = block, size, bent
        return bent
