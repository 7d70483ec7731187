"""Fitting a block in a zone: on a straight baseline by its hull, on a curved one cluster by cluster."""

from __future__ import annotations

from typing import Protocol

import shapely

from layout import curve, fit
from layout.blocks import Block
from layout.fit import Fit
from layout.outline import Outline
from layout.parts import Align, Zone
from layout.region import Region
from layout.typeset import Composition


class Fitter(Protocol):
    """One zone's way of fitting blocks; sizes in mm."""

    def place(self, block: Block, size: float) -> Fit | None:
        """The block at that size, or None when it fits nowhere."""

    def largest(self, block: Block) -> Fit | None:
        """The block at its largest size, or None when none fits."""

    def draw(self, block: Block, found: Fit) -> Outline:
        """The frozen outline of a placed block."""


def fitter_for(region: Region, zone: Zone, align: Align) -> Fitter:
    """The fitter that a zone's baseline asks for."""
    return Straight(region, zone, align) if zone.baseline.is_straight else Curved(region, zone, align)


class Straight:
    def __init__(self, region: Region, zone: Zone, align: Align) -> None:
        self._region, self._zone, self._align = region, zone, align

    def place(self, block: Block, size: float) -> Fit | None:
        return fit.place(self._region, block.hull, self._zone, align=self._align, height_mm=size)

    def largest(self, block: Block) -> Fit | None:
        return fit.largest(self._region, block.hull, self._zone, align=self._align)

    def draw(self, block: Block, found: Fit) -> Outline:
        return block.draw(found.height_mm, found.x_mm, found.y_mm, found.turn_deg)


class Curved:
    """Only one line of text can follow a curve; other blocks fit nowhere here."""

    def __init__(self, region: Region, zone: Zone, align: Align) -> None:
        self._region, self._zone, self._align = region, zone, align

    def place(self, block: Block, size: float) -> Fit | None:
        composition = block.composition
        if composition is None or len(block.lines) != 1:
            return None
        if not curve.fits(self._region, composition, self._zone, align=self._align, height_mm=size):
            return None
        hulls = shapely.union_all(list(self._bent(composition, size).hulls()))
        clearance = float(self._region.polygon.boundary.distance(hulls))
        return Fit(size, 0.0, 0.0, 0.0, clearance, fit.bindings_of(self._region, hulls))

    def largest(self, block: Block) -> Fit | None:
        composition = block.composition
        if composition is None or len(block.lines) != 1:
            return None
        size = curve.largest_on_curve(self._region, composition, self._zone, align=self._align)
        return self.place(block, size) if size else None

    def draw(self, block: Block, found: Fit) -> Outline:
        assert block.composition is not None  # place() let nothing else through
        return curve.draw(self._bent(block.composition, found.height_mm))

    def _bent(self, composition: Composition, size: float) -> curve.Bent:
        bent = curve.bend(composition, self._zone.baseline.line, height_mm=size, align=self._align)
        assert bent is not None  # fits() has just bent it
        return bent
