"""Inscriptions as they are answered: what a buyer asked for, and what a check suggests instead.

They have the fields with which they came in (`service.requests.inscriptions`), so that a suggestion can be
sent back as it is; what was left out stays out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter

from layout.shop.inscriptions import (
    Align,
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
    Size,
    TextInscription,
)
from service.requests.answers import AnswerBody, OrLeftOut

_ZONE = Field(description="Zone of the product.", examples=["ricasso"])
_FONT = Field(description="Font, by its name in the catalogue.", examples=["lato-bold"])
_HEIGHT = Field(
    default=None,
    description="Height of the font's capital H, in mm; left out: `size` decides.",
    examples=[3.0],
)
_SIZE = Field(
    default=None,
    description="`largest`: as large as fits; left out: the zone's usual size, or that given in mm.",
    examples=["largest"],
)
_SAME_SIZE_AS = Field(
    default=None,
    description="Another line of the order whose words are to have the same height.",
    examples=["1"],
)


class TextAnswer(AnswerBody):
    """Words in a zone."""

    zone: str = _ZONE
    kind: Literal["text"] = Field(description="Kind of inscription.", examples=["text"])
    text: str = Field(
        description="The words; U+000A is the buyer's own line break.",
        examples=["Ada\n1815"],
        max_length=1000,
    )
    font: str = _FONT
    height_mm: OrLeftOut[float] = _HEIGHT
    align: OrLeftOut[Align] = Field(
        default=None,
        description="Side that the lines keep to; left out: the zone's own.",
        examples=["centre"],
    )
    breaks: OrLeftOut[Literal["fitted"]] = Field(
        default=None,
        description="`fitted`: further breaks were allowed inside the typed lines; left out: none were.",
        examples=["fitted"],
    )
    size: OrLeftOut[Literal["largest"]] = _SIZE
    same_size_as: OrLeftOut[str] = _SAME_SIZE_AS
    letter_spacing: OrLeftOut[float] = Field(
        default=None,
        description="How far letters are moved apart, in heights of the font's capital H; left out: not.",
        examples=[0.05],
    )

    @property
    def words(self) -> str:
        """What a person would say that it reads."""
        return self.text


class MonogramAnswer(AnswerBody):
    """One to three initials, in a frame or in none."""

    zone: str = _ZONE
    kind: Literal["monogram"] = Field(description="Kind of inscription.", examples=["monogram"])
    initials: str = Field(description="The initials.", examples=["AL"])
    font: str = _FONT
    frame: OrLeftOut[str] = Field(
        default=None, description="Frame, by its name in the catalogue.", examples=["round-frame"]
    )
    height_mm: OrLeftOut[float] = _HEIGHT
    size: OrLeftOut[Literal["largest"]] = _SIZE
    same_size_as: OrLeftOut[str] = _SAME_SIZE_AS

    @property
    def words(self) -> str:
        """What a person would say that it reads."""
        return self.initials


class ArtworkAnswer(AnswerBody):
    """A mark of the shop's library."""

    zone: str = _ZONE
    kind: Literal["artwork"] = Field(description="Kind of inscription.", examples=["artwork"])
    artwork: str = Field(description="The mark, by its name in the catalogue.", examples=["oak-leaf"])
    width_mm: OrLeftOut[float] = Field(
        default=None, description="Its width in mm; left out: `size` decides.", examples=[8.0]
    )
    size: OrLeftOut[Literal["largest"]] = _SIZE

    @property
    def words(self) -> str:
        """What a person would call it."""
        return self.artwork


class CodeAnswer(AnswerBody):
    """A two-dimensional code."""

    zone: str = _ZONE
    kind: Literal["code"] = Field(description="Kind of inscription.", examples=["code"])
    symbology: Literal["qr", "datamatrix"] = Field(
        description="QR Code (ISO/IEC 18004) or Data Matrix (ISO/IEC 16022).", examples=["datamatrix"]
    )
    content: str = Field(description="What the code says.", examples=["AQ-000123"])
    cell_mm: OrLeftOut[float] = Field(
        default=None, description="Size of one module in mm; left out: `size` decides.", examples=[0.4]
    )
    size: OrLeftOut[Literal["largest"]] = _SIZE

    @property
    def words(self) -> str:
        """What a scanner would read."""
        return self.content


InscriptionAnswer = Annotated[
    TextAnswer | MonogramAnswer | ArtworkAnswer | CodeAnswer, Field(discriminator="kind")
]
_STORED: TypeAdapter[InscriptionAnswer] = TypeAdapter(InscriptionAnswer)


def inscription_answer(inscription: Inscription) -> InscriptionAnswer:
    """An inscription as it is answered."""
    match inscription:
        case TextInscription():
            return TextAnswer(
                zone=inscription.zone,
                kind="text",
                text=inscription.text,
                font=inscription.font,
                height_mm=inscription.height_mm,
                align=inscription.align,
                breaks="fitted" if inscription.breaks == "fitted" else None,
                size=_size(inscription.size, inscription.height_mm),
                same_size_as=inscription.same_size_as,
                letter_spacing=inscription.letter_spacing or None,
            )
        case MonogramInscription():
            return MonogramAnswer(
                zone=inscription.zone,
                kind="monogram",
                initials=inscription.initials,
                font=inscription.font,
                frame=inscription.frame,
                height_mm=inscription.height_mm,
                size=_size(inscription.size, inscription.height_mm),
                same_size_as=inscription.same_size_as,
            )
        case ArtworkInscription():
            return ArtworkAnswer(
                zone=inscription.zone,
                kind="artwork",
                artwork=inscription.artwork,
                width_mm=inscription.width_mm,
                size=_size(inscription.size, inscription.width_mm),
            )
        case CodeInscription():
            return CodeAnswer(
                zone=inscription.zone,
                kind="code",
                symbology=inscription.symbology,
                content=inscription.content,
                cell_mm=inscription.cell_mm,
                size=_size(inscription.size, inscription.cell_mm),
            )


def stored_inscription(stored: Mapping[str, Any]) -> InscriptionAnswer:
    """An inscription as a row keeps it."""
    return _STORED.validate_python(stored)


def _size(size: Size, given_mm: float | None) -> Literal["largest"] | None:
    """Nothing is said of the usual size, nor beside a size that is given."""
    return "largest" if size == "largest" and not given_mm else None
