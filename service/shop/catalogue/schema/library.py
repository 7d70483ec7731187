"""The schemas of fonts and of the library of marks."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from service.shop.catalogue.schema.forms import Name, Strict, Words, key


class FontFile(Strict):
    """A font that is offered. Its strokes and counters are measured once and kept in the data folder."""

    font: Name = key("Its name in other files and in orders", "lato-bold")
    name: Words = key("Its name for people", "Lato Bold")
    kind: Literal["outline", "single_line"] = key(
        "Letters with an outline, or drawn of single lines", "outline"
    )
    style: Words = key("A word for the desk's list", "sans")
    licence: Words = key("Its licence", "OFL-1.1")
    package: Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")] | None = key(
        "The installed Python package that it comes from; left out: the file lies in this folder, a TTF or "
        "OTF of up to 1 MB",
        "fontpkg_lato",
        default=None,
    )
    file: Annotated[str, Field(pattern=r"^[A-Za-z0-9_\[\],./-]+$")] = key(
        "The file in that package, or in this folder", "files/Lato-Bold.ttf"
    )
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] = key(
        "The file's digest. After an update look at the font, then pin its new digest",
        "8a0aace75d33794eece4b28187bfc1df0bbd2888b5d8a56e01788c8d65d16be1",
    )
    axes: dict[Annotated[str, Field(min_length=4, max_length=4)], float] = key(
        "A fixed value for every axis of a variable font, in the font's own units",
        {"wght": 600},
        unit="times",
        default={},
    )
    height_letter: Annotated[str, Field(max_length=1)] = key(
        "The letter that heights are measured by, where the font has neither H nor x",
        "\u0b95",
        default="",
    )

    @model_validator(mode="after")
    def _safe(self) -> FontFile:
        if ".." in self.file or self.file.startswith("/"):
            raise ValueError("the font file must lie inside its wheel")
        if self.kind == "single_line" and self.package is None:
            raise ValueError("a single-line font names its package, HersheyFonts")
        if self.kind == "single_line" and self.axes:
            raise ValueError("a single-line font has no axes")
        if self.kind == "single_line" and self.height_letter:
            raise ValueError("the height of a single-line font is given by its data")
        return self


class FontsFile(Strict):
    """The fonts that are offered."""

    font: list[FontFile] = key(
        "Each a table [[font]]",
        [
            {
                "font": "lato-bold",
                "name": "Lato Bold",
                "kind": "outline",
                "style": "sans",
                "licence": "OFL-1.1",
                "package": "fontpkg_lato",
                "file": "files/Lato-Bold.ttf",
                "sha256": "8a0aace75d33794eece4b28187bfc1df0bbd2888b5d8a56e01788c8d65d16be1",
            }
        ],
        min_length=1,
    )


class ArtworkFile(Strict):
    """A mark of the shop's library."""

    artwork: Name = key("Its name in orders", "leaf")
    name: Words = key("Its name for people", "Leaf")
    use: Literal["mark", "symbol", "frame"] = key(
        "mark: by itself; symbol: goes with words; frame: for initials", "symbol"
    )
    file: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+\.svg$")] = key(
        "An SVG in this folder, in millimetres, of filled paths alone", "leaf.svg", names="drawings"
    )
    initials_box_mm: tuple[float, float, float, float] | None = key(
        "Where a frame's initials go: x and y of two corners, y up; for frames alone",
        [4.6, 5.6, 15.4, 14.4],
        unit="mm",
        default=None,
    )

    @model_validator(mode="after")
    def _boxed(self) -> ArtworkFile:
        if (self.use == "frame") != (self.initials_box_mm is not None):
            raise ValueError("a frame, and only a frame, has initials_box_mm")
        return self


class ArtworksFile(Strict):
    """The list of the library's marks; the drawings lie beside it. The folder may be left out."""

    artwork: list[ArtworkFile] = key(
        "Each a table [[artwork]]",
        [{"artwork": "leaf", "name": "Leaf", "use": "symbol", "file": "leaf.svg"}],
        default=[],
    )
