"""What a buyer asks for in one zone: words, a monogram, artwork or a code, one closed body each."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "monogram", "artwork", "code"]


Align = Literal["start", "centre", "end"]


#: Whether words stay in the lines that the buyer typed, or may be broken further to be larger.
Breaks = Literal["as_typed", "fitted"]


#: Which size is meant where none is given in mm: the zone's usual one, or the largest that fits.
Size = Literal["usual", "largest"]


@dataclass(frozen=True, slots=True)
class TextInscription:
    """Words in one zone. `height_mm` is that of the font's capital H; where it is None, `size` decides.
    `same_size_as` names another line of the order whose words are to have the same height.

    `text` is as the buyer typed it; U+000A (or CR LF, or CR) is the buyer's own line break. `breaks` says
    whether further breaks are allowed inside those lines. `letter_spacing` moves letters so many capital
    heights further apart than the zone does; joined letters stay joined.
    """

    zone: str
    text: str
    font: str
    height_mm: float | None = None
    align: Align | None = None
    breaks: Breaks = "as_typed"
    size: Size = "usual"
    same_size_as: str | None = None
    letter_spacing: float = 0.0
    kind: Literal["text"] = "text"


@dataclass(frozen=True, slots=True)
class MonogramInscription:
    """One to three initials composed in a frame of the shop's artwork (or none)."""

    zone: str
    initials: str
    font: str
    frame: str | None = None
    height_mm: float | None = None
    size: Size = "usual"
    same_size_as: str | None = None
    kind: Literal["monogram"] = "monogram"


@dataclass(frozen=True, slots=True)
class ArtworkInscription:
    """A mark of the shop's library, `width_mm` wide; where that is None, `size` decides."""

    zone: str
    artwork: str
    width_mm: float | None = None
    size: Size = "usual"
    kind: Literal["artwork"] = "artwork"


@dataclass(frozen=True, slots=True)
class CodeInscription:
    """A two-dimensional code; `cell_mm` is the size of one module; where that is None, `size` decides."""

    zone: str
    symbology: Literal["qr", "datamatrix"]
    content: str
    cell_mm: float | None = None
    size: Size = "usual"
    kind: Literal["code"] = "code"


Inscription = TextInscription | MonogramInscription | ArtworkInscription | CodeInscription
