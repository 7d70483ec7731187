"""Reading a font file: the kinds that are refused because their letters could come out wrong on metal."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass

import uharfbuzz as hb
from fontTools.ttLib import TTFont, TTLibError

from layout.shop.shop import FontSpec

#: OS/2 fsType bits that forbid putting the letters into another document ("restricted licence",
#: "bitmap embedding only"): OpenType specification, OS/2 table.
_FORBIDDEN_BITS = 0x0002 | 0x0200
#: Platform and encoding of character maps by code points: OpenType specification, cmap table.
_UNICODE_MAPS = frozenset({(3, 10), (0, 6), (0, 4), (3, 1), (0, 3), (0, 2), (0, 1), (0, 0)})
#: The shaper can't read what is packed for the web: these letters begin a WOFF and a WOFF2 file.
_WEB_FONTS = frozenset({b"wOFF", b"wOF2"})
#: Units per em that a font may have: OpenType specification, head table.
LEAST_UPEM, MOST_UPEM = 16, 16_384
#: What fontTools lets through when a table holds nonsense.
_BROKEN = (
    TTLibError,
    struct.error,
    AssertionError,
    ArithmeticError,
    AttributeError,
    LookupError,
    MemoryError,
    RecursionError,
    TypeError,
    ValueError,
)


class FontRefused(ValueError):
    """A font that can't be trusted on metal; the message says why."""


@dataclass(frozen=True, slots=True)
class FontFile:
    """What the rest needs to know of a font file. `features` are the OpenType feature tags it has."""

    upem: int
    codes: tuple[int, ...]  # of the characters that it has
    features: frozenset[str]
    even_odd: bool  # a static CFF font, which older readers fill by the even-odd rule


def read(spec: FontSpec) -> FontFile:
    """Check a font file's tables. Raises FontRefused with the reason."""
    try:
        return _read(spec)
    except FontRefused:
        raise
    except _BROKEN as error:
        raise FontRefused(f"{spec.font}: not a readable font: {error or type(error).__name__}") from error


def _read(spec: FontSpec) -> FontFile:
    if spec.data[:4] in _WEB_FONTS:
        raise FontRefused(f"{spec.font}: packed for the web (WOFF); unpack it to TTF or OTF")
    font = TTFont(io.BytesIO(spec.data), fontNumber=spec.face_index, lazy=True)
    codes = _codes(spec, font)
    if not codes:
        raise FontRefused(f"{spec.font}: no Unicode character map")
    outlines = {"glyf", "CFF ", "CFF2"} & set(font.keys())
    if not outlines:
        raise FontRefused(f"{spec.font}: no outlines")
    if "glyf" in outlines and len(outlines) > 1:
        # HarfBuzz draws one set, other readers the other: nobody could say which letter was approved.
        raise FontRefused(f"{spec.font}: two different sets of outlines in one file")
    upem = int(font["head"].unitsPerEm)
    if not LEAST_UPEM <= upem <= MOST_UPEM:
        raise FontRefused(f"{spec.font}: {upem} units to the em; OpenType has {LEAST_UPEM} to {MOST_UPEM:,}")
    if font["OS/2"].fsType & _FORBIDDEN_BITS:
        raise FontRefused(f"{spec.font}: its licence bits forbid embedding")
    _check_axes(spec, font)
    return FontFile(
        upem=upem,
        codes=codes,
        features=frozenset(_feature_tags(font)),
        even_odd=outlines == {"CFF "},
    )


def _codes(spec: FontSpec, font: TTFont) -> tuple[int, ...]:
    """The characters of its Unicode map. HarfBuzz, which shapes by that map, reads it a hundred times quicker
    than fontTools; but it would take a map of symbols as well."""
    records = font.reader["cmap"]
    (count,) = struct.unpack_from(">H", records, 2)
    maps = {struct.unpack_from(">HH", records, 4 + 8 * number) for number in range(count)}
    if not maps & _UNICODE_MAPS:
        return ()
    return tuple(hb.Face(spec.data, spec.face_index).unicodes)


def _check_axes(spec: FontSpec, font: TTFont) -> None:
    """An axis that is misspelt or out of range would quietly give another weight than the shop approved."""
    axes = {axis.axisTag: axis for axis in font["fvar"].axes} if "fvar" in font else {}
    for tag, value in spec.axes:
        axis = axes.get(tag)
        if axis is None:
            raise FontRefused(f"{spec.font}: no axis {tag!r}")
        if not axis.minValue <= value <= axis.maxValue:
            span = f"{axis.minValue:g} to {axis.maxValue:g}"
            raise FontRefused(f"{spec.font}: axis {tag!r} goes from {span}; {value:g} is outside")


def _feature_tags(font: TTFont) -> set[str]:
    return {
        record.FeatureTag
        for table in ("GSUB", "GPOS")
        if table in font and font[table].table.FeatureList
        for record in font[table].table.FeatureList.FeatureRecord
    }
