"""Products and their blades as geometry: faces, zones where a mark may go, keep-outs where nothing may burn.

A blade is one shape that several products share; a face is one view of it, drawn as the laser sees it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

from shapely.geometry import LineString, Polygon

from layout.shop.inscriptions import Align, Kind

#: How a block of text may move from its zone's anchor: freely, only along or across the baseline, not at all.
Slide = Literal["both", "along", "across", "none"]


#: Kinds of characters by their general category in Unicode. Blanks and line breaks are always taken.
CharacterKind = Literal["letters", "digits", "punctuation", "symbols"]
ANY_CHARACTER: frozenset[CharacterKind] = frozenset({"letters", "digits", "punctuation", "symbols"})

KeepOutReason = Literal["hole", "pivot", "existing_mark", "ground_bevel", "hollow", "edge", "other"]


@dataclass(frozen=True, slots=True)
class Surface:
    """What is under the laser: material and finish, as the processes name them."""

    material: str
    finish: str


@dataclass(frozen=True, slots=True)
class Baseline:
    """Where text runs: a straight line through `points` (two), or a curve (three or more points, flattened).

    Text reads from the first point to the last, up is to the left of that direction.
    """

    points: tuple[tuple[float, float], ...]

    @property
    def is_straight(self) -> bool:
        return len(self.points) == 2

    @property
    def line(self) -> LineString:
        return _line_through(self.points)


@lru_cache(maxsize=256)
def _line_through(points: tuple[tuple[float, float], ...]) -> LineString:
    """Made once: a check asks for a baseline's line dozens of times."""
    return LineString(points)


@dataclass(frozen=True, slots=True)
class Zone:
    """A printable polygon on a face and what may be put there.

    `anchor` is where a block goes when it has room to spare: its aligned edge (start, centre or end
    along the baseline) and the middle of its hull across it; None means the middle of the zone
    (its start or end for those alignments). `slide` is how far it may move from there to fit.
    `leading` is the distance of baselines as a multiple of the capital height.
    `surface` is None where the product's own material and finish apply.
    `usual_height_mm` is the capital height where nobody asks for a size, `usual_room_mm` how far a mark then
    keeps from what bounds the zone (at least `edge_margin_mm`); None: the largest that fits.
    `characters` are the kinds of characters that words may have there, `signs` single ones besides.
    """

    zone: str
    polygon: Polygon
    baseline: Baseline
    kinds: frozenset[Kind]
    fonts: tuple[str, ...]
    max_lines: int
    min_height_mm: float
    max_height_mm: float
    edge_margin_mm: float = 0.3
    align: Align = "centre"
    slide: Slide = "both"
    anchor: tuple[float, float] | None = None
    leading: float = 1.6
    letter_spacing: float = 0.0  # extra advance per cluster, as a multiple of the capital height
    features: Mapping[str, bool] = field(default_factory=dict)  # OpenType feature tags, e.g. {"smcp": True}
    surface: Surface | None = None
    usual_height_mm: float | None = None
    usual_room_mm: float = 0.0
    max_graphemes: int | None = None
    characters: frozenset[CharacterKind] = ANY_CHARACTER
    signs: str = ""


@dataclass(frozen=True, slots=True)
class KeepOut:
    """A polygon where nothing may be burned."""

    keep_out: str
    reason: KeepOutReason
    polygon: Polygon


@dataclass(frozen=True, slots=True)
class Face:
    """One face of a blade as the laser sees it. `handle_deg` is where the handle points, in this frame.

    `body` is the outline of the whole unit with this face up, handle and all, where it is more than the
    silhouette: units on a plate must not touch one another. It never bounds a mark.
    """

    face: str
    silhouette: Polygon
    zones: tuple[Zone, ...]
    keep_outs: tuple[KeepOut, ...]
    handle_deg: float
    body: Polygon | None = None

    def zone(self, name: str) -> Zone:
        """The zone of that name. Raises KeyError."""
        return next((z for z in self.zones if z.zone == name), None) or missing_name("zone", name)


@dataclass(frozen=True, slots=True)
class Blade:
    """A product's engravable part. Zone names are unique over all its faces."""

    blade: str
    name: str
    faces: tuple[Face, ...]
    bare: bool = False  # a bare blade on its way to assembly: house marks, in lots
    inspect: tuple[str, ...] = ()  # points of the inspection before boxing, of every product with this blade

    def face(self, name: str) -> Face:
        """The face of that name. Raises KeyError."""
        return next((f for f in self.faces if f.face == name), None) or missing_name("face", name)

    def face_of_zone(self, zone: str) -> Face:
        """The face that bears the zone. Raises KeyError."""
        face = next((f for f in self.faces if any(z.zone == zone for z in f.zones)), None)
        return face or missing_name("zone", zone)


@dataclass(frozen=True, slots=True)
class Photo:
    """The shop's photo of a product with a face up. Two points of it, in pixels from its left upper corner,
    and where they lie on the face (mm) say its place, size and turn."""

    data: bytes = field(repr=False)
    kind: Literal["jpeg", "png"]
    size_px: tuple[int, int]
    points_px: tuple[tuple[float, float], tuple[float, float]]
    points_mm: tuple[tuple[float, float], tuple[float, float]]

    def to_face(self, points_px: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        """Points of the photo (pixels, y down), in the face's frame (mm, y up)."""
        # As complex numbers a turn with a change of size is one product; the conjugate turns y up.
        (a, b), (p, q) = (
            (complex(*first), complex(*second)) for first, second in (self.points_px, self.points_mm)
        )
        stretch = (q - p) / (b - a).conjugate()
        placed = [p + stretch * (complex(*point) - a).conjugate() for point in points_px]
        return [(point.real, point.imag) for point in placed]


@dataclass(frozen=True, slots=True)
class Product:
    """What the store sells. `handle_material` and `photos` (by face) are for pictures alone."""

    sku: str
    name: str
    barcodes: tuple[str, ...]
    blade: str
    surface: Surface
    built_from: str | None = None  # the bare blade (a product, too) that assembly builds it from
    handle_material: str = ""
    photos: Mapping[str, Photo] = field(default_factory=dict)
    inspect: tuple[str, ...] = ()  # points of the inspection before boxing, of this product alone


def missing_name(what: str, name: str) -> Any:
    raise KeyError(f"no {what} named {name!r}")
