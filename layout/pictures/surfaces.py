"""How materials and finishes look on a picture: colours from light to shade, a texture, a mark's colour.

A shop names its materials and finishes freely, so their names have to tell: `stainless_4116` and
`stonewashed`, `walnut` and `oiled`. What no name tells is shown in a plain tone. Colours, and that coatings
come off light and wood chars dark, are from memory: common practice, no source. A shop that wants its own
product shown gives a photo.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from layout.shop.blades import Surface

Texture = Literal["none", "brushed", "mottled", "grain"]


@dataclass(frozen=True, slots=True)
class Look:
    """Colours (`#rrggbb`) from where the light falls to where it doesn't, with how far down each stands (0 to
    1); what covers the surface; the colour of a mark burned into it."""

    shades: tuple[tuple[float, str], ...]
    texture: Texture
    mark: str

    @property
    def is_dark(self) -> bool:
        """Whether the surface is darker than a middle grey."""
        middle = self.shades[len(self.shades) // 2][1]
        return sum(_channels(middle)) < 3 * 110


_ON_STEEL, _ON_DARK, _ON_WOOD = "#23272b", "#e6e3da", "#1f110a"
_SATIN = Look(((0.0, "#f3f5f5"), (0.3, "#dde1e3"), (0.65, "#c8ced1"), (1.0, "#adb5b9")), "brushed", _ON_STEEL)
#: By how a finish of metal begins.
_FINISHES: tuple[tuple[tuple[str, ...], Look], ...] = (
    (
        ("mirror", "polish"),
        Look(
            (
                (0.0, "#fafbfb"),
                (0.25, "#cbd4d8"),
                (0.4, "#f1f4f5"),
                (0.62, "#a3afb5"),
                (0.82, "#dde4e7"),
                (1.0, "#929da3"),
            ),
            "none",
            _ON_STEEL,
        ),
    ),
    (
        ("stone", "tumbled", "washed", "patina"),
        Look(((0.0, "#c6c9c9"), (0.5, "#aeb3b4"), (1.0, "#90979a")), "mottled", _ON_STEEL),
    ),
    (("bead", "blast", "matt", "frost"), Look(((0.0, "#d9dcdc"), (1.0, "#b6bcbf")), "none", _ON_STEEL)),
    (
        ("grey_phosphate", "gray_phosphate", "phosphate", "parker"),
        Look(((0.0, "#777d80"), (0.5, "#5f6568"), (1.0, "#484d50")), "mottled", _ON_DARK),
    ),
    (
        ("black", "dark", "pvd", "dlc", "coated", "oxide", "blued", "gunmetal"),
        Look(((0.0, "#53575a"), (0.5, "#393d40"), (1.0, "#27292b")), "none", _ON_DARK),
    ),
)
_METALS: dict[str, str] = {
    "brass": "#c7a552",
    "bronze": "#a9783f",
    "copper": "#b9764c",
    "alumin": "#cfd3d5",
    "nickel": "#c9c6bd",
    "titanium": "#a8a7a4",
}
_STEELS = ("stainless", "carbon", "steel", "tool", "damascus")
_WOODS: dict[str, str] = {
    "walnut": "#7a563a",
    "oak": "#b08a5b",
    "olive": "#b08f52",
    "beech": "#cfa478",
    "ash": "#d6c19d",
    "birch": "#dcc8a0",
    "maple": "#dbc298",
    "cherry": "#a06743",
    "plum": "#8a5643",
    "pear": "#bd8a68",
    "apple": "#b27c5a",
    "ebony": "#35302d",
    "rosewood": "#5e3326",
    "bog_oak": "#3a332d",
    "box": "#d9bd7c",
    "wood": "#a97f55",
}
_OTHERS: dict[str, str] = {
    "horn": "#57483b",
    "antler": "#b9a283",
    "bone": "#ddd2b8",
    "leather": "#8a5a35",
    "micarta": "#5d5b49",
    "linen": "#8c8367",
    "pom": "#2d2f31",
    "black": "#2d2f31",
    "white": "#dedcd4",
    "red": "#8f2f27",
    "green": "#3f5a43",
    "blue": "#33506e",
}
_PLAIN = "#55595b"


def look_of(surface: Surface) -> Look:
    """How a surface looks. What its name doesn't tell is plain.

    >>> look_of(Surface("walnut", "oiled")).texture, look_of(Surface("carbon_c60", "black_oxide")).is_dark
    ('grain', True)
    """
    material, finish = surface.material.lower(), surface.finish.lower()
    if material.startswith(_STEELS):
        return next((look for names, look in _FINISHES if finish.startswith(names)), _SATIN)
    for names, texture in ((_METALS, "brushed"), (_WOODS, "grain"), (_OTHERS, "none")):
        # The longest name that is in it: a rosewood is no wood of any kind.
        named = max((name for name in names if name in material), key=len, default=None)
        if named is not None:
            return _toned(names[named], texture)  # type: ignore[arg-type]
    return _toned(_PLAIN, "none")


def lighter(colour: str, share: float) -> str:
    """A colour so far towards white; towards black where the share is negative.

    >>> lighter("#808080", 0.5), lighter("#808080", -0.5)
    ('#c0c0c0', '#404040')
    """
    end = 255 if share > 0 else 0
    mixed = (round(channel + (end - channel) * abs(share)) for channel in _channels(colour))
    return "#" + "".join(f"{channel:02x}" for channel in mixed)


def _toned(colour: str, texture: Texture) -> Look:
    shades = ((0.0, lighter(colour, 0.22)), (0.4, colour), (1.0, lighter(colour, -0.28)))
    marks: dict[Texture, str] = {"brushed": _ON_STEEL, "grain": _ON_WOOD}  # wood chars, whatever its colour
    look = Look(shades, texture, marks.get(texture, _ON_WOOD))
    return Look(shades, texture, _ON_DARK) if texture == "none" and look.is_dark else look


def _channels(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
