"""The owner's drawings: a DXF or SVG file, or lines traced on a photo, become a blade's file."""

from __future__ import annotations

import base64
import re
from typing import get_args

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse

from layout.drawing.faces import Choice, Direction, Role
from layout.drawing.rings import CLOSE_MM
from layout.drawing.strokes import DrawingRefused
from layout.shop.blades import KeepOutReason
from layout.shop.shop import Shop
from service.doorway import AtHand
from service.drawings.blade_file import product_file
from service.drawings.take import Answers
from service.drawings.traced import drawing_of, scale_of, trace_in
from service.drawings.tried import Tried, tried
from service.drawings.units import UNITS
from service.pages.carried import (
    LARGEST_DRAWING,
    LARGEST_FORM,
    SECONDS,
    Carried,
    carried_in,
    name_in,
    number_in,
    one_of,
    source_of,
)
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, saved, status_of
from service.papers import texts
from service.papers.words import PARTS_OF_DRAWINGS
from service.records.errors import BadRequest, Refusal
from service.requests.served import Served
from service.shop import additions
from service.shop.catalogue.schema import FaceName
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

ADDRESS = "/owner/drawings"
_MOST_FACES = 6
_NAME = re.compile(r"[^A-Za-z0-9_.-]+")


@router.get(ADDRESS)
def get_drawings(request: Request, visitor: OwnerVisitor) -> Response:
    """Choose a drawing."""
    return page(request, "drawings.html", visitor, most_mb=LARGEST_DRAWING // 2**20)


@router.get(f"{ADDRESS}/photo")
def get_photo(request: Request, visitor: OwnerVisitor) -> Response:
    """Trace a blade on a photo."""
    return page(request, "trace.html", visitor)


@router.post(f"{ADDRESS}/photo/scale")
def post_scale(tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """What the corners and known distances on a photo say, for the page's script."""
    try:
        return JSONResponse(scale_of(trace_in(str(form.get("trace", "")))).model_dump())
    except DrawingRefused as refused:
        return JSONResponse({"refused": str(refused)}, status_code=422)


@router.post(ADDRESS, max_body_size=LARGEST_FORM)
def post_drawing(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """What becomes of a drawing with what was said of it so far."""
    try:
        drawing, about_mm = _drawing(form)
        answers = _answers(form, drawing)
        result = _tried(tools, drawing, answers)
    except Refusal as refusal:
        return page(
            request,
            "drawings.html",
            visitor,
            status=status_of(refusal),
            refused=refusal,
            most_mb=LARGEST_DRAWING // 2**20,
        )
    return _shown(request, tools, visitor, form, drawing, answers, result, about_mm)


@router.post(f"{ADDRESS}/file", max_body_size=LARGEST_FORM)
def post_file(tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """The blade's file, or its product's, to be put into the shop's folder. Raises BadRequest."""
    drawing, _ = _drawing(form)
    answers = _answers(form, drawing)
    if form.get("which") == "product":
        name, text = _product(form, answers)
    else:
        result = _tried(tools, drawing, answers)
        if not result.text:
            raise BadRequest(result.refused or "the drawing can't say everything: answer the questions first")
        name, text = f"{answers.blade}.toml", result.text
    return saved(Served.of(text, name, "application/toml"))


@router.post(f"{ADDRESS}/draft", max_body_size=LARGEST_FORM)
def post_draft(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Write the blade's file, and its product's where a sku is given, into the draft. Raises BadRequest."""
    drawing, about_mm = _drawing(form)
    answers = _answers(form, drawing)
    result = _tried(tools, drawing, answers)
    if not result.text:
        raise BadRequest(result.refused or "the drawing can't say everything: answer the questions first")
    files = {f"blades/{answers.blade}.toml": result.text}
    if str(form.get("sku", "")).strip():
        name, text = _product(form, answers)
        files[f"products/{name}"] = text
    by = tools.by(visitor.who)
    tools.database.write(lambda session: additions.write_to_draft(session, lambda _: files, by=by))
    return _shown(request, tools, visitor, form, drawing, answers, result, about_mm, drafted=tuple(files))


def _tried(tools: Tools, drawing: Carried, answers: Answers) -> Tried:
    return tools.geometry.work(tried, drawing.data, answers, seconds=SECONDS)


def _shown(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    form: Form,
    drawing: Carried,
    answers: Answers,
    result: Tried,
    about_mm: float | None,
    *,
    drafted: tuple[str, ...] = (),
) -> Response:
    shop: Shop = tools.catalogue.current
    surfaces = {(p.surface.material, p.surface.finish) for p in shop.processes.values()}
    say = texts.texts_of(visitor.language).gettext
    typed = {name: str(value) for name, value in form.items() if isinstance(value, str)}
    return page(
        request,
        "drawing.html",
        visitor,
        packed=drawing.packed,
        source=drawing.source,
        answers=answers,
        result=result,
        picture=base64.b64encode(result.picture.encode()).decode(),
        about_mm=about_mm,
        drafted=drafted,
        typed=typed,
        parts=[(part, say(said)) for part, said in PARTS_OF_DRAWINGS.items()],
        units=UNITS,
        materials=_spoken({material for material, _ in surfaces}),
        finishes=_spoken({finish for _, finish in surfaces}),
        is_there=answers.blade in shop.blades,
    )


def _spoken(names: set[str]) -> list[tuple[str, str]]:
    return [(name, name.replace("_", " ")) for name in sorted(names)]


def _drawing(form: Form) -> tuple[Carried, float | None]:
    """The drawing that was chosen, traced, or came along; and how far off a traced one may be (mm). Raises
    BadRequest."""
    traced = str(form.get("trace", ""))
    about = str(form.get("about_mm", ""))
    if traced:
        try:
            data, about_mm = drawing_of(trace_in(traced))
        except DrawingRefused as refused:
            raise BadRequest(str(refused), field="trace") from refused
        return Carried(data, source_of(str(form.get("source", "")) or "photo")), round(about_mm, 2)
    drawing = carried_in(form, "ricasso catalogue from-drawing")
    return drawing, float(about) if re.fullmatch(r"\d{1,4}(\.\d{1,3})?", about) else None


def _answers(form: Form, drawing: Carried) -> Answers:
    """What the form says, as far as it says something. Raises BadRequest."""
    given = str(form.get("blade", "")).strip() or drawing.stem
    blade = _NAME.sub("-", given)[:50].strip("-._") or "blade"
    numbers = range(1, _MOST_FACES + 1)
    sides = [one_of(form, f"side-{n}", get_args(FaceName)) for n in numbers]
    handles = [one_of(form, f"handle-{n}", get_args(Direction)) for n in numbers]
    return Answers(
        blade=blade,
        name=name_in(form, blade),
        source=drawing.source,
        sides=tuple(side for side in sides if side),
        edge=one_of(form, "edge", (*get_args(Direction), "none")),
        handle=tuple(handle for handle in handles if handle),
        other_side=form.get("both") == "yes",
        unit=one_of(form, "unit", UNITS),
        dpi=number_in(form, "dpi", 96.0, 1.0, 100_000.0),
        choices=tuple(_choices(form)),
        close_mm=number_in(form, "close", CLOSE_MM, 0.001, 10.0),
    )


def _choices(form: Form) -> list[Choice]:
    """What was said of the drawing's names, by their number in the form."""
    made = []
    for number in range(1, 100):
        part, name = str(form.get(f"part-{number}", "")), str(form.get(f"named-{number}", ""))
        if part and name:
            if part not in PARTS_OF_DRAWINGS:
                raise BadRequest("choose one of those that are offered", field=f"part-{number}")
            role, _, reason = part.partition(":")
            # A name may hold what would stand for other names.
            pattern = re.sub(r"([*?\[])", r"[\1]", name)
            made.append(Choice(_role(role), pattern, _reason(reason)))
    return made


def _role(role: str) -> Role:
    assert role in get_args(Role)
    return role  # type: ignore[return-value]


def _reason(reason: str) -> KeepOutReason:
    return reason if reason in get_args(KeepOutReason) else "other"  # type: ignore[return-value]


def _product(form: Form, answers: Answers) -> tuple[str, str]:
    sku, steel, finish = (" ".join(str(form.get(n, "")).split())[:60] for n in ("sku", "steel", "finish"))
    if not sku or not steel or not finish:
        raise BadRequest("a product has a sku, a steel and a finish", field="sku")
    if not sku.isprintable():
        raise BadRequest("this can't be kept: it holds what can't be printed", field="sku")
    text = product_file(sku=sku, name=answers.name, blade=answers.blade, material=steel, finish=finish)
    return f"{_NAME.sub('-', sku)}.toml", text
