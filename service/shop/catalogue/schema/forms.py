"""What keys are made of: forms of values, units, and a key's own words."""

from __future__ import annotations

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
FaceName = Literal["mark_side", "pile_side", "spine", "bolster", "handle"]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
#: Part of a day, as in "08:00-12:30"; "24:00" ends a day.
Span = Annotated[str, Field(pattern=SPAN_FORM)]
#: A time of day, as in "16:00".
TimeOfDay = Annotated[str, Field(pattern=TIME_FORM)]

Unit = Literal[
    "mm",
    "degrees",
    "seconds",
    "minutes",
    "hours",
    "days",
    "mm/s",
    "mm/s²",
    "%",
    "kHz",
    "capital heights",
    "line widths",
    "times",
    "count",
    "cost",
    "share",
    "days",
    "weeks",
    "millimetres and degrees",
    "pixels",
]


#: What a key names elsewhere in the description: pages offer what is there.
Named = Literal[
    "blades",
    "products",
    "plates",
    "stations",
    "processes",
    "fonts",
    "zones",
    "slots",
    "keep-outs",
    "drawings",
    "photos",
    "materials",
    "finishes",
]


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


def key(
    means: str,
    example: Any,
    *,
    unit: Unit | None = None,
    names: Named | None = None,
    default: Any = ...,
    **limits: Any,
) -> Any:
    """A key of a file: what it means to a maker, an example of its value, the unit of a number, and of what
    else it says the name. Without a default it must be given."""
    extra: Any = {name: said for name, said in (("unit", unit), ("names", names)) if said} or None
    return Field(default, description=means, examples=[example], json_schema_extra=extra, **limits)


def distinct(values: list[Any]) -> list[Any]:
    if len(set(values)) < len(values):
        raise ValueError("the same thing stands twice")
    return values


#: Points of an inspection, in the words that stand on the page.
Inspect = Annotated[list[Words], AfterValidator(distinct)]


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


Day = Annotated[str, AfterValidator(_day)]
DayInForm = Annotated[str, Field(pattern=DAY_FORM), AfterValidator(_day)]
TimeZone = Annotated[str, AfterValidator(_zone)]


class Shape(Strict):
    """A closed shape, in mm, y up, given in exactly one of four ways."""

    path: Path | None = key(
        "SVG path data, but with y up; in an arc the sweep flag 0 runs clockwise",
        "M 0 0 L 40 0 L 40 9 Z",
        default=None,
    )
    points: Annotated[list[Point], Field(min_length=3, max_length=5000)] | None = key(
        "Corners, x and y of each", [[0, 0], [40, 0], [40, 9]], unit="mm", default=None
    )
    circle: tuple[float, float, float] | None = key(
        "x and y of the middle, and the radius", [10, 13, 5], unit="mm", default=None
    )
    rect: tuple[float, float, float, float] | None = key(
        "x and y of one corner, and of the opposite one", [4, -14, 74, 20], unit="mm", default=None
    )

    @model_validator(mode="after")
    def _one(self) -> Shape:
        if sum(v is not None for v in (self.path, self.points, self.circle, self.rect)) != 1:
            raise ValueError("give exactly one of path, points, circle, rect")
        return self


class CurvePath(Strict):
    """A baseline may also be a curve, `{ path = ... }`."""

    path: Path = key("SVG path data, but with y up: one open line", "M 82 14.5 C 110 14.4 142 12.2 172 6.2")
