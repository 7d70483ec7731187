"""What holds a block in its place: which keep-out, which edge, and where they meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from shapely import affinity

from layout.fit.region import Region, Source
from layout.shop.affine import Affine
from layout.shop.measure import Floats

#: What lies this near the block (beyond its margin) is what holds it.
BINDING_MM = 0.02

#: Where a thing lies as seen from the block by someone who reads it: before its first letter, after its last,
#: above it or below it.
Side = Literal["before", "after", "above", "below"]


@dataclass(frozen=True, slots=True)
class Binding:
    """What holds a block: a zone's edge, the silhouette or a keep-out (`kind`), by name.

    `point` (mm, face frame) is where the block meets it, `clearance_mm` what is left there beyond the
    region's margin: nought for a block that can't grow.
    """

    kind: str
    name: str
    point: tuple[float, float]
    clearance_mm: float
    side: Side = "above"


def bindings_of(region: Region, block: Any, *, turn_deg: float = 0.0) -> tuple[Binding, ...]:
    """All that lies within BINDING_MM of the block (an area or line, mm, face frame), beyond the margin.

    One entry for each thing and side, sorted. `turn_deg` is the direction of the baseline.
    """
    nearest: dict[tuple[str, str, str], Binding] = {}
    for source in region.sources:
        if source.boundary.distance(block) > region.margin_mm + BINDING_MM:
            continue
        for binding in _contacts(region, source, block, turn_deg):
            key = (binding.kind, binding.name, binding.side)
            if key not in nearest or binding.clearance_mm < nearest[key].clearance_mm:
                nearest[key] = binding
    return tuple(nearest[key] for key in sorted(nearest))


def _contacts(region: Region, source: Source, block: Any, turn_deg: float) -> list[Binding]:
    edges = _edges(source.boundary)
    away = shapely.distance(block, edges)
    near = away <= region.margin_mm + BINDING_MM
    meeting = shapely.get_coordinates(shapely.shortest_line(block, edges[near]))[::2]
    runs = np.diff(shapely.get_coordinates(edges[near]).reshape(-1, 2, 2), axis=1)[:, 0]
    sides = _sides(block, meeting, runs, turn_deg)
    return [
        Binding(source.kind, source.name, (float(x), float(y)), float(gap) - region.margin_mm, side)
        for (x, y), gap, side in zip(meeting, away[near], sides, strict=True)
    ]


def _edges(boundary: Any) -> Any:
    """Every straight piece of a boundary as a line."""
    lines = [shapely.get_coordinates(line) for line in shapely.get_parts(boundary)]
    return shapely.linestrings(
        np.concatenate([np.stack([line[:-1], line[1:]], axis=1) for line in lines if len(line) > 1])
    )


def _sides(block: Any, points: Floats, runs: Floats, turn_deg: float) -> list[Side]:
    """On which side of the block the edges lie that meet it at the points (n, 2), with the baseline level.

    `runs` (n, 2) are the directions of the edges: a steep one stands beside the block.
    """
    x0, y0, x1, y1 = affinity.rotate(block, -turn_deg, origin=(0, 0)).bounds
    level = Affine.turned(-turn_deg)
    steep = np.abs(level(runs))
    beyond_middle = level(points) > [(x0 + x1) / 2, (y0 + y1) / 2]
    return [
        ("after" if after else "before") if across > along else ("above" if above else "below")
        for (along, across), (after, above) in zip(steep.tolist(), beyond_middle.tolist(), strict=True)
    ]
