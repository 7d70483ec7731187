"""The schema of every kind of catalogue file: unknown keys are refused, numbers have their ranges."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.'#-]{0,59}$")]
Point = tuple[float, float]
Mm = Annotated[float, Field(ge=0, le=2000)]
Fraction = Annotated[float, Field(ge=0, le=10)]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Shape(Strict):
    """Exactly one way to give a closed shape, in mm, y up."""

    path: str | None = None
    points: list[Point] | None = None
    circle: tuple[float, float, float] | None = None
    rect: tuple[float, float, float, float] | None = None

    @model_validator(mode="after")
    def _one(self) -> Shape:
        if sum(v is not None for v in (self.path, self.points, self.circle, self.rect)) != 1:
            raise ValueError("give exactly one of path, points, circle, rect")
        return self


class CurvePath(Strict):
    path: str


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
    baseline: list[Point] | CurvePath
    kinds: list[Literal["text", "monogram", "artwork", "code"]] = Field(min_length=1)
    fonts: Literal["all"] | list[Name]
    max_lines: int = Field(ge=1, le=6)
    min_height_mm: float = Field(gt=0, le=50)
    max_height_mm: float = Field(gt=0, le=100)
    edge_margin_mm: Mm = 0.3
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
        return self


class FaceFile(Strict):
    face: Literal["mark_side", "pile_side", "spine", "bolster", "handle"]
    silhouette: Shape | None = None
    mirror_of: str | None = None
    handle_deg: float = Field(ge=0, lt=360)
    keep_out: list[KeepOutFile] = []
    keep_out_row: list[KeepOutRowFile] = []
    zone: list[ZoneFile] = Field(min_length=1, max_length=8)

    @model_validator(mode="after")
    def _drawn(self) -> FaceFile:
        if (self.silhouette is None) == (self.mirror_of is None):
            raise ValueError("give either silhouette or mirror_of")
        return self


class BladeFile(Strict):
    blade: Name
    name: str
    bare: bool = False
    face: list[FaceFile] = Field(min_length=1)


class ProductFile(Strict):
    sku: Name
    name: str
    barcodes: list[Annotated[str, Field(pattern=r"^[0-9]{8,14}$")]]
    blade: Name
    material: Name
    finish: Name


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
    blade: Name
    face: str
    pose: PoseFile
    play: PlayFile


class PlateFile(Strict):
    plate: Name
    name: str
    size_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    copies: list[Name] = Field(min_length=1)
    slot_outline: Shape
    fiducials: list[Point] = Field(min_length=2, max_length=9)
    slots: list[tuple[Name, float, float, float]] = Field(min_length=1, max_length=200)
    seat: list[SeatFile] = Field(min_length=1)


class LayerFile(Strict):
    layer: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,40}$")]
    colour: Annotated[str, Field(pattern=r"^#[0-9a-f]{6}$")]


class StationFile(Strict):
    station: Name
    name: str
    field_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    origin: Literal["centre", "lower_left"]
    spot_mm: float = Field(gt=0, le=1)
    focus_mm: float
    jump_speed_mm_s: float = Field(gt=0)
    acceleration_mm_s2: float = Field(gt=0)
    formats: list[Literal["svg", "dxf", "pdf"]] = Field(min_length=1)
    fill: Literal["rows", "outline"]
    load_seconds_per_slot: float = Field(default=20.0, ge=0)
    turn_seconds_per_slot: float = Field(default=12.0, ge=0)
    plates: dict[Name, tuple[float, float, float]]
    layers: dict[Name, LayerFile]


class RowsFile(Strict):
    spacing_mm: float = Field(gt=0, le=1)
    angle_deg: float
    crossed: bool


class TestCardFile(Strict):
    __test__ = False

    date: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]
    by: str
    note: str = ""


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
    test_card: TestCardFile | None = None


class ProcessesFile(Strict):
    process: list[ProcessFile]


class FontFile(Strict):
    font: Name
    name: str
    kind: Literal["outline", "single_line"]
    style: str
    licence: str
    package: str
    file: str
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    axes: dict[Annotated[str, Field(min_length=4, max_length=4)], float] = {}


class FontsFile(Strict):
    font: list[FontFile] = Field(min_length=1)


class ArtworkFile(Strict):
    artwork: Name
    name: str
    use: Literal["mark", "symbol", "frame"]
    file: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+\.svg$")]
    initials_box_mm: tuple[float, float, float, float] | None = None


class ArtworksFile(Strict):
    artwork: list[ArtworkFile] = []


class PolicyFile(Strict):
    stroke_lines: float = Field(default=1.5, ge=0)
    counter_lines: float = Field(default=2.0, ge=0)
    gap_lines: float = Field(default=1.0, ge=0)
    review_height_mm: float = Field(default=2.0, ge=0)
    max_graphemes_per_line: int = Field(default=40, ge=1)
    max_graphemes: int = Field(default=200, ge=1)
    code_cell_lines: float = Field(default=3.0, ge=1)


class BinFile(Strict):
    bin: Name
    walking_order: int
    boxed: dict[Name, Annotated[int, Field(ge=0, le=100_000)]]


class BinsFile(Strict):
    bin: list[BinFile]
