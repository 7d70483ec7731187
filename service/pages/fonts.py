"""Fonts looked at by the owner before they are offered: those of the shop, of installed packages, and files
that are brought in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session
from starlette.datastructures import UploadFile

from layout.shop.shop import FontSpec
from service.doorway import AtHand, voice_of
from service.pages.describing import looked
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, NotFound, Refusal
from service.requests.check_answers import FindingAnswer, findings_answer
from service.shop import additions, font_looks
from service.shop.catalogue.files import FONT_ENDINGS, MOST_BYTES
from service.shop.font_looks import InZone, Look
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

ADDRESS, LOOK, UPLOAD = "/owner/fonts", "/owner/fonts/look", "/owner/fonts/file"
LARGEST_FILE = MOST_BYTES
_AXIS = "axis_"
_MOST_LETTERS = 120


@dataclass(frozen=True, slots=True)
class Asked:
    """A font that is looked at. `look`: None for a single-line font, which is no font file; `entry`: what
    would be added, None for a font that the shop has."""

    spec: FontSpec
    look: Look | None
    entry: Mapping[str, Any] | None


@router.get(ADDRESS)
def get_fonts(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """The shop's fonts, those that are installed, and the way for a file."""
    return _list(request, tools, visitor)


@router.get(LOOK)
def get_look(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """One font: of the shop by its name, or of an installed package."""
    return _shown(request, tools, visitor, request.query_params)


@router.post(LOOK)
def post_look(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Add a font of an installed package to the draft. A second time changes nothing."""
    try:
        asked = _asked(tools, form)
        if asked.entry is None:
            raise BadRequest("the shop has this font", field="font")
        _write(tools, visitor, asked.entry)
    except NotFound:
        raise
    except Refusal as refusal:
        return _shown(request, tools, visitor, form, refused=refusal)
    return RedirectResponse(f"{LOOK}?{urlencode({'font': asked.entry['font'], 'added': '1'})}", 303)


@router.post(UPLOAD, max_body_size=LARGEST_FILE + 2**16)
def post_file(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Bring a font file into the draft, which is not in force, to be looked at there."""
    upload = form.get("upload")
    try:
        if not isinstance(upload, UploadFile) or not upload.filename:
            raise BadRequest("choose a file", field="upload")
        name = font_looks.plain_name(upload.filename.rpartition("/")[2])
        if not name.endswith(FONT_ENDINGS):
            raise BadRequest("a font is a TTF or OTF file", field="upload")
        look = font_looks.look(upload.file.read(), None, name)
        entry = look.entry()
        font_looks.must_open(look.spec(entry))
        _write(tools, visitor, entry, look.file_text())
    except Refusal as refusal:
        return _list(request, tools, visitor, refused=refusal)
    return RedirectResponse(f"{LOOK}?{urlencode({'font': entry['font'], 'added': '1'})}", 303)


def _write(tools: Tools, visitor: Visitor, entry: Mapping[str, Any], data: str | None = None) -> None:
    def work(session: Session) -> None:
        additions.write_to_draft(
            session,
            lambda content: additions.with_font(content, entry, data),
            by=tools.by(visitor.who),
        )

    tools.database.write(work)


def _asked(tools: Tools, given: Mapping[str, Any]) -> Asked:
    """The font that an address or a form names. Raises NotFound, BadRequest."""
    name, package, file = (str(given.get(key, "")) for key in ("font", "package", "file"))
    if name:
        spec = looked(tools).shop.fonts.get(name)
        if spec is None:
            raise NotFound("there is no such font", id=name)
        look = font_looks.look(spec.data, None, spec.name) if spec.kind == "outline" else None
        return Asked(spec, look, None)
    if file not in font_looks.installed().get(package, ()):
        raise NotFound("there is no such font", id=file)
    look = font_looks.look(font_looks.installed_file(package, file), package, file)
    try:
        axes = {
            tag: float(str(given[f"{_AXIS}{tag}"]).replace(",", "."))
            for tag in look.axes
            if given.get(f"{_AXIS}{tag}")
        }
    except ValueError:
        raise BadRequest("an axis is a number", field="axes") from None
    entry = look.entry(axes, str(given.get("name", ""))[:_MOST_LETTERS])
    return Asked(look.spec(entry), look, entry)


def _list(request: Request, tools: Tools, visitor: Visitor, *, refused: Refusal | None = None) -> Response:
    return page(
        request,
        "font_list.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        fonts=list(looked(tools).shop.fonts.values()),
        installed=font_looks.installed(),
        look_at=lambda **asked: f"{LOOK}?{urlencode(asked)}",
    )


def _shown(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    given: Mapping[str, Any],
    *,
    refused: Refusal | None = None,
) -> Response:
    try:
        asked = _asked(tools, given)
    except BadRequest as refusal:  # of its axes: shown as they are by themselves
        refused = refusal
        asked = _asked(tools, {key: given[key] for key in ("package", "file")})
    shop = looked(tools).shop
    rooms: list[InZone] = []
    try:
        rooms = tools.geometry.work(
            partial(font_looks.in_zones, measure=True),
            replace(shop, fonts={}, artworks={}),
            asked.spec,
            tools.settings.font_tables,
        )
    except Refusal as refusal:  # what was worked out by then is kept
        refused = refused or refusal
    spoken = voice_of(request).language
    look = asked.look
    return page(
        request,
        "font_look.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        spec=asked.spec,
        look=look,
        entry=asked.entry,
        spoken_by=sorted(font_looks.language_name(tag, spoken) for tag in look.languages) if look else [],
        nearly=sorted((font_looks.language_name(tag, spoken), lacks) for tag, lacks in look.nearly)
        if look
        else [],
        rooms=[(room, _answered(room)) for room in rooms],
        processes=sorted({name for room in rooms for name in room.smallest_mm}),
        is_added=given.get("added") is not None and asked.entry is None,
        address=LOOK,
        axis=_AXIS,
    )


def _answered(room: InZone) -> FindingAnswer | None:
    return next(iter(findings_answer([room.why_not])), None) if room.why_not is not None else None
