"""The owner's plates: slots from a grid, a drawing or the pointer, what seats there by its shape, and proof.

What is made here goes into the shop's draft, never straight into force.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from shapely.geometry import box
from sqlalchemy.orm import Session
from starlette.datastructures import UploadFile

from layout.drawing.faces import Choice, Role
from layout.drawing.slots import DrawnPlate, grid, plate_in
from layout.drawing.strokes import DrawingRefused
from layout.seating.measured_slots import MeasuredSlots, NotMeasured, corners_of, measured_slots
from layout.seating.pocket import CLEARANCE_MM, Way
from layout.shop.shop import Shop
from service.doorway import AtHand
from service.drawings import read_drawing
from service.drawings.plates import (
    HOLDS,
    ReadPlate,
    Seating,
    plate_file,
    read_plate,
    readings_in,
    rows_with,
    seat_text,
    seatings_of,
    with_slots,
)
from service.drawings.units import UNITS
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, saved, status_of
from service.proving.plate_proof_file import proof_file
from service.records.errors import BadRequest, NotFound, Refusal
from service.shop import drafts, version_rows
from service.shop.catalogue import CatalogueError
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

ADDRESS = "/owner/plates"
LARGEST_FORM = 2 * 2**20
#: Looking at every blade of a shop takes a few seconds for each that fits.
_SECONDS = 90.0
_MOST_READINGS = 200_000
_NAME = re.compile(r"[^A-Za-z0-9_.-]+")


@router.get(ADDRESS)
def get_plates(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """The plates, and the way to a new one."""
    return _plates(request, tools, visitor)


@router.post(ADDRESS, max_body_size=LARGEST_FORM)
def post_plate(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """A new plate, from a drawing if one was chosen, otherwise in columns and rows, into the draft."""
    try:
        plate = _NAME.sub("-", str(form.get("plate", "")).strip()).strip("-._")[:50]
        if not plate:
            raise BadRequest("the plate wants a name", field="plate")
        text = _new_plate(form, plate)

        def work(session: Session) -> None:
            draft = drafts.opened(session, by=tools.by(visitor.who))
            if f"plates/{plate}.toml" in draft.content or plate in _names(draft.content):
                raise BadRequest("there is a plate of this name already", field="plate")
            drafts.write_file(
                session,
                draft,
                f"plates/{plate}.toml",
                text,
                if_version=draft.version,
                by=tools.by(visitor.who),
            )

        tools.database.write(work)
    except Refusal as refusal:
        return _plates(request, tools, visitor, refused=refusal, typed=form)
    return RedirectResponse(f"{ADDRESS}/{quote(plate)}/slots", 303)


@router.get(f"{ADDRESS}/{{plate}}/slots")
def get_slots(request: Request, tools: AtHand, plate: str, visitor: OwnerVisitor) -> Response:
    """A plate's slots: what seats there, where they were measured, how they are proven."""
    return _slots(request, tools, visitor, plate)


@router.post(f"{ADDRESS}/{{plate}}/seats")
def post_seats(request: Request, tools: AtHand, plate: str, visitor: OwnerVisitor, form: Form) -> Response:
    """Look which blades seat in the plate's slots; write those that were ticked into the draft."""
    try:
        found, wrote = _seats(tools, visitor, plate, form)
    except Refusal as refusal:
        return _slots(request, tools, visitor, plate, refused=refusal, typed=form)
    return _slots(request, tools, visitor, plate, seatings=found, wrote=wrote, typed=form)


@router.post(f"{ADDRESS}/{{plate}}/measured")
def post_measured(request: Request, tools: AtHand, plate: str, visitor: OwnerVisitor, form: Form) -> Response:
    """Where the slots lie by the pointer's readings; written into the draft when that is asked for."""
    try:
        measured = _measured(tools, visitor, plate, form)
    except Refusal as refusal:
        return _slots(request, tools, visitor, plate, refused=refusal, typed=form)
    is_written = form.get("do") == "write"
    return _slots(request, tools, visitor, plate, measured=measured, moved=is_written, typed=form)


@router.get(f"{ADDRESS}/{{copy}}/proof.{{kind}}")
def get_proof(tools: AtHand, copy: str, kind: str, visitor: OwnerVisitor, process: str = "") -> Response:
    """A crosshair and a number in every slot, to be burned on a sheet of card."""
    return saved(proof_file(tools, copy, process, kind))


# --- what is done ---


def _new_plate(form: Form, plate: str) -> str:
    name = " ".join(str(form.get("name", "")).split())[:100] or plate.replace("-", " ")
    if not name.isprintable():
        raise BadRequest("this can't be kept: it holds what can't be printed", field="name")
    copies = str(form.get("copies", "")).replace(",", " ").split() or [f"{plate}-1"]
    file = form.get("file")
    try:
        if isinstance(file, UploadFile) and file.filename:
            drawn, source = _drawn(form, file), file.filename
        else:
            drawn, source = _gridded(form), "a grid"
        if len(drawn.marks) < 2:
            raise BadRequest(
                "a plate needs two marks that the pointer can be driven to: draw them on a layer 'marks'",
                field="file",
            )
        text = plate_file(
            plate=plate,
            name=name,
            size_mm=drawn.size_mm,
            slot_outline=drawn.slot_outline,
            slots=drawn.slots,
            marks=drawn.marks,
            copies=copies,
            source="".join(c for c in source if c.isprintable())[-80:],
        )
        read_plate(f"plates/{plate}.toml", text)
    except DrawingRefused as refused:
        raise BadRequest(str(refused), field="file") from refused
    except CatalogueError as refused:
        raise BadRequest("; ".join(map(str, refused.troubles)), field="plate") from refused
    return text


def _drawn(form: Form, file: UploadFile) -> DrawnPlate:
    unit = str(form.get("unit", "")) or None
    if unit is not None and unit not in UNITS:
        raise BadRequest("choose one of those that are offered", field="unit")
    drawing = read_drawing(file.file.read(LARGEST_FORM), unit=unit)
    named: list[tuple[Role, str]] = [
        ("outline", "edge-name"),
        ("zone", "slots-name"),
        ("hole", "marks-name"),
    ]
    typed = [(role, str(form.get(field, "")).strip()) for role, field in named]
    choices = [Choice(role, pattern) for role, pattern in typed if pattern]
    return plate_in(drawing, choices)


def _gridded(form: Form) -> DrawnPlate:
    def length(name: str, otherwise: float | None = None) -> float:
        typed = str(form.get(name, "")).strip().replace(",", ".")
        try:
            value = float(typed) if typed or otherwise is None else otherwise
        except ValueError:
            value = float("inf")
        if not abs(value) <= 5000:
            raise BadRequest("a number of millimetres is wanted", field=name)
        return value

    width, height = length("width"), length("height")
    slot_width, slot_height = length("slot-width"), length("slot-height")
    if min(width, height, slot_width, slot_height) <= 0:
        raise BadRequest("a plate and its slots have a size", field="width")
    try:
        slots = grid(
            int(length("columns", 1)),
            int(length("rows", 1)),
            first=(length("first-x"), length("first-y")),
            pitch=(length("pitch-x", 0), length("pitch-y", 0)),
            facing=form.get("facing") == "yes",
        )
    except ValueError as error:
        raise BadRequest(str(error), field="columns") from error
    marks = ((6.0, 6.0), (width - 6.0, 6.0), (width / 2, height - 6.0))
    half = box(-slot_width / 2, -slot_height / 2, slot_width / 2, slot_height / 2)
    return DrawnPlate((width, height), half, slots, marks, 0.0)


def _seats(tools: Tools, visitor: Visitor, plate: str, form: Form) -> tuple[list[Seating], int]:
    file, content = _found(tools, plate)
    holds = str(form.get("holds", "unit"))
    if holds not in HOLDS:
        raise BadRequest("choose one of those that are offered", field="holds")
    names = _names(content, "blade")
    only = str(form.get("blade", ""))
    if only and only not in names:
        raise BadRequest("there is no such blade", field="blade")
    blades = {file: content[file] for name, file in names.items() if not only or name == only}
    try:
        read = read_plate(file, content[file])
        found = tools.geometry.work(seatings_of, read, blades, holds, CLEARANCE_MM, seconds=_SECONDS)
    except CatalogueError as refused:
        raise BadRequest("; ".join(map(str, refused.troubles)), field="plate") from refused
    if form.get("do") != "write":
        return found, 0
    ticked = {str(name) for name in form.getlist("take")}
    new = [
        (seating, way)
        for seating in found
        for number, way in enumerate(seating.ways.ways)
        if f"{seating.blade}|{seating.face}|{number}" in ticked and seating.stands is None
    ]
    if not new:
        raise BadRequest("tick what you have laid into a slot and found to lie so", field="take")
    if len({(seating.blade, seating.face) for seating, _ in new}) < len(new):
        raise BadRequest("a blade lies in a slot in one way: tick one of them", field="take")
    height = _height(form)

    def work(session: Session) -> list[tuple[Seating, Way]]:
        draft = drafts.opened(session, by=tools.by(visitor.who))
        if file not in draft.content:
            raise NotFound("the draft has no such plate any more", id=plate)
        there = read_plate(file, draft.content[file]).standing  # a finger that taps twice
        still = [(s, way) for s, way in new if (s.blade, s.face) not in there]
        text = draft.content[file] + "".join(seat_text(s, way, height) for s, way in still)
        if still:
            drafts.write_file(session, draft, file, text, if_version=draft.version, by=tools.by(visitor.who))
        return still

    written = tools.database.write(work)
    return [], max(len(written), 1)


def _height(form: Form) -> float:
    try:
        height = float(str(form.get("height", "")).strip().replace(",", "."))
    except ValueError:
        height = -1.0
    if not 0 <= height <= 500:
        raise BadRequest("no shape says how high the surface lies: measure it", field="height")
    return height


def _measured(tools: Tools, visitor: Visitor, plate: str, form: Form) -> MeasuredSlots:
    file, content = _found(tools, plate)
    shop: Shop = tools.catalogue.current
    station = str(form.get("station", ""))
    if station not in shop.stations:
        raise BadRequest("there is no such station", field="station")
    text = str(form.get("readings", ""))
    if len(text) > _MOST_READINGS:
        raise BadRequest("that is more than a plate has to be measured", field="readings")

    def measure(read: ReadPlate) -> MeasuredSlots:
        met = readings_in(text)
        return measured_slots(
            read.poses,
            points=corners_of(read.outline),
            marks=read.file.fiducials,
            met_marks=met.marks,
            met=met.slots,
            axes=shop.stations[station].axes,
        )

    def work(session: Session) -> MeasuredSlots:
        draft = drafts.opened(session, by=tools.by(visitor.who))
        read = read_plate(file, draft.content.get(file, ""))
        measured = measure(read)
        moved = with_slots(draft.content[file], rows_with(read.poses, measured))
        if moved != draft.content[file]:
            drafts.write_file(session, draft, file, moved, if_version=draft.version, by=tools.by(visitor.who))
        return measured

    try:
        if form.get("do") == "write":
            return tools.database.write(work)
        return measure(read_plate(file, content[file]))
    except (DrawingRefused, NotMeasured) as refused:
        raise BadRequest(str(refused), field="readings") from refused
    except CatalogueError as refused:
        raise BadRequest("; ".join(map(str, refused.troubles)), field="plate") from refused


# --- how it is shown ---


def _content(tools: Tools) -> tuple[dict[str, str], bool]:
    """The draft's files, or those in force; and whether there is a draft."""
    with tools.database.reading() as session:
        draft = drafts.find(session)
        if draft is not None:
            return dict(draft.content), True
        row = version_rows.in_force(session)
        return (version_rows.content_of(session, row) if row is not None else {}), False


def _names(content: Mapping[str, str], kind: str = "plate") -> dict[str, str]:
    """The files of plates (or blades) by their names."""
    found = {}
    for name, text in sorted(content.items()):
        is_one = name.startswith(f"{kind}s/")
        match = re.search(rf'^{kind}\s*=\s*"([^"\n]+)"', text, re.M) if is_one else None
        if match:
            found[match[1]] = name
    return found


def _found(tools: Tools, plate: str) -> tuple[str, dict[str, str]]:
    content, _ = _content(tools)
    names = _names(content)
    if plate not in names:
        raise NotFound("there is no such plate", id=plate)
    return names[plate], content


def _plates(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    typed: Any = None,
) -> Response:
    content, is_draft = _content(tools)
    return page(
        request,
        "plates.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        plates=_names(content),
        in_force=tools.catalogue.current.plates,
        is_draft=is_draft,
        units=UNITS,
        typed=typed or {},
    )


def _slots(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    plate: str,
    *,
    refused: Refusal | None = None,
    **shown: Any,
) -> Response:
    file, content = _found(tools, plate)
    shop: Shop = tools.catalogue.current
    try:
        read: ReadPlate | None = read_plate(file, content[file])
        troubles: tuple[str, ...] = ()
    except CatalogueError as wrong:
        read, troubles = None, tuple(map(str, wrong.troubles))
    in_force = shop.plates.get(plate)
    proofs = [
        (copy, process, kind)
        for copy in (in_force.copies if in_force else ())
        for process in shop.processes.values()
        if plate in shop.stations[process.station].plates
        for kind in shop.stations[process.station].formats[:1]
    ]
    stations = [s.station for s in shop.stations.values() if plate in s.plates] or list(shop.stations)
    return page(
        request,
        "plate_slots.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        plate=plate,
        read=read,
        troubles=troubles,
        blades=list(_names(content, "blade")),
        in_force=in_force,
        proofs=proofs,
        stations=stations,
        **{"seatings": None, "wrote": 0, "measured": None, "moved": False, "typed": {}, **shown},
    )
