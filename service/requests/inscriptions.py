"""Inscriptions as they come over the wire, their limits, and the values they become.

One model for the HTTP surface, the CSV import and the command line. What a customer may write is limited here
in size only; whether it can be engraved is the check's business, because a paid order is never dropped.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    model_validator,
)

from layout.shop.inscriptions import (
    ArtworkInscription,
    CodeInscription,
    MonogramInscription,
    TextInscription,
)

#: Far beyond what any blade takes; the check's own limits are lower and give findings.
LONGEST_TEXT = 1000


def storable(text: str) -> str:
    """Refuse what no database and no UTF-8 file can hold."""
    if "\x00" in text:
        raise ValueError("holds U+0000")
    if any(0xD800 <= ord(char) <= 0xDFFF for char in text):
        raise ValueError("holds half of a character (a lone surrogate)")
    return text


#: Moments outside these years are slips of the pen, and no calendar arithmetic holds near its own end.
EARLIEST, LATEST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


def plausible(moment: datetime) -> datetime:
    """The moment in UTC. Raises ValueError outside EARLIEST ... LATEST."""
    if not EARLIEST <= moment < LATEST:
        raise ValueError(f"must lie in the years {EARLIEST.year} to {LATEST.year - 1}")
    return moment.astimezone(UTC)


Moment = Annotated[AwareDatetime, AfterValidator(plausible)]
Words = Annotated[str, Field(max_length=LONGEST_TEXT), AfterValidator(storable)]
Name = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(storable)]
Ref = Annotated[str, Field(min_length=1, max_length=100), AfterValidator(storable)]
#: JSON's own numbers and truth values: `true` is no 1, and "1" is a text.
Whole = Annotated[int, Field(strict=True)]
Decimal = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Truth = Annotated[bool, Field(strict=True)]
Size = Annotated[Decimal, Field(gt=0, le=500)]


class Strict(BaseModel):
    """Unknown fields are refused: a misspelt field must not be lost in silence."""

    model_config = ConfigDict(extra="forbid", frozen=True)


SizeIn = Literal["usual", "largest"]


class Sized(Strict):
    """An inscription whose size is given in mm, or is the zone's usual one (also when nothing is said), or is
    the largest that fits."""

    size: SizeIn | None = Field(
        default=None,
        description="Where no size in mm is given: the place's usual one, which left out means too, or the"
        " largest that fits.",
        examples=["usual"],
    )

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        in_mm = any(getattr(self, name, None) is not None for name in ("height_mm", "width_mm", "cell_mm"))
        if self.size is not None and in_mm:
            raise ValueError("size is for inscriptions without a size in mm")
        return self


class TextIn(Sized):
    zone: Name = Field(description="The place, as the catalogue names it.", examples=["flat"])
    kind: Literal["text"] = Field(default="text", description="Words; may be left out.", examples=["text"])
    text: Words = Field(
        description="The words as typed; U+000A is the buyer's own line break.", examples=["Ada"]
    )
    font: Name = Field(description="The font, as the catalogue names it.", examples=["lato-bold"])
    height_mm: Size | None = Field(
        default=None, description="Height of the font's capital H, in mm.", examples=[4.0]
    )
    align: Literal["start", "centre", "end"] | None = Field(
        default=None, description="Where lines begin; left out: the zone's own.", examples=["centre"]
    )
    breaks: Literal["as_typed", "fitted"] = Field(
        default="as_typed", description="`fitted` allows further line breaks.", examples=["as_typed"]
    )
    same_size_as: Ref | None = Field(
        default=None, description="A line of the order: both get one height, the smaller.", examples=["1"]
    )
    letter_spacing: Annotated[Decimal, Field(ge=0, le=0.5)] = Field(
        default=0.0,
        # An order that was first posted before letters could be moved is still the same order.
        exclude_if=lambda spacing: spacing == 0,
        description="How far letters are moved apart, in heights of the font's capital H, on top of what the"
        " place does by itself. Joined letters stay joined.",
        examples=[0.05],
    )

    def value(self) -> TextInscription:
        return TextInscription(
            self.zone,
            self.text,
            self.font,
            self.height_mm,
            self.align,
            self.breaks,
            self.size or "usual",
            self.same_size_as,
            self.letter_spacing,
        )


class MonogramIn(Sized):
    zone: Name = Field(description="The place, as the catalogue names it.", examples=["flat"])
    kind: Literal["monogram"] = Field(description="A monogram.", examples=["monogram"])
    initials: Words = Field(description="The letters.", examples=["ABC"])
    font: Name = Field(description="The font, as the catalogue names it.", examples=["lato-bold"])
    frame: Name | None = Field(
        default=None,
        description="A frame around it, as the catalogue names it; left out: none.",
        examples=["ring"],
    )
    height_mm: Size | None = Field(
        default=None, description="Height of the font's capital H, in mm.", examples=[6.0]
    )
    same_size_as: Ref | None = Field(
        default=None, description="A line of the order: both get one height, the smaller.", examples=["1"]
    )

    def value(self) -> MonogramInscription:
        return MonogramInscription(
            self.zone,
            self.initials,
            self.font,
            self.frame,
            self.height_mm,
            self.size or "usual",
            self.same_size_as,
        )


class ArtworkIn(Sized):
    zone: Name = Field(description="The place, as the catalogue names it.", examples=["flat"])
    kind: Literal["artwork"] = Field(description="A drawing of the shop's own.", examples=["artwork"])
    artwork: Name = Field(description="The drawing, as the catalogue names it.", examples=["leaf"])
    width_mm: Size | None = Field(default=None, description="Its width, in mm.", examples=[8.0])

    def value(self) -> ArtworkInscription:
        return ArtworkInscription(self.zone, self.artwork, self.width_mm, self.size or "usual")


class CodeIn(Sized):
    zone: Name = Field(description="The place, as the catalogue names it.", examples=["flat"])
    kind: Literal["code"] = Field(description="A code for machines to read.", examples=["code"])
    symbology: Literal["qr", "datamatrix"] = Field(description="Which code.", examples=["datamatrix"])
    content: Words = Field(description="What it says.", examples=["AQ-000417"])
    cell_mm: Size | None = Field(default=None, description="Width of one cell, in mm.", examples=[0.4])

    def value(self) -> CodeInscription:
        return CodeInscription(self.zone, self.symbology, self.content, self.cell_mm, self.size or "usual")


def _kind(given: Any) -> str:
    """`kind` may be left out for text."""
    kind = given.get("kind", "text") if isinstance(given, dict) else getattr(given, "kind", "text")
    return kind if isinstance(kind, str) else "text"


InscriptionIn = Annotated[
    Annotated[TextIn, Tag("text")]
    | Annotated[MonogramIn, Tag("monogram")]
    | Annotated[ArtworkIn, Tag("artwork")]
    | Annotated[CodeIn, Tag("code")],
    Discriminator(_kind),
]
#: The most places of a unit that are engraved.
MOST_INSCRIPTIONS = 8
InscriptionsIn = Annotated[list[InscriptionIn], Field(min_length=1, max_length=MOST_INSCRIPTIONS)]
