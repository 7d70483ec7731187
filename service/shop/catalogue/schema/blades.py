"""The schema of a blade's file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from service.shop.catalogue.schema.forms import (
    CurvePath,
    FaceName,
    Inspect,
    Name,
    Point,
    Shape,
    Strict,
    Words,
    distinct,
    key,
)

_RECT = {"rect": [4, -14, 74, 20]}
_ZONE = {
    "zone": "heel",
    "polygon": _RECT,
    "baseline": [[4, 2], [74, 2]],
    "kinds": ["text"],
    "fonts": "all",
    "max_lines": 2,
    "min_height_mm": 1.8,
    "max_height_mm": 14,
}


class KeepOutFile(Strict):
    """Where nothing may burn. It may reach beyond the silhouette; only what lies on the blade counts."""

    keep_out: Name = key("Its name, once on its face", "edge bevel")
    reason: Literal["hole", "pivot", "existing_mark", "ground_bevel", "hollow", "edge", "other"] = key(
        "Why nothing may burn there", "ground_bevel"
    )
    shape: Shape = key("Where nothing may burn", {"circle": [10, 13, 5]})


class KeepOutRowFile(KeepOutFile):
    """The same keep-out several times; each gets its number."""

    count: int = key("How many there are", 9, unit="count", ge=2, le=100)
    start: Point = key("By how much the first is moved, x and y", [24, -4], unit="mm")
    step: Point = key("By how much each next one is moved further, x and y", [14, 0], unit="mm")


class ZoneFile(Strict):
    """Where marks may lie, and what may be put there."""

    zone: Name = key("Its name, once in the whole blade: stores order by it", "heel")
    polygon: Shape = key("Where marks may lie; what is off the blade or in a keep-out is taken off", _RECT)
    baseline: Annotated[list[Point], Field(min_length=2, max_length=500)] | CurvePath = key(
        "Where words run, from the first point to the last, with up to their left: points, or { path = ... }",
        [[4, 2], [74, 2]],
        unit="mm",
    )
    kinds: Annotated[
        list[Literal["text", "monogram", "artwork", "code"]], Field(min_length=1), AfterValidator(distinct)
    ] = key("What may be put there; along a curve only text runs", ["text", "monogram"])
    fonts: Literal["all"] | list[Name] = key(
        '"all", or names of the fonts that are offered there', "all", names="fonts"
    )
    max_lines: int = key("The most lines of words", 2, unit="count", ge=1, le=6)
    max_graphemes: int | None = key(
        "The most characters of an inscription there; left out: as many as the policy says",
        24,
        unit="count",
        default=None,
        ge=1,
    )
    characters: Annotated[
        list[Literal["letters", "digits", "punctuation", "symbols"]],
        Field(min_length=1),
        AfterValidator(distinct),
    ] = key(
        "Kinds of characters that words may have there; blanks may always be",
        ["letters", "digits", "punctuation"],
        default=["letters", "digits", "punctuation", "symbols"],
    )
    signs: Annotated[str, Field(max_length=40)] = key(
        "Single characters that are taken besides", "&+♥", default=""
    )
    min_height_mm: float = key("The smallest height of a capital H", 1.8, unit="mm", gt=0, le=50)
    max_height_mm: float = key("The largest height of a capital H", 14, unit="mm", gt=0, le=100)
    edge_margin_mm: float = key(
        "How far every mark stays from the zone's edge", 0.3, unit="mm", default=0.3, ge=0, le=2000
    )
    usual_height_mm: float | None = key(
        "The height where nobody asks for one (artwork, a frame or a code is as tall as two such lines); "
        "left out: the largest that fits",
        5,
        unit="mm",
        default=None,
        gt=0,
        le=100,
    )
    usual_room_mm: float | None = key(
        "How far a mark of the usual height keeps from the zone's edge; left out: the edge margin",
        2,
        unit="mm",
        default=None,
        ge=0,
        le=2000,
    )
    align: Literal["start", "centre", "end"] = key(
        "Where lines begin, and the block where it has room", "centre", default="centre"
    )
    slide: Literal["both", "along", "across", "none"] = key(
        "How far a block may move from its anchor to fit", "both", default="both"
    )
    anchor: Point | None = key(
        "Where a block goes when it has room, x and y; left out: the middle", [6, 0], unit="mm", default=None
    )
    leading: float = key(
        "Distance of two lines' baselines", 1.6, unit="capital heights", default=1.6, ge=1, le=4
    )
    letter_spacing: float = key(
        "Extra distance of letters", 0.05, unit="capital heights", default=0.0, ge=0, le=10
    )
    features: dict[Annotated[str, Field(pattern=r"^[a-z0-9]{4}$")], bool] = key(
        "OpenType features that are switched on or off where a font has them", {"lnum": True}, default={}
    )
    material: Name | None = key(
        "Where the zone is of another material than the product, such as a wooden handle; goes with finish",
        "walnut",
        names="materials",
        default=None,
    )
    finish: Name | None = key("That material's finish", "oiled", names="finishes", default=None)

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
    """A face as the laser sees it: drawn, or the mirror image of a face before it. x runs from heel to tip,
    y from edge to spine."""

    face: FaceName = key("Which side it is", "mark_side")
    silhouette: Shape | None = key(
        "The face's outline; this or mirror_of must be given",
        {"path": "M 0 22 L 0 -22 L 180 -9 Z"},
        default=None,
    )
    rest_of_unit: Shape | None = key(
        "What belongs to the unit beyond the silhouette, such as the handle, joined to it: units on a plate "
        "must not touch",
        {"rect": [-120, -10, 1, 12]},
        default=None,
    )
    mirror_of: FaceName | None = key(
        "Instead of a silhouette: the face before, whose shapes this one has, seen from behind (x "
        "becomes -x)",
        "mark_side",
        default=None,
    )
    leave_out: list[Name] = key(
        "Keep-outs of the mirrored face that are not on this one",
        ["maker's stamp"],
        names="keep-outs",
        default=[],
    )
    handle_deg: float = key(
        "Where the handle points in this face's frame: 0 right, 90 up, 180 left, 270 down",
        180,
        unit="degrees",
        ge=0,
        lt=360,
    )
    keep_out: list[KeepOutFile] = key(
        "Where nothing may burn, each a table [[face.keep_out]]",
        [{"keep_out": "stamp", "reason": "existing_mark", "shape": {"circle": [10, 13, 5]}}],
        default=[],
    )
    keep_out_row: list[KeepOutRowFile] = key(
        "The same keep-out in a row, a table [[face.keep_out_row]]",
        [
            {
                "keep_out": "hollow",
                "reason": "hollow",
                "shape": {"circle": [0, 0, 5]},
                "count": 9,
                "start": [24, -4],
                "step": [14, 0],
            }
        ],
        default=[],
    )
    zone: list[ZoneFile] = key(
        "Where marks may lie, each a table [[face.zone]]",
        [_ZONE],
        min_length=1,
        max_length=8,
    )

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
    """A blade: one shape that several products share. One file for each."""

    blade: Name = key("Its name in other files", "chef-20")
    name: Words = key("Its name for people", "Chef's knife 20 cm")
    bare: bool = key(
        "A bare blade on its way to assembly: it gets house marks, in lots", example=True, default=False
    )
    inspect: Inspect = key(
        "Looked at on every product with this blade before it is boxed, besides what the policy names",
        ["Tip sharp and straight"],
        default=[],
        max_length=20,
    )
    face: list[FaceFile] = key(
        "Its faces, each a table [[face]]",
        [
            {
                "face": "pile_side",
                "mirror_of": "mark_side",
                "handle_deg": 0,
                "zone": [{**_ZONE, "zone": "back"}],
            }
        ],
        min_length=1,
    )
