"""Lasers and their recipes: a station's field and focus, its processes, the measured lie of its plates.

A process is usable once its test card is recorded.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from layout.shop.blades import Surface
from layout.shop.upkeep import Routine


@dataclass(frozen=True, slots=True)
class TestCard:
    """The record that makes a process usable: who proved it, when (ISO date), what was seen."""

    __test__ = False  # not a test class, whatever its name looks like to a test runner

    date: str
    by: str
    note: str = ""
    isolated_lines: bool = False  # single lines were burned on it and looked at beside filled bars


@dataclass(frozen=True, slots=True)
class Rows:
    """Fill by parallel rows: distance, angle to the face's x axis, and a second set at right angles."""

    spacing_mm: float
    angle_deg: float
    crossed: bool


@dataclass(frozen=True, slots=True)
class Process:
    """A station's recipe for a material and finish. Unusable until its test card is recorded.

    A single line gets about half the energy of a filled area, where rows overlap: `centre_line_passes` says
    how often a centre line is burned where fill leaves a stroke without a path. 0: never.
    """

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
    centre_line_passes: int = 0

    @property
    def burns_centre_lines(self) -> bool:
        """Whether centre lines may be burned: the recipe has passes for them and its card shows single lines
        beside filled bars."""
        card = self.test_card
        return self.centre_line_passes > 0 and card is not None and card.isolated_lines


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
    centre_layers: Mapping[str, LayerStyle] = field(default_factory=dict)  # of centre lines, by process
    routines: tuple[Routine, ...] = ()  # what is checked there, and how often

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
