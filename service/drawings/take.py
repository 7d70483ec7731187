"""Take a maker's drawing: read it, stand it upright, write the blade's file, and draw what came of it.

Nothing is written to disk here; what can't be known is asked for by raising `Unanswered`, all at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from layout.drawing.faces import Choice, Direction, DrawnFace, faces_of, upright
from layout.drawing.rings import CLOSE_MM
from layout.drawing.sense import LEAST_MM, MOST_MM
from layout.drawing.strokes import DrawingRefused
from layout.pictures.drawing import draw_taken
from layout.shop.blades import Blade
from service.drawings.blade_file import BladeText, blade_file
from service.drawings.read import read_drawing
from service.drawings.units import CSS_DPI, Unit
from service.shop.catalogue import CatalogueError, blade_in
from service.shop.catalogue.schema import FaceName

Edge = Direction | Literal["none"]
_SPOKEN = {"left": "left", "right": "right", "up": "top", "down": "bottom", None: "left"}
_OTHER: dict[FaceName, FaceName] = {"mark_side": "pile_side", "pile_side": "mark_side"}


@dataclass(frozen=True, slots=True)
class Answers:
    """What the drawing's owner says of it. `sides` are those of the faces drawn, from left to right; what
    is empty was not said yet. `edge` and `handle` are where they point in the drawing; `handle` once for
    all faces, or for each."""

    blade: str
    name: str
    source: str
    sides: tuple[FaceName, ...] = ()
    edge: Edge | None = None
    handle: tuple[Direction, ...] = ()
    other_side: bool = False
    unit: Unit | None = None
    dpi: float = CSS_DPI
    choices: tuple[Choice, ...] = ()
    close_mm: float = CLOSE_MM
    keep_origin: bool = False


@dataclass(frozen=True, slots=True)
class Taken:
    """A blade's file, the blade that the catalogue reads from it, its picture, and what a person should
    know."""

    text: str
    blade: Blade
    picture: str
    notes: tuple[str, ...]


class Unanswered(Exception):
    """The drawing can't say these things: `sides` (so many), `edge`, `handle`."""

    def __init__(self, wanting: Sequence[str], faces: int) -> None:
        super().__init__(", ".join(wanting))
        self.wanting = tuple(wanting)
        self.faces = faces


def take(data: bytes, answers: Answers) -> Taken:
    """The blade of a drawing. Raises DrawingRefused, UnitNeeded, Unanswered."""
    drawing = read_drawing(data, unit=answers.unit, dpi=answers.dpi)
    try:
        drawn, more = faces_of(drawing, answers.choices, close_mm=answers.close_mm)
    except DrawingRefused as refused:
        if refused.strokes or not refused.places:
            raise
        raise DrawingRefused(str(refused), refused.places, drawing.strokes) from refused
    notes = [*drawing.notes, *more]
    _ask(drawn, answers)
    handles = (
        answers.handle * len(drawn) if len(answers.handle) == 1 else answers.handle or (None,) * len(drawn)
    )
    if len(handles) != len(drawn):
        raise DrawingRefused(
            f"{len(handles)} handles are said for {len(drawn)} outlines: one for each, or one for all"
        )
    standing = [
        _standing(face, answers.edge, handle, keep_origin=answers.keep_origin, notes=notes)
        for face, handle in zip(drawn, handles, strict=True)
    ]
    sides = list(zip(answers.sides, standing, strict=True))
    other = None
    if answers.other_side:
        if len(drawn) > 1 or answers.sides[0] not in _OTHER:
            raise DrawingRefused("the other side is added to one drawing of a mark_side or pile_side alone")
        other = _OTHER[answers.sides[0]]
    text = blade_file(BladeText(answers.blade, answers.name, sides, other, answers.source, drawing.unit))
    try:
        blade = blade_in(f"blades/{answers.blade}.toml", text)
    except CatalogueError as refused_there:
        raise DrawingRefused(f"the catalogue would refuse the blade: {refused_there}") from refused_there
    return Taken(text, blade, draw_taken(blade, source=f"{answers.source} ({drawing.unit})"), tuple(notes))


def _ask(drawn: Sequence[DrawnFace], answers: Answers) -> None:
    """Raise Unanswered for everything that is neither said nor drawn."""
    wanting = []
    if not answers.sides:
        wanting.append("sides")
    elif len(answers.sides) != len(drawn):
        outlines = "1 outline" if len(drawn) == 1 else f"{len(drawn)} outlines"
        raise DrawingRefused(
            f"the drawing has {outlines}, and {len(answers.sides)} sides are named: name one for each, from "
            "left to right, or choose another outline"
        )
    if answers.edge is None and any(face.edge is None for face in drawn):
        wanting.append("edge")
    if not answers.handle and any(face.handle is None for face in drawn):
        wanting.append("handle")
    if wanting:
        raise Unanswered(wanting, len(drawn))


def _standing(
    face: DrawnFace, said: Edge | None, handle_said: Direction | None, *, keep_origin: bool, notes: list[str]
) -> DrawnFace:
    edge = None if said == "none" else said or face.edge
    handle = handle_said or face.handle
    assert handle is not None  # asked for before
    standing, turn = upright(face, edge, handle, keep_origin=keep_origin)
    if turn:
        notes.append(f"turned by {turn:g} degrees: the handle is at the {_SPOKEN[standing.handle]}")
    x0, y0, x1, y1 = standing.silhouette.bounds
    if not LEAST_MM <= max(x1 - x0, y1 - y0) <= MOST_MM:
        notes.append(
            f"{max(x1 - x0, y1 - y0):.4g} mm is an unusual length for a blade: is the unit right? (--unit)"
        )
    return standing
