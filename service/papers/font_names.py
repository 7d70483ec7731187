"""Fonts' own names set in them, as pictures: drawn once in this process's life."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from layout.pictures.set_words import set_in
from layout.shop.inscriptions import Align
from layout.shop.shop import FontSpec

#: Who draws: a geometry process, called with the function and what it is called with.
Draw = Callable[
    [Callable[[Sequence[tuple[str, FontSpec, Align]]], list[str]], list[tuple[str, FontSpec, Align]]],
    list[str],
]
#: Pictures by what a font's letters depend on and its name.
_DRAWN: dict[tuple[object, str], str] = {}
_MOST_KEPT = 200


def font_names(fonts: Iterable[FontSpec], draw: Draw) -> dict[str, str]:
    """By font, its name set in it, as SVG; empty where it can't be. Raises what `draw` raises."""
    wanted = list(fonts)
    missing = [font for font in wanted if _key(font) not in _DRAWN]
    drawn = draw(set_in, [(font.name, font, "start") for font in missing]) if missing else []
    if len(_DRAWN) + len(missing) > _MOST_KEPT:
        _DRAWN.clear()
    _DRAWN.update(zip(map(_key, missing), drawn, strict=True))
    return {font.font: _DRAWN[_key(font)] for font in wanted}


def _key(font: FontSpec) -> tuple[object, str]:
    return font.identity, font.name
