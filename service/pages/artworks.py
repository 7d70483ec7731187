"""The owner's marks: a DXF or SVG drawing becomes a mark, a symbol or a frame of the library."""

from __future__ import annotations

import base64
from typing import Any, get_args

from fastapi import APIRouter, Request, Response

from layout.shop.svg_text import Box
from service.doorway import AtHand
from service.drawings.artwork import Wanted
from service.drawings.new_mark import Asked, TriedMark, Use, tried_mark
from service.drawings.units import CSS_DPI, UNITS
from service.pages.carried import (
    LARGEST_DRAWING,
    LARGEST_FORM,
    SECONDS,
    Carried,
    carried_in,
    name_in,
    number_in,
    one_of,
)
from service.pages.describing import looked
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import Refusal
from service.requests.check_answers import FindingAnswer, findings_answer
from service.shop import additions
from service.shop.new_marks import Room
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

ADDRESS = "/owner/artwork"
_COMMAND = "ricasso catalogue artwork"
_CORNERS = ("x0", "y0", "x1", "y1")


@router.get(ADDRESS)
def get_artwork(request: Request, visitor: OwnerVisitor) -> Response:
    """Choose a drawing."""
    return _shown(request, visitor)


@router.post(ADDRESS, max_body_size=LARGEST_FORM)
def post_artwork(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """What a drawing becomes with what was said of it so far; written into the draft when told to."""
    try:
        drawing = carried_in(form, _COMMAND)
        asked = _asked(form, drawing)
        wanted = _wanted(form)
    except Refusal as refusal:
        return _shown(request, visitor, refused=refusal)
    shop = looked(tools).shop
    result = tools.geometry.work(tried_mark, shop, drawing.data, wanted, asked, seconds=SECONDS)
    refused, written = None, False
    if form.get("act") == "draft" and result.taken is not None:
        try:
            _write(tools, visitor, result, asked)
            written = True
        except Refusal as refusal:
            refused = refusal
    return _shown(
        request,
        visitor,
        refused=refused,
        drawing=drawing,
        asked=asked,
        wanted=wanted,
        result=result,
        picture=base64.b64encode(result.picture.encode()).decode(),
        rooms=[(room, _answered(room)) for room in result.rooms],
        written=written,
    )


def _shown(
    request: Request,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    drawing: Carried | None = None,
    **known: Any,
) -> Response:
    """The page: it asks for a drawing, or shows what is known of one."""
    return page(
        request,
        "artwork.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        drawing=drawing,
        units=UNITS,
        **known,
        most_mb=LARGEST_DRAWING // 2**20,
    )


def _write(tools: Tools, visitor: Visitor, result: TriedMark, asked: Asked) -> None:
    """Raises BadRequest for a name that is taken. What stands in the draft as it is, is not written again."""
    taken = result.taken
    assert taken is not None
    entry = result.entry(asked)
    tools.database.write(
        lambda session: additions.write_to_draft(
            session,
            lambda content: additions.with_artwork(content, entry, taken.svg),
            by=tools.by(visitor.who),
        )
    )


def _asked(form: Form, drawing: Carried) -> Asked:
    """Raises BadRequest."""
    given = str(form.get("artwork", "")).strip() or drawing.stem
    artwork = additions.plain_name(given, "mark", most=50)
    use: Use = one_of(form, "use", get_args(Use)) or "symbol"
    return Asked(artwork, name_in(form, artwork), use, _box(form) if use == "frame" else None)


def _box(form: Form) -> Box | None:
    """Where a frame's initials go: all four numbers, or none. Raises BadRequest."""
    typed = [corner for corner in _CORNERS if str(form.get(corner, "")).strip()]
    if not typed or form.get("box") != "own":
        return None
    x0, y0, x1, y1 = (number_in(form, corner, -1.0, 0.0, 500.0) for corner in _CORNERS)
    return x0, y0, x1, y1


def _wanted(form: Form) -> Wanted:
    """Raises BadRequest."""

    def or_none(name: str, least: float, most: float) -> float | None:
        return number_in(form, name, 0.0, least, most) if str(form.get(name, "")).strip() else None

    return Wanted(
        width_mm=or_none("width", 0.5, 500.0),
        unit=one_of(form, "unit", UNITS),
        dpi=number_in(form, "dpi", CSS_DPI, 1.0, 100_000.0),
        line_mm=or_none("line", 0.001, 50.0),
        as_lines=form.get("lines") == "yes",
    )


def _answered(room: Room) -> FindingAnswer | None:
    return next(iter(findings_answer([room.why_not])), None) if room.why_not is not None else None
