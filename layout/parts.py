"""The shop's things as immutable values: blades, zones, plates, stations, processes, and what was asked.

Millimetres, degrees, seconds; y up; every face is drawn in its own frame as the laser sees it.
Geometry is Shapely's and is never changed in place (`shapely.set_coordinates` would do that).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from shapely.geometry import LineString, Polygon

from layout.outline import Outline

Kind = Literal["text", "monogram", "artwork", "code"]
Align = Literal["start", "centre", "end"]
#: How a block of text may move from its zone's anchor: freely, only along or across the baseline, not at all.
Slide = Literal["both", "along", "across", "none"]
KeepOutReason = Literal["hole", "pivot", "existing_mark", "ground_bevel", "hollow", "edge", "other"]


# --- what was asked for -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TextInscription:
    """Words in one zone. `height_mm` is that of the font's capital H; None asks for the largest that fits.

    `text` is as the buyer typed it; U+000A is the buyer's own line break.
    """

    zone: str
    text: str
    font: str
    height_mm: float | None = None
    align: Align | None = None
    kind: Literal["text"] = "text"


@dataclass(frozen=True, slots=True)
class MonogramInscription:
    """One to three initials composed in a frame of the shop's artwork (or none)."""

    zone: str
    initials: str
    font: str
    frame: str | None = None
    height_mm: float | None = None
    kind: Literal["monogram"] = "monogram"


@dataclass(frozen=True, slots=True)
class ArtworkInscription:
    """A mark of the shop's library, `width_mm` wide; None asks for the largest that fits."""

    zone: str
    artwork: str
    width_mm: float | None = None
    kind: Literal["artwork"] = "artwork"


@dataclass(frozen=True, slots=True)
class CodeInscription:
    """A two-dimensional code; `cell_mm` is the size of one module, None asks for the largest that fits."""

    zone: str
    symbology: Literal["qr", "datamatrix"]
    content: str
    cell_mm: float | None = None
    kind: Literal["code"] = "code"


Inscription = TextInscription | MonogramInscription | ArtworkInscription | CodeInscription


# --- blades and products ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Surface:
    """What the laser meets: material and finish, as the processes name them."""

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
        return LineString(self.points)


@dataclass(frozen=True, slots=True)
class Zone:
    """A printable polygon on a face and what may be put there.

    `anchor` is where a block goes when it has room to spare: its aligned edge (start, centre or end
    along the baseline) and the middle of its hull across it; None means the middle of the zone
    (its start or end for those alignments). `slide` is how far it may move from there to fit.
    `leading` is the distance of baselines as a multiple of the capital height.
    `surface` is None where the product's own material and finish apply.
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
        return next((z for z in self.zones if z.zone == name), None) or _missing("zone", name)


@dataclass(frozen=True, slots=True)
class Blade:
    """A product's engravable part. Zone names are unique over all its faces."""

    blade: str
    name: str
    faces: tuple[Face, ...]
    bare: bool = False  # a bare blade on its way to assembly: house marks, in lots

    def face(self, name: str) -> Face:
        """The face of that name. Raises KeyError."""
        return next((f for f in self.faces if f.face == name), None) or _missing("face", name)

    def face_of_zone(self, zone: str) -> Face:
        """The face that bears the zone. Raises KeyError."""
        found = next((f for f in self.faces if any(z.zone == zone for z in f.zones)), None)
        return found or _missing("zone", zone)


@dataclass(frozen=True, slots=True)
class Product:
    sku: str
    name: str
    barcodes: tuple[str, ...]
    blade: str
    surface: Surface
    built_from: str | None = None  # the bare blade (a product, too) that assembly builds it from


# --- plates and slots ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a face's frame lies in the plate's frame: turned by `turn_deg`, then moved to x, y.

    `height_mm` is the height of the face's surface at the seat point above the plate's datum,
    `tilt_deg` how much the surface rises along the direction `tilt_towards_deg` (plate frame).
    """

    x_mm: float
    y_mm: float
    turn_deg: float
    height_mm: float
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Play:
    """How far a seated unit may sit from its pose: a shift in any direction, and a tilt (rotation in the
    plane of the face, either way) about `about`, a point in the face's frame (the seat's locating pin)."""

    shift_mm: float
    tilt_deg: float
    about: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Seat:
    """One way in which a slot takes a blade: this face up, at this pose, with this play."""

    blade: str
    face: str
    pose: Pose
    play: Play


@dataclass(frozen=True, slots=True)
class Slot:
    slot: str
    outline: Polygon  # plate frame, for the guide and the pictures
    seats: tuple[Seat, ...]

    def seat(self, blade: str, face: str) -> Seat | None:
        """How this slot takes that blade with that face up, if it does."""
        return next((s for s in self.seats if s.blade == blade and s.face == face), None)


@dataclass(frozen=True, slots=True)
class Plate:
    """A fixture pallet. A shop owns `copies` of it, each calibrated on its own."""

    plate: str
    name: str
    size_mm: tuple[float, float]
    slots: tuple[Slot, ...]
    copies: tuple[str, ...]
    fiducials: tuple[tuple[float, float], ...]  # plate frame, for calibration

    def slot(self, name: str) -> Slot:
        """The slot of that name. Raises KeyError."""
        return next((s for s in self.slots if s.slot == name), None) or _missing("slot", name)


# --- stations and processes ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TestCard:
    """The record that makes a process usable: who proved it, when (ISO date), what was seen."""

    __test__ = False  # not a test class, whatever its name looks like to a test runner

    date: str
    by: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Rows:
    """Fill by parallel rows: distance, angle to the face's x axis, and a second set at right angles."""

    spacing_mm: float
    angle_deg: float
    crossed: bool


@dataclass(frozen=True, slots=True)
class Process:
    """A station's recipe for a material and finish. Unusable until its test card is recorded."""

    process: str
    station: str
    surface: Surface
    power_percent: float
    speed_mm_s: float
    frequency_khz: float | None
    rows: Rows
    edge_line: bool
    edge_allowance_mm: float
    repeats: int
    line_width_mm: float  # measured on the test card
    focus_tolerance_mm: float
    test_card: TestCard | None


@dataclass(frozen=True, slots=True)
class LayerStyle:
    """How a station's own laser software expects a process to be marked in a file."""

    layer: str
    colour: str  # CSS hex, e.g. "#204060"


@dataclass(frozen=True, slots=True)
class Station:
    """A laser. Its field is `field_mm` wide and high; `origin` says where station (0, 0) lies in it.

    `fill` says whether its files carry rows or filled outlines. `formats` are the burn formats it reads,
    the preferred one first. `plates` names the plates that can be mounted, as `datum` of each in station
    coordinates when no calibration is recorded: (x, y, turn).
    """

    station: str
    name: str
    field_mm: tuple[float, float]
    origin: Literal["centre", "lower_left"]
    spot_mm: float
    focus_mm: float  # head height that focuses on the plate's datum plane
    jump_speed_mm_s: float
    acceleration_mm_s2: float
    formats: tuple[Literal["svg", "dxf", "pdf"], ...]
    fill: Literal["rows", "outline"]
    layers: Mapping[str, LayerStyle]  # by process name
    plates: Mapping[str, tuple[float, float, float]]
    axes: tuple[float, float] = (1.0, 1.0)  # scale of the station's own x and y; a negative one is flipped
    load_seconds_per_slot: float = 20.0
    turn_seconds_per_slot: float = 12.0
    hours: tuple[tuple[float, float], ...] = ()  # open spans, seconds since Monday 00:00; empty: always open
    plate_change_seconds: float = 0.0
    process_change_seconds: float = 0.0

    @property
    def field_box_mm(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of the field in station coordinates."""
        width, height = self.field_mm
        if self.origin == "centre":
            return -width / 2, -height / 2, width / 2, height / 2
        return 0.0, 0.0, width, height


@dataclass(frozen=True, slots=True)
class Calibration:
    """Plate frame to station frame for one plate copy on one station.

    `matrix` is (a, b, c, d, tx, ty): x' = a x + b y + tx, y' = c x + d y + ty.
    """

    calibration: str  # an identity that files and loads can name; "nominal" when none was measured
    station: str
    copy: str
    matrix: tuple[float, float, float, float, float, float]  # a, b, c, d, tx, ty
    residual_mm: float


# --- fonts, artwork, policy, the whole shop -----------------------------------------------------


@dataclass(frozen=True, slots=True)
class FontSpec:
    """A font of the shop's list: its bytes and which instance of it. `data` is hashed in `sha256`."""

    font: str
    name: str
    kind: Literal["outline", "single_line"]
    style: str  # sans, serif, script, display, condensed, mono, single_line, ... for the desk's list
    licence: str
    data: bytes = field(repr=False)
    sha256: str
    face_index: int = 0
    axes: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Artwork:
    """A mark of the shop's library at its natural size (mm, y up). A frame has a box for initials."""

    artwork: str
    name: str
    use: Literal["mark", "symbol", "frame"]
    outline: Outline
    initials_box_mm: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Policy:
    """What this shop calls legible and makeable; its own choice, no standard."""

    stroke_lines: float = 1.5  # thinnest stroke, as a multiple of the line's width
    counter_lines: float = 2.0  # narrowest counter
    gap_lines: float = 1.0  # narrowest gap between neighbours
    review_height_mm: float = 2.0  # capitals below this are looked at by a person
    max_graphemes_per_line: int = 40
    max_graphemes: int = 200
    code_cell_lines: float = 3.0  # smallest module of a code, as a multiple of the line's width
    time_zone: str = "UTC"  # IANA name of the zone of the stations' hours
    days_off: tuple[str, ...] = ()  # ISO dates on which nobody works


@dataclass(frozen=True, slots=True)
class Shop:
    """Everything that a check or a plan needs to know of the shop, at one version (a digest)."""

    version: str
    products: Mapping[str, Product]
    blades: Mapping[str, Blade]
    plates: Mapping[str, Plate]
    stations: Mapping[str, Station]
    processes: Mapping[str, Process]
    fonts: Mapping[str, FontSpec]
    artworks: Mapping[str, Artwork]
    policy: Policy

    def process_for(self, station: str, surface: Surface) -> Process | None:
        """The usable process (test card recorded) of a station for a surface, if there is one."""
        found = self.recipe_for(station, surface)
        return found if found is not None and found.test_card is not None else None

    def recipe_for(self, station: str, surface: Surface) -> Process | None:
        """The process of a station for a surface, proven or not; the catalogue has one at the most."""
        return next(
            (p for _, p in sorted(self.processes.items()) if p.station == station and p.surface == surface),
            None,
        )

    def surface_of(self, sku: str, zone: str) -> Surface:
        """Material and finish where that zone lies. Raises KeyError."""
        product = self.products[sku]
        face = self.blades[product.blade].face_of_zone(zone)
        return face.zone(zone).surface or product.surface


# --- marks and loads ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Mark:
    """One frozen outline on a face: what an accepted inscription became."""

    zone: str
    face: str
    surface: Surface
    outline: Outline


@dataclass(frozen=True, slots=True)
class Place:
    """A station's slot that may take a unit with a face up: what acceptance freezes as eligible."""

    station: str
    plate: str
    slot: str
    face: str


@dataclass(frozen=True, slots=True)
class SlotFill:
    """What sits in a slot during one turn. Exactly one of `job` and `lot` is set."""

    slot: str
    sku: str
    blade: str
    face: str
    marks: tuple[Mark, ...]
    eligible: frozenset[Place]
    job: str | None = None
    lot: str | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    turn: int  # 1, 2, ...
    fills: tuple[SlotFill, ...]


@dataclass(frozen=True, slots=True)
class LoadLayout:
    """One filling of one plate copy at one station, turn by turn."""

    station: str
    plate: str
    copy: str
    calibration: Calibration
    turns: tuple[Turn, ...]


def _missing(what: str, name: str) -> Any:
    raise KeyError(f"no {what} named {name!r}")
