"""The schemas of stations and of their processes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from service.shop.catalogue.schema.forms import (
    COLOUR_FORM,
    LAYER_FORM,
    DayInForm,
    Name,
    Span,
    Strict,
    Weekday,
    Words,
    distinct,
    key,
)


def _an_axis(scale: float) -> float:
    """A station's axis may be flipped and a little long or short, never nought."""
    if not 0.5 <= abs(scale) <= 2.0:
        raise ValueError("an axis is scaled by 0.5 to 2; a minus flips it")
    return scale


Axis = Annotated[float, AfterValidator(_an_axis)]


class LayerFile(Strict):
    """How a station's software tells a process's lines from others."""

    layer: Annotated[str, Field(pattern=LAYER_FORM)] = key(
        "Name of the layer or group in the file", "DEEP-SATIN"
    )
    colour: Annotated[str, Field(pattern=COLOUR_FORM)] = key("Colour of the lines", "#7a3b12")


class RoutineFile(Strict):
    """Something to be checked, cleaned or tried at a station. Lens and filter: beam off and key out first, by
    the maker's manual and your local rules."""

    routine: Name = key("Its name in the log; keep it when you change the words", "lens")
    name: Words = key("Its name for people", "Clean the lens")
    how: Annotated[str, Field(max_length=1000)] = key(
        "What to do, as it is said at the bench",
        "Beam off, key out. Blow the dust off, then one wipe with a new tissue.",
        default="",
    )
    every: Literal["day", "week", "hours", "process"] = key(
        "How often: every working day, every week, by hours burned, or on scrap before the first burn of a "
        "process that was not burned there for a while",
        "hours",
    )
    hours: float | None = key(
        'Hours burned since it was done, with every = "hours"',
        40,
        unit="hours",
        default=None,
        gt=0,
        le=10_000,
    )
    unused_days: float | None = key(
        'After how many days without a burn a process counts as new, with every = "process"',
        14,
        unit="days",
        default=None,
        gt=0,
        le=3_650,
    )
    stops: bool = key(
        "Whether the station stops while it is due or was found not ok: no load is given out there, no turn "
        "is started. Otherwise people are told, and go on",
        example=True,
        default=False,
    )
    if_not_ok: Annotated[str, Field(max_length=1000)] = key(
        "What to do when something is wrong", "Don't burn. Put the spare lens in, and tell Ines.", default=""
    )

    @model_validator(mode="after")
    def _interval(self) -> RoutineFile:
        for name, every in (("hours", "hours"), ("unused_days", "process")):
            if (getattr(self, name) is not None) != (self.every == every):
                raise ValueError(f'{name} belongs to every = "{every}", and only to that')
        return self


class StationFile(Strict):
    """A laser: its field, its focus, what it can mount. One file for each."""

    station: Name = key("Its name in other files", "north")
    name: Words = key("Its name for people", "North station")
    field_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]] = key(
        "Width and height of the field", [420, 310], unit="mm"
    )
    origin: Literal["centre", "lower_left"] = key("Where the field's coordinates begin", "centre")
    spot_mm: float = key("Diameter of the spot", 0.05, unit="mm", gt=0, le=1)
    focus_mm: float = key("Height of the head that focuses on a plate's datum", 254.0, unit="mm")
    jump_speed_mm_s: float = key("Speed between lines, for the estimate alone", 4000, unit="mm/s", gt=0)
    acceleration_mm_s2: float = key("Acceleration, for the estimate alone", 80000, unit="mm/s²", gt=0)
    formats: Annotated[list[Literal["svg", "dxf", "pdf"]], Field(min_length=1), AfterValidator(distinct)] = (
        key("What its software reads, the preferred format first", ["svg", "dxf"])
    )
    fill: Literal["rows", "outline"] = key(
        "rows: files carry the rows; outline: filled outlines, for software that fills by itself", "rows"
    )
    axes: tuple[Axis, Axis] = key(
        "Scale of the station's own x and y: a minus where one is flipped, 1.002 where it is a little long",
        [-1, 1.002],
        unit="times",
        default=(1.0, 1.0),
    )
    load_seconds_per_slot: float = key("Time to seat a unit", 20, unit="seconds", default=20.0, ge=0)
    turn_seconds_per_slot: float = key("Time to turn a unit over", 12, unit="seconds", default=12.0, ge=0)
    plate_change_seconds: float = key("Time to change the plate", 90, unit="seconds", default=0.0, ge=0)
    process_change_seconds: float = key("Time to set another process", 30, unit="seconds", default=0.0, ge=0)
    hours: dict[Weekday, list[Span]] = key(
        "When somebody is there, by weekday; none: always",
        {"monday": ["08:00-12:00", "13:00-17:00"]},
        default={},
    )
    breaks: list[Span] = key("Parts taken out of every day", ["12:00-12:30"], default=[])
    plates: dict[Name, tuple[float, float, float]] = key(
        "Plates that it can mount, each with where its frame lies: x, y, turn. A measured calibration "
        "takes its place",
        {"long": [-180, -150, 0]},
        unit="millimetres and degrees",
        names="plates",
    )
    layers: dict[Name, LayerFile] = key(
        "By process: what its software expects in a file",
        {"satin-north": {"layer": "DEEP-SATIN", "colour": "#7a3b12"}},
        names="processes",
    )
    centre_layers: dict[Name, LayerFile] = key(
        "The same for centre lines, which have a setting of their own; needed where a process has "
        "centre_line_passes",
        {"satin-north": {"layer": "DEEP-SATIN-CENTRE", "colour": "#b3541e"}},
        names="processes",
        default={},
    )
    routines: list[RoutineFile] = key(
        "What is checked there, and how often, each a table [[routines]]",
        [{"routine": "lens", "name": "Clean the lens", "every": "hours", "hours": 40}],
        default=[],
        max_length=50,
    )

    @model_validator(mode="after")
    def _routines_once(self) -> StationFile:
        distinct([one.routine for one in self.routines])
        return self


class RowsFile(Strict):
    """How letters are filled."""

    spacing_mm: float = key("Distance of the rows", 0.025, unit="mm", gt=0, le=1)
    angle_deg: float = key("Their angle to the face's x", 45, unit="degrees")
    crossed: bool = key("Whether a second set runs at right angles", example=False)


class TestCardFile(Strict):
    """The card that was burned with exactly this recipe. Edit the recipe, and take the card out: it proves
    the old one."""

    __test__ = False

    date: DayInForm = key("When it was burned", "2026-09-02")
    by: Words = key("Who burned it", "I. Marlowe")
    note: Annotated[str, Field(max_length=500)] = key("What was seen", "wiped, no rust seen", default="")
    isolated_lines: bool = key(
        "Whether single lines stand on the card beside filled bars, and were looked at: only then are "
        "centre lines burned",
        example=True,
        default=False,
    )


class ProcessFile(Strict):
    """A recipe of one station for one material and finish."""

    process: Name = key("Its name in other files", "satin-north")
    station: Name = key("The station that it is for", "north", names="stations")
    material: Name = key("The material that it is for", "stainless_4116", names="materials")
    finish: Name = key(
        "The finish that it is for: one process for each of a station's surfaces", "satin", names="finishes"
    )
    power_percent: float = key("Set at the laser; the file does not hold it", 62, unit="%", gt=0, le=100)
    speed_mm_s: float = key("Set at the laser; the file does not hold it", 620, unit="mm/s", gt=0)
    frequency_khz: float | None = key(
        "Set at the laser; left out for a laser without one", 45, unit="kHz", default=None, gt=0
    )
    rows: RowsFile = key("How letters are filled", {"spacing_mm": 0.025, "angle_deg": 45, "crossed": False})
    edge_line: bool = key("Whether the edge is burned as a line", example=True)
    edge_allowance_mm: float = key(
        "How far inside the outline the beam's middle stays", 0.02, unit="mm", ge=0, le=1
    )
    repeats: int = key("How often everything is burned", 2, unit="count", ge=1, le=50)
    line_width_mm: float = key(
        "Width of a burned line, measured on the test card; every check counts with it",
        0.052,
        unit="mm",
        gt=0,
        le=2,
    )
    focus_tolerance_mm: float = key(
        "How far a surface may lie above or below the focus", 1.2, unit="mm", gt=0, le=20
    )
    centre_line_passes: int = key(
        "How often a stroke's centre line is burned where rows and edge leave it without a path; 0: never, "
        "and such strokes are refused. A single line gets about half the energy of a filled area, so it "
        "needs more passes than the fill has repeats",
        4,
        unit="count",
        default=0,
        ge=0,
        le=50,
    )
    test_card: TestCardFile | None = key(
        "The card that proves this recipe; without one, here or on record (the owner's page of test cards), "
        "the process is not used",
        {"date": "2026-09-02", "by": "I. Marlowe", "note": "wiped, no rust seen", "isolated_lines": True},
        default=None,
    )


class ProcessesFile(Strict):
    """Recipes; a folder may have several such files."""

    process: list[ProcessFile] = key(
        "Each a table [[process]]",
        [
            {
                "process": "satin-north",
                "station": "north",
                "material": "stainless_4116",
                "finish": "satin",
                "power_percent": 62,
                "speed_mm_s": 620,
                "rows": {"spacing_mm": 0.025, "angle_deg": 45, "crossed": False},
                "edge_line": True,
                "edge_allowance_mm": 0.02,
                "repeats": 2,
                "line_width_mm": 0.052,
                "focus_tolerance_mm": 1.2,
            }
        ],
    )
