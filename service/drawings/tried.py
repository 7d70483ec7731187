"""A drawing tried with what its owner has said of it so far, for a page: what came of it, or what is wanting.

Runs in a geometry process: values in, values out, no exception for what a drawing may be.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from layout.drawing.strokes import Drawing, DrawingRefused, Stroke, size_mm
from layout.pictures.drawing import draw_read, draw_refused, spoken_size
from layout.shop.blades import Face
from service.drawings.read import read_drawing
from service.drawings.take import Answers, Unanswered, take
from service.drawings.units import UnitNeeded

#: Names that a page lists; a drawing with more is told apart by layers.
MOST_NAMES = 60


@dataclass(frozen=True, slots=True)
class Named:
    """A name of the drawing: how many lines go by it, and how large they are together (mm)."""

    name: str
    lines: int
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class Tried:
    """`text` is the blade's file where all is well. Otherwise `refused` says why not, `wanting` what must be
    said (`unit`, `sides`, `edge`, `handle`; `faces` outlines were found), `sizes` how large the drawing would
    be in each unit. `picture` (SVG) shows the blade, the place that is wrong, or the lines as they were
    read."""

    picture: str = ""
    text: str = ""
    refused: str = ""
    wanting: tuple[str, ...] = ()
    faces: int = 1
    sizes: Mapping[str, str] = field(default_factory=dict)
    names: tuple[Named, ...] = ()
    more_names: int = 0
    notes: tuple[str, ...] = ()
    said: tuple[tuple[str, str], ...] = ()


def tried(data: bytes, answers: Answers) -> Tried:
    """What becomes of a drawing."""
    try:
        drawing = read_drawing(data, unit=answers.unit, dpi=answers.dpi)
    except UnitNeeded as needed:
        return Tried(refused=needed.why, wanting=("unit",), sizes=needed.sizes)
    except DrawingRefused as refused:
        return Tried(refused=str(refused), picture=_refused(refused, ()))
    names = _names(drawing)
    known = Tried(names=tuple(names[:MOST_NAMES]), more_names=max(0, len(names) - MOST_NAMES))
    try:
        taken = take(data, answers)
    except Unanswered as open_questions:
        return replace(
            known,
            picture=draw_read(drawing.strokes),
            wanting=open_questions.wanting,
            faces=open_questions.faces,
            notes=drawing.notes,
        )
    except DrawingRefused as refused:
        return replace(known, refused=str(refused), picture=_refused(refused, drawing.strokes))
    return replace(
        known,
        picture=taken.picture,
        text=taken.text,
        notes=taken.notes,
        faces=len(answers.sides),
        said=tuple((face.face, _spoken(face)) for face in taken.blade.faces),
    )


def _spoken(face: Face) -> str:
    x0, y0, x1, y1 = face.silhouette.bounds
    return spoken_size(x1 - x0, y1 - y0)


def _refused(refused: DrawingRefused, strokes: tuple[Stroke, ...]) -> str:
    shown = refused.strokes or strokes
    if refused.places and shown:
        return draw_refused(shown, refused.places, str(refused))
    return draw_read(shown) if shown else ""


def _names(drawing: Drawing) -> list[Named]:
    by_name: dict[str, list[Stroke]] = defaultdict(list)
    for stroke in drawing.strokes:
        for name in dict.fromkeys(stroke.names):
            by_name[name].append(stroke)
    return [Named(name, len(strokes), *size_mm(strokes)) for name, strokes in by_name.items()]
