"""Font files found in installed wheels or in the shop's own folder, pinned by digest."""

from __future__ import annotations

import base64
import hashlib
import io
import json
from collections.abc import Mapping
from functools import cache
from importlib import import_module
from importlib.resources import files
from typing import Any

from fontTools.ttLib import TTFont

from layout.shop.shop import FontSpec
from service.shop.catalogue.schema import FontFile

#: Where a capital begins and ends in the units of the Hershey data, y down (N.B.S. Special Publication 424).
_BASELINE, _CAP_LINE = 9, -12


def spec_of(entry: FontFile, content: Mapping[str, str]) -> FontSpec:
    """The font of an entry, from its wheel or, without one, from the shop's own files. Raises ValueError when
    it is missing or is not the pinned one."""
    if entry.package is None:
        text = content.get(f"fonts/{entry.file}")
        if text is None:
            raise ValueError(f"no file fonts/{entry.file}")
        return _spec(entry, base64.b64decode(text), f"fonts/{entry.file}")
    try:
        data = _hershey(entry.file) if entry.kind == "single_line" else _from_wheel(entry.package, entry.file)
    except (ModuleNotFoundError, FileNotFoundError, KeyError) as error:
        raise ValueError(f"{entry.package}/{entry.file} is not installed") from error
    return _spec(entry, data, f"{entry.package}/{entry.file}")


def _spec(entry: FontFile, data: bytes, where: str) -> FontSpec:
    digest = hashlib.sha256(data).hexdigest()
    if digest != entry.sha256:
        raise ValueError(f"{where} has digest {digest}, not the pinned one")
    if entry.kind == "outline":
        _check_axes(data, entry.axes)
    return FontSpec(
        font=entry.font,
        name=entry.name,
        kind=entry.kind,
        style=entry.style,
        licence=entry.licence,
        data=data,
        sha256=digest,
        axes=tuple(sorted(entry.axes.items())),
        height_letter=entry.height_letter,
    )


def _check_axes(data: bytes, axes: Mapping[str, float]) -> None:
    """Raise ValueError unless every axis of a variable font has a fixed value in its range."""
    font = TTFont(io.BytesIO(data), lazy=True)
    ranges = {a.axisTag: (a.minValue, a.maxValue) for a in font["fvar"].axes} if "fvar" in font else {}
    if missing := sorted(ranges.keys() - axes.keys()):
        raise ValueError(f"the variable font's axes {missing} need a fixed value")
    for tag, value in axes.items():
        if tag not in ranges:
            raise ValueError(f"the font has no axis {tag!r}")
        least, most = ranges[tag]
        if not least <= value <= most:
            raise ValueError(f"axis {tag!r} goes from {least:g} to {most:g}, not to {value:g}")


@cache
def _from_wheel(package: str, file: str) -> bytes:
    return files(package).joinpath(file).read_bytes()


@cache
def _hershey_fonts() -> Any:
    """What opens them, one for all faces: it unpacks its archive to know their names."""
    return import_module("HersheyFonts").HersheyFonts()


@cache
def _hershey(face: str) -> bytes:
    """A face of the Hershey fonts in the single-line format that `layout.lettering.fonts` reads."""
    font = _hershey_fonts()
    if face not in font.default_font_names:
        raise KeyError(face)
    font.load_default_font(face)
    glyphs = {
        char: {
            "advance": glyph.char_width,
            "strokes": [
                [[x - glyph.left_offset, _BASELINE - y] for x, y in stroke] for stroke in glyph.strokes
            ],
        }
        for char, glyph in sorted(font.all_glyphs.items())
    }
    content = {"capital_height": _BASELINE - _CAP_LINE, "glyphs": glyphs}
    return json.dumps(content, separators=(",", ":"), sort_keys=True).encode()
