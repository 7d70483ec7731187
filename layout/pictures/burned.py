"""A mark as a picture shows it: as the boldest of the processes burns it, not as it was drawn."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon

from layout.burn.as_burned import as_burned, mark_as_burned
from layout.shop.blades import Surface
from layout.shop.loads import Mark
from layout.shop.shop import Shop
from layout.shop.stations import Process

#: A single-line stroke on a face whose process is unknown is drawn this wide.
SOME_LINE_MM = 0.1
#: Edges are shown to this accuracy.
_SHOWN_MM = 0.002


def boldest(shop: Shop, surface: Surface, stations: Collection[str]) -> Process | None:
    """The proven process with the widest line on the surface, of those stations where any can: the mark as it
    may look at its boldest."""
    proven = [p for _, p in sorted(shop.processes.items()) if p.surface == surface and p.test_card]
    able = [process for process in proven if process.station in stations] or proven
    return max(able, key=lambda process: process.line_width_mm, default=None)


def burned_areas(mark: Mark, process: Process | None) -> Any:
    """What is burned of the mark's areas (mm); as they were drawn where nothing says how they are burned."""
    if process is None or not mark.outline.areas:
        return mark.outline.region
    burned = mark_as_burned(mark.outline.areas, process).shape
    return MultiPolygon(list(shapely.get_parts(_shown(shapely.get_parts(burned)))))


def burned_shape(mark: Mark, process: Process | None) -> Any:
    """The whole mark as burned, its open strokes as wide as the line (mm): in half the time, by points that
    lie elsewhere within the same accuracy."""
    areas = list(mark.outline.areas)
    if process is not None and areas:
        areas = list(_shown(np.array([as_burned([area], (), process).shape for area in areas])))
    width = process.line_width_mm if process is not None else SOME_LINE_MM
    lines = [stroke.buffer(width / 2) for stroke in mark.outline.strokes]
    return shapely.disjoint_subset_union_all(np.array([*areas, *lines]))  # most letters stand apart


def _shown(burned: Any) -> Any:
    """Shapes (an array) by fewer points, as far as a picture shows them."""
    shown = shapely.simplify(burned, _SHOWN_MM, preserve_topology=False)  # in a tenth of the time
    broken = ~shapely.is_valid(shown) | shapely.is_empty(shown)
    shown[broken] = shapely.simplify(burned[broken], _SHOWN_MM)
    return shown
