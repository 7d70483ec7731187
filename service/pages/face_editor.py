"""The page on which the zones and keep-outs of a face are drawn: dragged by its script, or typed as numbers,
with the largest words that fit shown as the check itself places them."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse

from layout.pictures.zone_trial import box_of, draw_trial, losses
from layout.shop.blades import Blade, Face, Zone
from layout.shop.findings import Severity
from layout.shop.inscriptions import TextInscription
from service.doorway import AtHand
from service.pages.describing import FileName, Looked, change_file, looked, seen, table_address
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, NotFound, Refusal
from service.requests.check_answers import FindingAnswer, findings_answer
from service.shop import catalogue
from service.shop.catalogue import CatalogueError, Trouble, editing, inputs
from service.shop.catalogue.editing import NotEditable, Steps
from service.shop.catalogue.files import document_or_none, place_of
from service.shop.tools import Tools
from service.shop.zone_trial import Missing, shop_around

router = APIRouter(include_in_schema=False, route_class=PageRoute)

FACE, TRY = "/owner/shop/face", "/owner/shop/face/try"
FaceNumber = Annotated[int, Query(ge=0, le=50)]

#: The keys of each that are drawn, or that say how large words may be.
_DRAWN = {
    "zone": (
        "polygon",
        "baseline",
        "anchor",
        "max_lines",
        "min_height_mm",
        "max_height_mm",
        "edge_margin_mm",
        "usual_height_mm",
        "usual_room_mm",
    ),
    "keep_out": ("shape",),
}
_SHAPES = {"polygon", "shape", "baseline", "anchor"}
_MOST_WORDS = 200
_WORDS = "Anna"


@dataclass(frozen=True, slots=True)
class Drawn:
    """A zone or keep-out of the face: where it stands, its name, its inputs, and those of its shapes."""

    kind: str
    at: str
    name: str
    table: inputs.Table

    @property
    def shapes(self) -> list[inputs.Input]:
        return [one for one in self.table.inputs if one.key in _SHAPES]


@dataclass(frozen=True, slots=True)
class Asked:
    """Which words are tried: in which zone, font and product."""

    words: str
    zone: str
    font: str
    sku: str


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of it: the picture, the capital height that fits, why words are refused, what the zones
    lose, and what was stood in for."""

    picture: str
    height_mm: float | None = None
    findings: tuple[FindingAnswer, ...] = ()
    losses: tuple[tuple[str, str, float], ...] = ()
    missing: frozenset[Missing] = frozenset()
    troubles: tuple[Trouble, ...] = ()
    busy: Refusal | None = None


@router.get(FACE)
def get_face(
    request: Request, tools: AtHand, visitor: OwnerVisitor, file: FileName, face: FaceNumber = 0
) -> Response:
    """A face with its zones and keep-outs, to be drawn."""
    look = looked(tools)
    return _page(request, tools, visitor, look, file, face, text=_text(look, file), given={})


@router.post(FACE)
def post_face(
    request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form, file: FileName, face: FaceNumber = 0
) -> Response:
    """Save what was drawn into the draft, and add a zone or keep-out where that was pressed; or only show
    it."""
    look = looked(tools)
    act, given = str(form.get("act", "save")), _strings(form)
    before = _text(look, file)
    try:
        if act == "show":
            return _page(
                request,
                tools,
                visitor,
                look,
                file,
                face,
                text=_drawn_text(look, file, face, before, given),
                given=given,
            )

        def change(text: str | None) -> str:
            return _added(look, file, face, _drawn_text(look, file, face, text or "", given), act)

        change_file(tools, visitor, file, change, form_saw=given.get("seen", ""))
    except NotEditable as error:
        refusal: Refusal = BadRequest(str(error), field="file")
        return _page(request, tools, visitor, look, file, face, text=before, given=given, refused=refusal)
    except Refusal as error:
        text = before
        with suppress(NotEditable):  # where the file has other zones by now, those are shown
            text = _drawn_text(look, file, face, before, given)
        return _page(request, tools, visitor, look, file, face, text=text, given=given, refused=error)
    # The words, which may be anybody's, are in no address.
    asked: dict[str, str] = {key: given[key][:60] for key in ("font", "zone", "sku") if key in given}
    where: dict[str, str] = {"file": file, "face": str(face), "saved": "1", **asked}
    return RedirectResponse(f"{FACE}?{urlencode(where)}", 303)


@router.post(TRY)
def post_try(
    request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form, file: FileName, face: FaceNumber = 0
) -> Response:
    """What the check says of the words where the zones are now; nothing is saved."""
    look = looked(tools)
    given = _strings(form)
    text = _text(look, file)
    try:
        text = _drawn_text(look, file, face, text, given)
    except NotEditable as error:
        raise NotFound(str(error), id=file) from error
    _, tried = _tried(tools, look, file, face, text, given)
    return page(request, "describing_tried.html", visitor, tried=tried)


def _strings(form: Any) -> dict[str, str]:
    return {name: value for name, value in form.items() if isinstance(value, str)}


def _text(look: Looked, file: str) -> str:
    text = look.content.get(file)
    if text is None or not file.startswith("blades/") or document_or_none(file, text) is None:
        raise NotFound("the draft has no such blade", id=file)
    return text


def _parts(look: Looked, text: str, face: int) -> list[Drawn]:
    """Zones and keep-outs of the face. Raises NotEditable."""
    document = editing.document_of(text)
    around = editing.value_at(document, ("face", face))
    if not isinstance(around, dict):
        raise NotEditable("there is no such face any more")
    parts = []
    for kind, keys in _DRAWN.items():
        entries = around.get(kind, [])
        for index, entry in enumerate(entries if isinstance(entries, list) else []):
            steps: Steps = ("face", face, kind, index)
            try:
                table = inputs.table_of("blades", document, steps, look.names, prefix=f"{kind}{index}")
            except (KeyError, IndexError, TypeError) as error:
                raise NotEditable("a zone of this face can't be read; change the file's text") from error
            kept = tuple(one for one in table.inputs if one.key in keys)
            parts.append(Drawn(kind, place_of(steps), str(entry.get(kind, "")), replace(table, inputs=kept)))
    return parts


def _drawn_text(look: Looked, file: str, face: int, text: str, given: Mapping[str, str]) -> str:
    """The file's text with the shapes as the form has them. Raises NotEditable."""
    for part in _parts(look, text, face):
        steps = editing.steps_of(part.at)
        before = editing.value_at(editing.document_of(text), steps)
        if f"{part.table.inputs[0].name}~way" in given:  # the form had it
            text = editing.with_table(text, steps, inputs.read(part.table, before, given.get))
    return text


def _added(look: Looked, file: str, face: int, text: str, act: str) -> str:
    """With a zone or a keep-out more, in the middle of the face."""
    kind = act.removeprefix("add:")
    if kind not in _DRAWN or kind == act:
        return text
    outline = catalogue.outline_in(text, face)
    x0, y0, x1, y1 = outline.bounds if outline is not None else (0.0, 0.0, 100.0, 30.0)
    x, y, wide, high = (x0 + x1) / 2, (y0 + y1) / 2, (x1 - x0) / 6, (y1 - y0) / 8
    taken = {part.name for part in _parts(look, text, face)}
    name = editing.another_name(kind.replace("_", "-"), taken)
    around = ("face", face, kind)
    if kind == "keep_out":
        made: dict[str, Any] = {
            "shape": {"circle": [round(x, 1), round(y, 1), round(high, 1)]},
            "reason": "other",
        }
        return editing.with_entry(text, around, {"keep_out": name, **made})
    left, low, right, top = (round(v, 1) for v in (x - wide, y - high, x + wide, y + high))
    made = {
        "polygon": {"rect": [left, low, right, top]},
        "baseline": [[left, round(y, 1)], [right, round(y, 1)]],
        "kinds": ["text"],
        "fonts": "all",
        "max_lines": 1,
        "min_height_mm": 2,
        "max_height_mm": 10,
    }
    return editing.with_entry(text, around, {"zone": name, **made})


def _blade(look: Looked, text: str) -> Blade | None:
    try:
        return catalogue.blade_in("blades/this.toml", text, tuple(look.shop.fonts))
    except CatalogueError:
        return None


def _tried(
    tools: Tools, look: Looked, file: str, number: int, text: str, given: Mapping[str, str]
) -> tuple[Face | None, Tried]:
    """The face as it is drawn (None: it can't be), and the words in it."""
    try:
        blade = catalogue.blade_in(file, text, tuple(look.shop.fonts))
        face = blade.faces[number]
    except CatalogueError as error:
        return None, Tried("", troubles=error.troubles)
    except IndexError:
        return None, Tried("")
    found = tuple((zone.zone, name, area) for zone in face.zones for name, area in losses(face, zone))
    asked = _asked(look, blade, face, given)
    zone = next((zone for zone in face.zones if zone.zone == asked.zone), None)
    if (
        zone is None
        or not asked.words.strip()
        or asked.font not in look.shop.fonts
        or "text" not in zone.kinds
    ):
        return face, Tried(draw_trial(face, zone=None), losses=found)
    trial = shop_around(look.shop, blade, face, zone, sku=asked.sku, font=asked.font)
    words = TextInscription(zone.zone, asked.words, asked.font, size="largest")
    try:
        checked, findings = tools.geometry.try_out(trial.shop, trial.sku, words)
    except Refusal as refusal:
        return face, Tried(draw_trial(face, zone=zone), losses=found, busy=refusal)
    refused = [one for one in findings if one.severity is Severity.REFUSE]
    region = checked.region.polygon if checked.region is not None else None
    outline = checked.mark.outline if checked.mark is not None else checked.overrun
    picture = draw_trial(face, zone=zone, region=region, outline=outline, is_refused=bool(refused))
    return face, Tried(
        picture,
        checked.size_mm if checked.mark is not None and not refused else None,
        findings_answer(refused or [one for one in findings if one.severity is Severity.REVIEW]),
        found,
        trial.missing,
    )


def _asked(look: Looked, blade: Blade, face: Face, given: Mapping[str, str]) -> Asked:
    zones = [zone for zone in face.zones if "text" in zone.kinds] or list(face.zones)
    zone = next((zone for zone in zones if zone.zone == given.get("zone")), zones[0])
    fonts = _fonts(look, zone)
    sold = [product.sku for product in look.shop.products.values() if product.blade == blade.blade]
    sku = given.get("sku", "")
    return Asked(
        given.get("words", _WORDS).replace("\r\n", "\n")[:_MOST_WORDS],
        zone.zone,
        given.get("font", "") if given.get("font") in fonts else next(iter(fonts), ""),
        sku if sku in sold else next(iter(sold), ""),
    )


def _fonts(look: Looked, zone: Zone) -> list[str]:
    return [name for name in zone.fonts if name in look.shop.fonts]


def _page(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    look: Looked,
    file: str,
    number: int,
    *,
    text: str,
    given: Mapping[str, str],
    refused: Refusal | None = None,
) -> Response:
    asked = {
        **{key: value for key, value in request.query_params.items() if key in ("zone", "font", "sku")},
        **given,
    }
    try:
        parts = _parts(look, text, number)
    except NotEditable as error:
        raise NotFound(str(error), id=file) from error
    face, tried = _tried(tools, look, file, number, text, asked)
    blade = _blade(look, text)
    document = editing.document_of(text)
    chosen = _asked(look, blade, face, asked) if blade is not None and face is not None else None
    shown_zone = next((z for z in face.zones if chosen and z.zone == chosen.zone), None) if face else None
    return page(
        request,
        "describing_face.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        file=file,
        number=number,
        here_address=f"{FACE}?{urlencode({'file': file, 'face': number})}",
        try_address=f"{TRY}?{urlencode({'file': file, 'face': number})}",
        blade_name=str(document.get("name") or document.get("blade") or file),
        face_name=str(document["face"][number].get("face", "")),
        parts=parts,
        box=box_of(face) if face is not None else None,
        tried=tried,
        chosen=chosen,
        words=given.get("words", _WORDS),
        zones=[zone.zone for zone in face.zones if "text" in zone.kinds] if face else [],
        fonts=[look.shop.fonts[name] for name in _fonts(look, shown_zone)] if shown_zone else [],
        products=[p for p in look.shop.products.values() if blade is not None and p.blade == blade.blade],
        seen=given.get("seen") if refused is None and "seen" in given else seen(look.content.get(file)),
        saved=request.query_params.get("saved") is not None and request.method == "GET",
        address=table_address,
    )
