"""A matrix card as it is answered: what to set for each of its layers."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from layout.burn.matrix_card import Cell, Matrix, card_size_mm, cells, label_settings
from service.requests.answers import AnswerBody, OrLeftOut


class CellAnswer(AnswerBody):
    """One square of the card, or its labels: a layer of the file, and what to set for it at the laser."""

    cell: str = Field(description="Row and column as the card is labelled.", examples=["B3"])
    layer: str = Field(description="Its layer in the file.", examples=["CELL-B3"])
    colour: str = Field(description="Its colour in the file.", examples=["#bd4a2a"])
    power_percent: float = Field(description="Power to set, in %.", examples=[35])
    speed_mm_s: float = Field(description="Speed to set, in mm/s.", examples=[800])
    frequency_khz: OrLeftOut[float] = Field(
        default=None, description="Frequency to set, in kHz; left out for a laser without one.", examples=[45]
    )
    spacing_mm: float = Field(
        description="Distance of the rows, in mm: in the file where the station's files carry rows, to be set"
        " where they carry outlines.",
        examples=[0.03],
    )
    repeats: int = Field(description="How often it is burned.", examples=[1])
    dose: float = Field(
        description="Energy for an area, as a multiple of the gentlest square's.", examples=[4.0]
    )


class MatrixCardAnswer(AnswerBody):
    """A card of squares to find a recipe with, by looking."""

    station: str = Field(description="The station that it is for.", examples=["north"])
    material: str = Field(description="Material to burn it on: scrap of it.", examples=["stainless_4116"])
    finish: str = Field(description="That material's finish.", examples=["blasted"])
    code: str = Field(
        description="Six characters of the geometry's digest, as in the files.", examples=["4RNHYW"]
    )
    size_mm: tuple[float, float] = Field(
        description="The scrap that it needs, width and height in mm.", examples=[[68.0, 55.0]]
    )
    rows_of: str = Field(description="What its rows are of: power or spacing.", examples=["power"])
    spacing_is_set: bool = Field(
        description="Whether the distance of rows is to be set at the laser, too.", examples=[False]
    )
    labels: CellAnswer = Field(description="What the labels are proposed to be burned with.")
    cells: tuple[CellAnswer, ...] = Field(description="The squares, the gentlest first, as in the files.")


class AddedFileAnswer(AnswerBody):
    """A file of the shop's description as it would be."""

    name: str = Field(description="Its name in the description.", examples=["processes/north.toml"])
    text: str = Field(description="Its whole text.", examples=['[[process]]\nprocess = "steel-north"\n'])


class ChosenCellAnswer(AnswerBody):
    """A square of a matrix card as a process of the shop's description; nothing was changed."""

    process: str = Field(
        description="The process's name: the asked one, or that of the station's recipe for this surface.",
        examples=["steel-north"],
    )
    files: tuple[AddedFileAnswer, ...] = Field(description="Files that would change.")


def matrix_answer(matrix: Matrix, *, code: str, fills_itself: bool) -> MatrixCardAnswer:
    """The card of a matrix; `fills_itself`: the station's software lays the rows."""
    return MatrixCardAnswer(
        station=matrix.station,
        material=matrix.surface.material,
        finish=matrix.surface.finish,
        code=code,
        size_mm=card_size_mm(matrix),
        rows_of="spacing" if matrix.is_of_spacing else "power",
        spacing_is_set=fills_itself,
        labels=_cell(matrix, label_settings(matrix)),
        cells=tuple(_cell(matrix, cell) for cell in cells(matrix)),
    )


def _cell(matrix: Matrix, cell: Cell) -> CellAnswer:
    return CellAnswer(
        cell=cell.cell,
        layer=cell.style.layer,
        colour=cell.style.colour,
        power_percent=cell.power_percent,
        speed_mm_s=cell.speed_mm_s,
        frequency_khz=matrix.frequency_khz,
        spacing_mm=cell.spacing_mm,
        repeats=matrix.repeats,
        dose=cell.dose,
    )


def settings_rows(card: MatrixCardAnswer) -> list[dict[str, Any]]:
    """The table of settings, labels first, as the layers stand in the files."""
    return [cell.model_dump() for cell in (card.labels, *card.cells)]
