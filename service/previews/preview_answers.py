"""Previews as they are answered, and what may be tried on a product."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from layout.shop.findings import Severity, Verdict
from service.requests.answers import AnswerBody, Moment, OrLeftOut
from service.requests.inscription_answers import InscriptionAnswer

Language = Literal["en", "de"]
_SVG = '<svg xmlns="http://www.w3.org/2000/svg"/>'
_LANGUAGE = Field(description="The language of its sentences and names.", examples=["en"])


class BuyersFindingAnswer(AnswerBody):
    """One thing to tell the buyer; what does not apply is left out."""

    code: str = Field(description="What it is: a stable name, as a check's.", examples=["missing_glyph"])
    severity: Severity = Field(
        description="`refuse` stops the mark, `review` asks a person of the shop, `note` only tells.",
        examples=["refuse"],
    )
    inscription: OrLeftOut[int] = Field(
        default=None, description="Index of the inscription that it is about, from 0.", examples=[0]
    )
    span: OrLeftOut[tuple[int, int]] = Field(
        default=None,
        description="Characters that it is about: first and one past the last, counted from 0 in grapheme"
        " clusters of the NFC text.",
        examples=[[4, 5]],
    )
    message: str = Field(
        description="The same in a sentence for the buyer.",
        examples=["This font doesn't have every character: ♥"],
    )


class SizeAnswer(AnswerBody):
    """How large an inscription is on the product."""

    inscription: int = Field(description="Its index, from 0.", examples=[0])
    zone: str = Field(description="Its place.", examples=["flat"])
    face: str = Field(description="The face that the place is on.", examples=["mark_side"])
    lines: tuple[str, ...] = Field(description="The words as they were set.", examples=[["Ada"]])
    height_mm: float = Field(
        description="Capital height; of artwork the width, of a code the size of a module.", examples=[3.0]
    )
    width_mm: float = Field(description="How wide the whole mark is on its face.", examples=[12.4])
    message: str = Field(
        description="The same in words.", examples=["Capitals 3 mm tall; 12.4 mm wide in all"]
    )


class SuggestedAnswer(AnswerBody):
    """What could be engraved instead."""

    inscriptions: tuple[InscriptionAnswer, ...] = Field(
        description="All inscriptions, as they are to be sent."
    )
    changes: int = Field(description="Index of the one that is another, from 0.", examples=[0])
    height_mm: float = Field(
        description="Its capital height; of artwork the width, of a code the size of a module.",
        examples=[2.6],
    )
    message: str = Field(description="What is other about it.", examples=["In 2 lines"])
    picture: str = Field(description="The mark near, as burned, as SVG.", examples=[_SVG])


class PreviewAnswer(AnswerBody):
    """Words tried on a product, as their buyer sees them."""

    sku: str = Field(description="The product.", examples=["AQ-PARER-OAK"])
    language: Language = _LANGUAGE
    verdict: Verdict = Field(
        description="`accept`: can be engraved; `review`: a person looks first; `refuse`: can't be engraved.",
        examples=["accept"],
    )
    message: str = Field(
        description="The verdict in a sentence for the buyer.", examples=["This can be engraved as shown."]
    )
    findings: tuple[BuyersFindingAnswer, ...] = Field(description="Everything that there is to tell.")
    sizes: tuple[SizeAnswer, ...] = Field(description="How large what can be engraved is.")
    pictures: dict[str, str] = Field(
        description="By face, the product with its marks as burned, as SVG; what is refused is not on it.",
        examples=[{"mark_side": _SVG}],
    )
    suggestions: tuple[SuggestedAnswer, ...] = Field(
        description="Up to three, nearest to what was asked for first."
    )
    token: str | None = Field(
        description="Says that the service showed this mark; goes into the order as the line's `preview`. It"
        " may be used again, and is no permission. Null where nothing can be engraved.",
        examples=["WyJnYXJkZW4i.c2ln"],
    )
    expires_at: Moment | None = Field(description="Until when the token is good; null without one.")


class PlaceAnswer(AnswerBody):
    """A place on a product, as its buyer chooses it."""

    zone: str = Field(description="Its name, as an inscription gives it.", examples=["flat"])
    name: str = Field(description="Its name for people.", examples=["Flat of the blade"])
    face: str = Field(description="The face that it is on.", examples=["mark_side"])
    face_name: str = Field(description="The face's name for people.", examples=["mark side"])
    kinds: tuple[str, ...] = Field(description="What may be put there.", examples=[["monogram", "text"]])
    fonts: tuple[str, ...] = Field(
        description="Fonts that may be used there, in the shop's order.", examples=[["lato-bold"]]
    )
    default_font: str | None = Field(
        description="The font to begin with; null where no letters may be put there.", examples=["lato-bold"]
    )
    max_lines: int = Field(description="Lines of text at the most.", examples=[2])
    max_characters: int = Field(description="Characters in a line at the most.", examples=[40])
    max_initials: int = Field(description="Initials of a monogram at the most.", examples=[3])
    min_height_mm: float = Field(
        description="Smallest height of the font's capital H, in mm.", examples=[2.0]
    )
    max_height_mm: float = Field(description="Largest height of the font's capital H, in mm.", examples=[8.0])
    usual_height_mm: float | None = Field(
        description="The height where none is asked for; null: the largest that fits.", examples=[4.5]
    )


class FontSampleAnswer(AnswerBody):
    """A font that may be chosen."""

    font: str = Field(description="Its name, as an inscription gives it.", examples=["lato-bold"])
    name: str = Field(description="Its name for people.", examples=["Lato Bold"])
    style: str = Field(description="What it looks like.", examples=["sans"])
    picture: str = Field(
        description="Its name set in it, outlines as SVG; empty where it can't be.", examples=[_SVG]
    )


class ArtworkSampleAnswer(AnswerBody):
    """A picture or a frame that may be chosen."""

    artwork: str = Field(description="Its name, as an inscription gives it.", examples=["leaf"])
    name: str = Field(description="Its name for people.", examples=["Oak leaf"])
    use: Literal["symbol", "frame"] = Field(
        description="`symbol` stands alone, `frame` goes round initials.", examples=["symbol"]
    )
    picture: str = Field(description="What it looks like, as SVG.", examples=[_SVG])


class OfferAnswer(AnswerBody):
    """What may be tried on a product."""

    sku: str = Field(description="The product.", examples=["AQ-PARER-OAK"])
    name: str = Field(description="Its name.", examples=["Paring knife, oak"])
    language: Language = _LANGUAGE
    version: str = Field(description="Names the shop's description in force.", examples=["3f1c9a0b7d2e"])
    most_inscriptions: int = Field(description="Places of one unit at the most.", examples=[8])
    zones: tuple[PlaceAnswer, ...] = Field(description="Places, in the shop's order.")
    default_zone: str | None = Field(
        description="The place to begin with; null where the product has none.", examples=["flat"]
    )
    fonts: tuple[FontSampleAnswer, ...] = Field(description="Fonts of these places.")
    artworks: tuple[ArtworkSampleAnswer, ...] = Field(description="Pictures and frames of the shop.")
