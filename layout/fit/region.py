"""Where a mark may lie: zone and silhouette without keep-outs, shrunk by margin, half a line and the play."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import shapely
from shapely.geometry import MultiPolygon, Point, Polygon

from layout.seating.play import worst_stray_mm
from layout.shop.blades import Face, Zone
from layout.shop.measure import CONTAINMENT_MM
from layout.shop.plates import Play

#: Round a corner that stands into it a region ends in an arc, drawn with chords that lie this much outside at
#: most: half of what CONTAINMENT_MM allows.
ARC_MM = CONTAINMENT_MM / 2


@dataclass(frozen=True, slots=True)
class Source:
    """Something that bounds a region: what it is and its boundary before shrinking (face frame)."""

    kind: str  # "zone", "silhouette", "keep_out"
    name: str
    boundary: Any


@dataclass(frozen=True, slots=True)
class Region:
    """`polygon` (Polygon or MultiPolygon, perhaps empty; mm, face frame): where the true outline may lie."""

    polygon: Any
    margin_mm: float
    play_mm: float
    sources: tuple[Source, ...]

    def source_at(self, x_mm: float, y_mm: float) -> Source:
        """What bounds the region nearest to that point."""
        point = Point(x_mm, y_mm)
        return min(
            self.sources, key=lambda source: (source.boundary.distance(point), source.kind, source.name)
        )


def region_of(face: Face, zone: Zone, *, line_width_mm: float, plays: Iterable[Play]) -> Region:
    """The region of a zone for a line of that width, in every one of the seats with those plays."""
    play_mm = worst_stray_mm(plays, zone.polygon)
    margin = zone.edge_margin_mm + line_width_mm / 2 + play_mm
    free = shapely.intersection(zone.polygon, face.silhouette)
    if face.keep_outs:
        free = shapely.difference(free, shapely.union_all([k.polygon for k in face.keep_outs]))
    shrunk = free.buffer(-margin, quad_segs=_quarter_chords(margin))
    return Region(_areas_only(shrunk), margin, play_mm, _sources(face, zone))


def _quarter_chords(radius_mm: float) -> int:
    """How many chords to the quarter keep an arc of that radius within ARC_MM."""
    if radius_mm <= ARC_MM:
        return 1
    return max(8, math.ceil(math.pi / 4 / math.acos(1 - ARC_MM / radius_mm)))


def _areas_only(geometry: Any) -> Any:
    parts = [
        part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon" and not part.is_empty
    ]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _sources(face: Face, zone: Zone) -> tuple[Source, ...]:
    silhouette: Polygon = face.silhouette
    return (
        Source("zone", zone.zone, zone.polygon.boundary),
        Source("silhouette", face.face, silhouette.boundary),
        *(Source("keep_out", k.keep_out, k.polygon.boundary) for k in face.keep_outs),
    )
