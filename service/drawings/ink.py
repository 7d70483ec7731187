"""What an SVG drawing says of ink: fill and stroke by attributes, style sheets and `style`, handed down from
group to group (SVG 1.1, sections 6 and 11)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast

from PIL import ImageColor

from layout.drawing.strokes import DrawingRefused, Ink, Paint
from layout.marks.svg_paths import NUMBER
from service.drawings.units import CSS_DPI, mm_per

#: Initial values (SVG 1.1, property index).
_INITIAL = {
    "fill": "black",
    "fill-rule": "nonzero",
    "fill-opacity": "1",
    "stroke": "none",
    "stroke-width": "1",
    "stroke-opacity": "1",
    "stroke-linecap": "butt",
    "stroke-linejoin": "miter",
    "stroke-miterlimit": "4",
    "color": "black",
}
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_SELECTOR = re.compile(r"([A-Za-z]*)((?:[.#][\w-]+)*)")
_WIDTH = re.compile(rf"\s*({NUMBER})\s*(mm|cm|in|pt|pc|px|)\s*")
#: A colour none of whose parts is below this is paper, not ink.
_WHITE = 242
_CAPS = ("butt", "round", "square")
_JOINS = ("miter", "round", "bevel")


@dataclass(frozen=True, slots=True)
class Inked:
    """The properties that count at one place of a drawing, and the rules of its style sheets."""

    values: Mapping[str, str]
    rules: tuple[tuple[str, Mapping[str, str]], ...]

    @staticmethod
    def of_root(root: Any) -> Inked:
        """What counts at the outermost element."""
        sheets = " ".join(e.text or "" for e in root.iter() if str(e.tag).rpartition("}")[2] == "style")
        rules = tuple(
            (selector.strip(), _declared(body))
            for selectors, body in _RULE.findall(_COMMENT.sub("", sheets))
            for selector in selectors.split(",")
        )
        return Inked(_INITIAL, rules).inherited(root)

    def inherited(self, element: Any) -> Inked:
        """What counts inside an element: attributes, then style sheets, then its own style."""
        own = {name: element.get(name).strip() for name in _INITIAL if element.get(name)}
        for selector, declared in self.rules:
            if _meets(selector, element):
                own |= declared
        own |= _declared(element.get("style", ""))
        own = {name: value for name, value in own.items() if value != "inherit"}
        return Inked({**self.values, **own}, self.rules) if own else self

    def paint(self, scale: float, entity: str) -> Paint:
        """How a shape is inked there; `scale` is how much longer its lines become, the width in units of the
        drawing. Raises DrawingRefused for a width that is none."""
        said = self.values
        match = _WIDTH.fullmatch(said["stroke-width"])
        if not match:
            raise DrawingRefused(
                f"{entity}: its stroke-width is {said['stroke-width']!r}, which is no length"
            )
        width = float(match[1]) * (
            1.0 if match[2] in ("", "px") else mm_per(match[2]) / mm_per("px", CSS_DPI)
        )
        line = self._ink("stroke") if width > 0 else None
        try:
            limit = max(1.0, float(said["stroke-miterlimit"]))
        except ValueError:
            limit = 4.0
        return Paint(
            fill=self._ink("fill"),
            rule="evenodd" if said["fill-rule"] == "evenodd" else "nonzero",
            line=line,
            width_mm=width * scale if line else 0.0,
            cap=cast(Literal["butt", "round", "square"], _one_of(said["stroke-linecap"], _CAPS)),
            join=cast(Literal["miter", "round", "bevel"], _one_of(said["stroke-linejoin"], _JOINS)),
            miter_limit=limit,
        )

    def _ink(self, name: str) -> Ink | None:
        """Dark, or light where white is painted; a gradient or pattern is ink."""
        colour = self.values[name]
        if colour.lower() == "currentcolor":
            colour = self.values["color"]
        if colour in ("none", "transparent") or self.values[f"{name}-opacity"].rstrip("%") in (
            "0",
            "0.0",
            ".0",
        ):
            return None
        try:
            parts = ImageColor.getrgb(colour)
        except ValueError:
            return "dark"
        return "light" if min(parts[:3]) >= _WHITE else "dark"


def _declared(style: str) -> dict[str, str]:
    pairs = (part.partition(":") for part in style.split(";"))
    named = {name.strip(): value.replace("!important", "").strip() for name, _, value in pairs}
    return {name: value for name, value in named.items() if name in _INITIAL and value}


def _meets(selector: str, element: Any) -> bool:
    """Whether a simple selector (a tag, classes, an id) means the element; others mean none."""
    match = _SELECTOR.fullmatch(selector)
    if selector == "*":
        return True
    if not match or not selector:
        return False
    tag, parts = match[1], re.findall(r"([.#])([\w-]+)", match[2])
    classes = element.get("class", "").split()
    return (not tag or tag == str(element.tag).rpartition("}")[2]) and all(
        name in classes if kind == "." else name == element.get("id") for kind, name in parts
    )


def _one_of(value: str, allowed: tuple[str, ...]) -> str:
    return value if value in allowed else allowed[0]
