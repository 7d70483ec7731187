"""The schema of every kind of catalogue file: unknown keys are refused, numbers have their ranges."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

#: Forms that values are written in; `sentences` says what each looks like.
NAME_FORM = r"^[A-Za-z0-9][A-Za-z0-9 _.'#-]{0,59}$"
#: No control characters, and short enough for a label.
WORDS_FORM = r"^[^\x00-\x1f\x7f]{1,120}$"
BARCODE_FORM = r"^[0-9]{8,14}$"
LAYER_FORM = r"^[A-Za-z0-9_-]{1,40}$"
COLOUR_FORM = r"^#[0-9a-f]{6}$"
SPAN_FORM = r"^([01][0-9]|2[0-3]):[0-5][0-9]-(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$"
TIME_FORM = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"
DAY_FORM = r"^\d{4}-\d{2}-\d{2}$"

Name = Annotated[str, Field(pattern=NAME_FORM)]
Words = Annotated[str, Field(pattern=WORDS_FORM)]
Point = tuple[float, float]
Path = Annotated[str, Field(min_length=1, max_length=20_000)]
Mm = Annotated[float, Field(ge=0, le=2000)]
FaceName = Literal["mark_side", "pile_side", "spine", "bolster", "handle"]
Fraction = Annotated[float, Field(ge=0, le=10)]


def _distinct(values: list[Any]) -> list[Any]:
    if len(set(values)) < len(values):
        raise ValueError("the same thing stands twice")
    return values


def _day(value: str) -> str:
    try:
        date.fromisoformat(value)
    except ValueError as error:
        raise ValueError(f"{value!r} is no day of the calendar: write 2027-01-31") from error
    return value


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise ValueError(f"no time zone {value!r}: write one such as Europe/Berlin") from error
    return value


def _an_axis(scale: float) -> float:
    """A station's axis may be flipped and a little long or short, never nought."""
    if not 0.5 <= abs(scale) <= 2.0:
        raise ValueError("an axis is scaled by 0.5 to 2; a minus flips it")
    return scale


Axis = Annotated[float, AfterValidator(_an_axis)]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Shape(Strict):
    """Exactly one way to give a closed shape, in mm, y up."""

    path: Path | None = None
    points: Annotated[list[Point], Field(min_length=3, max_length=5000)] | None = None
    circle: tuple[float, float, float] | None = None
    rect: tuple[float, float, float, float] | None = None

    @model_validator(mode="after")
    def _one(self) -> Shape:
        if sum(v is not None for v in (self.path, self.points, self.circle, self.rect)) != 1:
            raise ValueError("give exactly one of path, points, circle, rect")
        return self


class CurvePath(Strict):
    """A curved baseline as SVG path data, y up."""

    path: Path


class KeepOutFile(Strict):
    keep_out: Name
    reason: Literal["hole", "pivot", "existing_mark", "ground_bevel", "hollow", "edge", "other"]
    shape: Shape


class KeepOutRowFile(KeepOutFile):
    """The same keep-out several times, `step` apart."""

    count: int = Field(ge=2, le=100)
    start: Point
    step: Point


class ZoneFile(Strict):
    zone: Name
    polygon: Shape
    baseline: Annotated[list[Point], Field(min_length=2, max_length=500)] | CurvePath
    kinds: Annotated[
        list[Literal["text", "monogram", "artwork", "code"]], Field(min_length=1), AfterValidator(_distinct)
    ]
    fonts: Literal["all"] | list[Name]
    max_lines: int = Field(ge=1, le=6)
    min_height_mm: float = Field(gt=0, le=50)
    max_height_mm: float = Field(gt=0, le=100)
    edge_margin_mm: Mm = 0.3
    usual_height_mm: float | None = Field(default=None, gt=0, le=100)
    usual_room_mm: Mm | None = None
    align: Literal["start", "centre", "end"] = "centre"
    slide: Literal["both", "along", "across", "none"] = "both"
    anchor: Point | None = None
    leading: float = Field(default=1.6, ge=1, le=4)
    letter_spacing: Fraction = 0.0
    features: dict[Annotated[str, Field(pattern=r"^[a-z0-9]{4}$")], bool] = {}
    material: Name | None = None
    finish: Name | None = None

    @model_validator(mode="after")
    def _whole(self) -> ZoneFile:
        if (self.material is None) != (self.finish is None):
            raise ValueError("material and finish go together")
        if self.min_height_mm > self.max_height_mm:
            raise ValueError("min_height_mm is above max_height_mm")
        if self.usual_height_mm is None:
            if self.usual_room_mm is not None:
                raise ValueError("usual_room_mm goes with usual_height_mm")
        elif not self.min_height_mm <= self.usual_height_mm <= self.max_height_mm:
            raise ValueError("usual_height_mm is not between min_height_mm and max_height_mm")
        if self.usual_room_mm is not None and self.usual_room_mm < self.edge_margin_mm:
            raise ValueError("usual_room_mm is below edge_margin_mm")
        return self


class FaceFile(Strict):
    """A face as the laser sees it: drawn, or the mirror image of a face before it.

    `leave_out` names keep-outs of that face which this one does not have.
    `rest_of_unit` is what belongs to the unit beyond the silhouette, such as the handle.
    """

    face: FaceName
    silhouette: Shape | None = None
    rest_of_unit: Shape | None = None
    mirror_of: FaceName | None = None
    leave_out: list[Name] = []
    handle_deg: float = Field(ge=0, lt=360)
    keep_out: list[KeepOutFile] = []
    keep_out_row: list[KeepOutRowFile] = []
    zone: list[ZoneFile] = Field(min_length=1, max_length=8)

    @model_validator(mode="after")
    def _drawn(self) -> FaceFile:
        if (self.silhouette is None) == (self.mirror_of is None):
            raise ValueError("give either silhouette or mirror_of")
        if self.mirror_of is not None and self.rest_of_unit is not None:
            raise ValueError("rest_of_unit comes from the face that is mirrored")
        if self.mirror_of is None and self.leave_out:
            raise ValueError("leave_out goes with mirror_of")
        return self


class BladeFile(Strict):
    blade: Name
    name: Words
    bare: bool = False
    face: list[FaceFile] = Field(min_length=1)


class ProductFile(Strict):
    sku: Name
    name: Words
    barcodes: list[Annotated[str, Field(pattern=BARCODE_FORM)]] = []
    blade: Name
    material: Name
    finish: Name
    built_from: Name | None = Field(
        default=None, description="The bare blade's sku, for the assembly bench's build list"
    )


class ProductsFile(Strict):
    product: list[ProductFile]


class PoseFile(Strict):
    x_mm: float
    y_mm: float
    turn_deg: float
    height_mm: float
    tilt_deg: float = Field(default=0.0, ge=0, le=30)
    tilt_towards_deg: float = 0.0


class PlayFile(Strict):
    shift_mm: float = Field(ge=0, le=5)
    tilt_deg: float = Field(ge=0, le=10)
    about: Point = (0.0, 0.0)


class SeatFile(Strict):
    """How slots take a blade with a face up, the pose in the slot's frame; all slots, or those named."""

    blade: Name
    face: FaceName
    slots: list[Name] | None = None
    pose: PoseFile
    play: PlayFile


class PlateFile(Strict):
    plate: Name
    name: Words
    size_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    copies: Annotated[list[Name], Field(min_length=1), AfterValidator(_distinct)]
    slot_outline: Shape
    fiducials: list[Point] = Field(min_length=2, max_length=9)
    slots: list[tuple[Name, float, float, float]] = Field(min_length=1, max_length=200)
    seat: list[SeatFile] = Field(min_length=1)


class LayerFile(Strict):
    layer: Annotated[str, Field(pattern=LAYER_FORM)]
    colour: Annotated[str, Field(pattern=COLOUR_FORM)]


#: Part of a day, as in "08:00-12:30"; "24:00" ends a day.
Span = Annotated[str, Field(pattern=SPAN_FORM)]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


class StationFile(Strict):
    station: Name
    name: Words
    field_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    origin: Literal["centre", "lower_left"]
    spot_mm: float = Field(gt=0, le=1)
    focus_mm: float
    jump_speed_mm_s: float = Field(gt=0)
    acceleration_mm_s2: float = Field(gt=0)
    formats: Annotated[list[Literal["svg", "dxf", "pdf"]], Field(min_length=1), AfterValidator(_distinct)]
    fill: Literal["rows", "outline"]
    axes: tuple[Axis, Axis] = (1.0, 1.0)
    load_seconds_per_slot: float = Field(default=20.0, ge=0)
    turn_seconds_per_slot: float = Field(default=12.0, ge=0)
    plate_change_seconds: float = Field(default=0.0, ge=0)
    process_change_seconds: float = Field(default=0.0, ge=0)
    hours: dict[Weekday, list[Span]] = {}
    breaks: list[Span] = []
    plates: dict[Name, tuple[float, float, float]]
    layers: dict[Name, LayerFile]
    centre_layers: dict[Name, LayerFile] = {}


class RowsFile(Strict):
    spacing_mm: float = Field(gt=0, le=1)
    angle_deg: float
    crossed: bool


class TestCardFile(Strict):
    __test__ = False

    date: Annotated[str, Field(pattern=DAY_FORM), AfterValidator(_day)]
    by: Words
    note: Annotated[str, Field(max_length=500)] = ""
    isolated_lines: bool = False


class ProcessFile(Strict):
    process: Name
    station: Name
    material: Name
    finish: Name
    power_percent: float = Field(gt=0, le=100)
    speed_mm_s: float = Field(gt=0)
    frequency_khz: float | None = Field(default=None, gt=0)
    rows: RowsFile
    edge_line: bool
    edge_allowance_mm: float = Field(ge=0, le=1)
    repeats: int = Field(ge=1, le=50)
    line_width_mm: float = Field(gt=0, le=2)
    focus_tolerance_mm: float = Field(gt=0, le=20)
    centre_line_passes: int = Field(default=0, ge=0, le=50)
    test_card: TestCardFile | None = None


class ProcessesFile(Strict):
    process: list[ProcessFile]


class FontFile(Strict):
    font: Name
    name: Words
    kind: Literal["outline", "single_line"]
    style: Words
    licence: Words
    package: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]
    file: Annotated[str, Field(pattern=r"^[A-Za-z0-9_\[\],./-]+$")]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    axes: dict[Annotated[str, Field(min_length=4, max_length=4)], float] = {}

    @model_validator(mode="after")
    def _safe(self) -> FontFile:
        if ".." in self.file or self.file.startswith("/"):
            raise ValueError("the font file must lie inside its wheel")
        if self.kind == "single_line" and self.axes:
            raise ValueError("a single-line font has no axes")
        return self


class FontsFile(Strict):
    font: list[FontFile] = Field(min_length=1)


class ArtworkFile(Strict):
    artwork: Name
    name: Words
    use: Literal["mark", "symbol", "frame"]
    file: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+\.svg$")]
    initials_box_mm: tuple[float, float, float, float] | None = None

    @model_validator(mode="after")
    def _boxed(self) -> ArtworkFile:
        if (self.use == "frame") != (self.initials_box_mm is not None):
            raise ValueError("a frame, and only a frame, has initials_box_mm")
        return self


class ArtworksFile(Strict):
    artwork: list[ArtworkFile] = []


class PlanFile(Strict):
    changes: float = Field(default=1.0, ge=0)
    turned: float = Field(default=0.5, ge=0)
    split: float = Field(default=0.3, ge=0)
    walking: float = Field(default=0.01, ge=0)
    waiting: float = Field(default=1.0, ge=0)
    near_cutoff: float = Field(default=2.0, ge=0)
    cutoff_hours: float = Field(default=2.0, ge=0)


class ShiftFile(Strict):
    """People at work: so many in these hours of the week, less the breaks, but not on their days off."""

    people: int = Field(default=1, ge=1, le=1_000)
    hours: dict[Weekday, list[Span]] = Field(min_length=1)
    breaks: list[Span] = []
    days_off: tuple[Annotated[str, AfterValidator(_day)], ...] = ()


class HandlingFile(Strict):
    """Seconds of one person's work for one unit; seating and turning over stand with each station."""

    pull: float = Field(default=0.0, ge=0)
    look: float = Field(default=0.0, ge=0)
    inspect: float = Field(default=0.0, ge=0)
    wipe: float = Field(default=0.0, ge=0)
    bag: float = Field(default=0.0, ge=0)
    box: float = Field(default=0.0, ge=0)


#: A time of day, as in "16:00".
TimeOfDay = Annotated[str, Field(pattern=TIME_FORM)]


class CarrierFile(Strict):
    """The carrier's cut-off by day, and what packing needs between a boxed unit and it."""

    packing_minutes: float = Field(default=0.0, ge=0, le=1_440)
    cutoffs: dict[Weekday, TimeOfDay] = Field(min_length=1)


class PolicyFile(Strict):
    stroke_lines: float = Field(default=1.5, ge=0)
    open_lines: float = Field(default=0.5, ge=0)
    bolder_note: float = Field(default=1.5, ge=1)
    bolder_review: float = Field(default=4.0, ge=1)
    review_height_mm: float = Field(default=2.0, ge=0)
    max_graphemes_per_line: int = Field(default=40, ge=1)
    max_graphemes: int = Field(default=200, ge=1)
    code_cell_lines: float = Field(default=3.0, ge=1)
    time_zone: Annotated[str, AfterValidator(_zone)] = "UTC"
    days_off: tuple[Annotated[str, AfterValidator(_day)], ...] = ()
    shifts: list[ShiftFile] = []
    handling: HandlingFile = HandlingFile()
    carrier: CarrierFile | None = None
    plan: PlanFile = PlanFile()


class BinFile(Strict):
    bin: Name
    walking_order: int
    boxed: dict[Name, Annotated[int, Field(ge=0, le=100_000)]]


class BinsFile(Strict):
    bin: list[BinFile]


#: The folders of a catalogue and the schema of the files in each.
KINDS: Mapping[str, type[Strict]] = {
    "artwork": ArtworksFile,
    "blades": BladeFile,
    "fonts": FontsFile,
    "plates": PlateFile,
    "policy": PolicyFile,
    "processes": ProcessesFile,
    "products": ProductsFile,
    "stations": StationFile,
    "stock": BinsFile,
}


def json_schemas() -> dict[str, dict[str, Any]]:
    """JSON Schema (2020-12) of every kind, for editors and other programs; by folder name."""
    return {
        kind: {"$schema": "https://json-schema.org/draft/2020-12/schema", **model.model_json_schema()}
        for kind, model in KINDS.items()
    }
