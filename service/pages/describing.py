"""The owner's pages that change the shop's description: every file of the draft by forms, or as text.

Nothing here is in force: what is saved goes into the draft, which is checked as it stands and put in force
as a whole (`service.shop.drafts`). A form is made from a file's text; if somebody else has changed that
file meanwhile, nothing is written, and both are shown.
"""

from __future__ import annotations

import base64
import hashlib
import re
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any
from urllib.parse import quote, urlencode

import tomlkit
from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session
from starlette.datastructures import UploadFile

from layout.marks.artwork import MOST_BYTES as MOST_DRAWING_BYTES
from layout.pictures.blades_and_plates import draw_face, draw_plate
from layout.pictures.set_words import outline_svg
from layout.shop.shop import Shop
from service.changes import put
from service.doorway import AtHand
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.records.errors import BadRequest, NotFound, Refusal, StaleVersion
from service.shop import catalogue, drafts
from service.shop import version_rows as rows
from service.shop.catalogue import Trouble, editing, inputs
from service.shop.catalogue.editing import NotEditable, Steps
from service.shop.catalogue.files import document_or_none, is_encoded, place_of, text_digest_of
from service.shop.catalogue.lines import NAMING, path_of
from service.shop.catalogue.photos import ENDINGS, PHOTOS
from service.shop.catalogue.schema import KINDS
from service.shop.drafts import Draft
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)

SHOP, DRAFT = "/owner/shop", "/owner/shop/draft"
TABLE, TEXT, UPLOAD = "/owner/shop/table", "/owner/shop/text", "/owner/shop/file"
#: A photo as it comes; the description's own limit is that of its text.
LARGEST_PHOTO = 1_000_000
#: A file's text in a form, whose letters may be sent as nine signs each.
LARGEST_TEXT = 4 * 2**20
#: In the order in which a shop is thought of; kinds that are not named here come last.
_FIRST = (
    "products",
    "blades",
    "plates",
    "stations",
    "processes",
    "fonts",
    "artwork",
    "stock",
    "stores",
    "policy",
)
KIND_ORDER = (*(kind for kind in _FIRST if kind in KINDS), *(kind for kind in KINDS if kind not in _FIRST))
FileName = Annotated[str, Query(max_length=120)]
Place = Annotated[str, Query(max_length=200)]


@dataclass(frozen=True, slots=True)
class Thing:
    """Something that the description says: in which file, where in it, and what it is called."""

    file: str
    at: str
    name: str
    troubles: int


@dataclass(frozen=True, slots=True)
class Looked:
    """Files of the description looked over: the shop as far as it can be read, and what is wrong."""

    content: Mapping[str, str]
    shop: Shop
    troubles: tuple[Trouble, ...]
    draft: Draft | None
    names: Mapping[str, list[str]] = field(default_factory=dict)

    def said_of(self, file: str) -> dict[str, list[str]]:
        """What is wrong with a file, by place (by numbers alone; the whole file: an empty one)."""
        said: dict[str, list[str]] = {}
        for trouble in self.troubles:
            if trouble.file == file:
                place = path_of(self.content.get(file, ""), trouble.place)
                words = trouble.reason if place or not trouble.place else f"{trouble.place}: {trouble.reason}"
                said.setdefault(place, []).append(words)
        return said


_KNOWN: dict[str, tuple[Shop, tuple[Trouble, ...]]] = {}
_KNOWN_LOCK = threading.Lock()
_MOST_KNOWN = 4


def looked(tools: Tools) -> Looked:
    """The draft, or what is in force where there is none, looked over. What was looked over a moment ago is
    not looked over again."""
    with tools.database.reading() as session:
        draft, content = _content(session)
    digest = text_digest_of(content)
    with _KNOWN_LOCK:
        known = _KNOWN.get(digest)
    if known is None:
        known = catalogue.looked_over(content)
        with _KNOWN_LOCK:
            while len(_KNOWN) >= _MOST_KNOWN:
                del _KNOWN[next(iter(_KNOWN))]
            _KNOWN[digest] = known
    return Looked(content, *known, draft, inputs.names_in(content))


def _content(session: Session) -> tuple[Draft | None, Mapping[str, str]]:
    draft = drafts.find(session)
    if draft is not None:
        return draft, draft.content
    in_force = rows.in_force(session)
    return None, {} if in_force is None else rows.content_of(session, in_force)


def seen(text: str | None) -> str:
    """What a form keeps of the file's text that it was made from; an empty one where there was no file."""
    return "" if text is None else hashlib.sha256(text.encode()).hexdigest()[:16]


def change_file(
    tools: Tools,
    visitor: Visitor,
    file: str,
    change: Callable[[str | None], str | None],
    *,
    form_saw: str | None = None,
) -> None:
    """Change a file of the draft, which is begun where there is none; a text of None takes the file out, or
    is no file yet. `form_saw`: as `seen` gave it. Raises StaleVersion where the file is another by now,
    NotEditable, BadRequest."""

    def work(session: Session) -> None:
        by = tools.by(visitor.who)
        _, content = _content(session)
        before = content.get(file)
        if form_saw is not None and form_saw != seen(before):
            raise StaleVersion(
                "somebody has changed this file meanwhile: nothing of yours was saved, and it is all still "
                "in the form",
                file=file,
            )
        after = change(before)
        if after == before:
            return
        draft = drafts.opened(session, by=by)
        if after is None:
            drafts.remove_file(session, draft, file, if_version=draft.version, by=by)
        else:
            drafts.write_file(session, draft, file, after, if_version=draft.version, by=by)

    tools.database.write(work)


# --- the whole draft ---


@router.get(SHOP)
def get_shop(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """Everything that the description says, by kind, with what is wrong with the draft."""
    return _shop(request, tools, visitor)


def _shop(request: Request, tools: Tools, visitor: Visitor, *, refused: Refusal | None = None) -> Response:
    look = looked(tools)
    return page(
        request,
        "describing.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        look=look,
        kinds=[(kind, _things(look, kind), _files(look, kind)) for kind in KIND_ORDER],
        has_one_each={kind for kind in KIND_ORDER if inputs.list_of(kind) is None},
        troubles=[(trouble, _address_of(look, trouble)) for trouble in look.troubles],
        address=table_address,
        drawings=[name for name in look.content if name.startswith("artwork/") and name.endswith(".svg")],
        photos=[name for name in look.content if name.startswith(f"{PHOTOS}/")],
        seen=seen,
        put=request.query_params.get("put") is not None and look.draft is None,
    )


@router.post(DRAFT)
def post_draft(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Put the draft in force as it was looked at, or drop it. A second time changes nothing."""
    version = str(form.get("version", ""))
    if_version = int(version) if version.isdecimal() and len(version) < 10 else 0
    by = tools.by(visitor.who)
    try:
        if form.get("act") == "drop":
            tools.database.write(lambda session: drafts.drop(session, if_version=if_version, by=by))
            return RedirectResponse(SHOP, 303)
        why = " ".join(str(form.get("why", "")).split())
        put.put_draft(tools, if_version=if_version, why=why, who=visitor.who)
    except Refusal as refusal:
        return _shop(request, tools, visitor, refused=refusal)
    return RedirectResponse(f"{SHOP}?put=1", 303)


def _files(look: Looked, kind: str) -> list[str]:
    return [name for name in look.content if name.startswith(f"{kind}/") and name.endswith(".toml")]


def _things(look: Looked, kind: str) -> list[Thing]:
    key, listed = inputs.naming_key(kind), inputs.list_of(kind)
    things = []
    for file in _files(look, kind):
        document = document_or_none(file, look.content[file])
        said = look.said_of(file)
        entries: Any = [document] if listed is None else (document or {}).get(listed, [])
        for index, entry in enumerate(entries if isinstance(entries, list) else []):
            at = "" if listed is None else f"{listed}[{index}]"
            about = entry if isinstance(entry, dict) else {}
            name = str(about.get("name") or about.get(key or "") or file)
            wrong = sum(len(words) for place, words in said.items() if listed is None or place.startswith(at))
            things.append(Thing(file, at, name, wrong))
    return things


def _address_of(look: Looked, trouble: Trouble) -> str | None:
    """Where a trouble is mended: the form of the table that it is in."""
    text = look.content.get(trouble.file)
    if text is None or not trouble.file.endswith(".toml"):
        return None
    document = document_or_none(trouble.file, text)
    if document is None:
        return f"{TEXT}?{urlencode({'file': trouble.file})}"
    return table_address(trouble.file, _table_around(document, path_of(text, trouble.place)))


def _table_around(document: Any, place: str) -> str:
    """The innermost table with a page of its own that a place lies in."""
    try:
        steps = editing.steps_of(place)
    except NotEditable:
        return ""
    while steps and not _has_a_page(document, steps):
        steps = steps[:-1]
    return place_of(steps)


def _has_a_page(document: Any, steps: Steps) -> bool:
    try:
        return isinstance(steps[-1], int) and isinstance(editing.value_at(document, steps), dict)
    except NotEditable:
        return False


def table_address(file: str, at: str = "", **more: str) -> str:
    """The page of one table of a file."""
    return f"{TABLE}?{urlencode({'file': file, **({'at': at} if at else {}), **more}, quote_via=quote)}"


@router.post(SHOP)
def post_thing(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Something new of a kind, under a name; its form is opened."""
    kind, name = str(form.get("kind", "")), " ".join(str(form.get("name", "")).split())[:60]
    try:
        if kind not in KINDS:
            raise BadRequest("choose what is new", field="kind")
        if not name and kind != "policy":
            raise BadRequest("give it a name", field="name")
        file, at = _begun(tools, visitor, kind, name)
    except Refusal as refusal:
        return _shop(request, tools, visitor, refused=refusal)
    return RedirectResponse(table_address(file, at), 303)


def _begun(tools: Tools, visitor: Visitor, kind: str, name: str) -> tuple[str, str]:
    look = looked(tools)
    listed, key = inputs.list_of(kind), inputs.naming_key(kind)
    if listed is None:
        file = f"{kind}/{_file_name(name or kind)}.toml"
        if file in look.content:
            raise BadRequest(f"there is a file {file} already", field="name")
        named = {key: name, "name": name} if key is not None else {}
        change_file(tools, visitor, file, lambda _: tomlkit.dumps(named), form_saw="")
        return file, ""
    file = next(iter(_files(look, kind)), f"{kind}/{kind}.toml")
    count = len(_entries(look, file, listed))
    _edit(
        tools,
        visitor,
        file,
        lambda text: editing.with_entry(text, (listed,), {str(key): name}),
        form_saw=seen(look.content.get(file)),
    )
    return file, f"{listed}[{count}]"


def _entries(look: Looked, file: str, listed: str) -> list[Any]:
    document = document_or_none(file, look.content.get(file, "")) or {}
    entries = document.get(listed, [])
    return entries if isinstance(entries, list) else []


def _file_name(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:60] or "new"


# --- one table ---


@router.get(TABLE)
def get_table(
    request: Request, tools: AtHand, visitor: OwnerVisitor, file: FileName, at: Place = ""
) -> Response:
    """A table of a file as a form: a product, a blade, a zone of it, a plate's seat, the hours."""
    look = looked(tools)
    return _table(request, tools, visitor, look, file, at)


@router.post(TABLE)
def post_table(
    request: Request,
    tools: AtHand,
    visitor: OwnerVisitor,
    form: Form,
    file: FileName,
    at: Place = "",
) -> Response:
    """Save the form, and then, if another button was pressed: add to a list of it, copy it, take it out."""
    act, form_saw = str(form.get("act", "save")), str(form.get("seen", ""))
    look = looked(tools)
    after: list[str] = [at]

    def changed(text: str) -> str:
        document = editing.document_of(text)
        steps = editing.steps_of(at)
        table = _inputs(look, file, document, steps)
        values = inputs.read(table, editing.value_at(document, steps), _typed(form))
        made = editing.with_table(text, steps, values)
        after[0], made = _acted(made, table, steps, act)
        return made

    try:
        if act == "remove" and not at:
            change_file(tools, visitor, file, lambda _: None, form_saw=form_saw)
            return RedirectResponse(SHOP, 303)
        if act == "copy" and not at:
            return RedirectResponse(table_address(_copied_file(tools, visitor, look, file)), 303)
        _edit(tools, visitor, file, changed, form_saw=form_saw)
    except Refusal as refusal:
        return _table(request, tools, visitor, look, file, at, refused=refusal, typed=_typed(form))
    if act == "remove" and inputs.list_of(file.partition("/")[0]) == editing.steps_of(at)[0]:
        return RedirectResponse(SHOP, 303)
    return RedirectResponse(table_address(file, after[0], **({"saved": "1"} if act == "save" else {})), 303)


def _acted(text: str, table: inputs.Table, steps: Steps, act: str) -> tuple[str, str]:
    """What a button does beside saving: where to go on, and the text."""
    if act.startswith("add:"):
        listed = next((one for one in table.lists if one.key == act.removeprefix("add:")), None)
        if listed is None:
            raise NotEditable("there is no such list")
        where = (*steps, listed.key)
        return place_of((*where, len(listed.entries))), editing.with_entry(text, where, listed.starts_with)
    if act == "copy":
        made, copied = editing.copied_entry(text, steps)
        return place_of(copied), made
    if act == "remove":
        return place_of(steps[:-2]), editing.without_entry(text, steps)
    return place_of(steps), text


def _copied_file(tools: Tools, visitor: Visitor, look: Looked, file: str) -> str:
    kind = file.partition("/")[0]
    key = inputs.naming_key(kind)
    text = look.content.get(file)
    if text is None or key is None:
        raise NotFound("the draft has no such file", id=file)
    name = editing.another_name(str(_document(text).get(key, kind)), set(look.names.get(kind, ())))
    made = f"{kind}/{_file_name(name)}.toml"
    if made in look.content:
        raise BadRequest(f"there is a file {made} already", field="name")
    _edit(tools, visitor, made, lambda _: editing.renamed(text, key, name), form_saw="")
    return made


def _document(text: str) -> dict[str, Any]:
    try:
        return editing.document_of(text)
    except NotEditable as error:
        raise BadRequest(str(error), field="file") from error


def _edit(tools: Tools, visitor: Visitor, file: str, change: Callable[[str], str], *, form_saw: str) -> None:
    """Change a file's text; one that can't be changed so is refused with the reason."""
    try:
        change_file(tools, visitor, file, lambda text: change(text or ""), form_saw=form_saw)
    except NotEditable as error:
        raise BadRequest(str(error), field="file") from error


def _inputs(look: Looked, file: str, document: Any, steps: Steps) -> inputs.Table:
    kind = file.partition("/")[0]
    names = {**look.names, **_names_beside(document, steps)}
    try:
        return inputs.table_of(kind, document, steps, names)
    except (KeyError, IndexError, TypeError) as error:
        raise NotEditable("there is no such place in this file any more") from error


def _names_beside(document: Any, steps: Steps) -> dict[str, list[str]]:
    """Names in the same file: a plate's slots, keep-outs of a face that another one mirrors."""
    slots = document.get("slots", [])
    names = [str(slot[0]) for slot in slots if isinstance(slot, list) and slot]
    faces = [face for face in document.get("face", []) if isinstance(face, dict)]
    keep_outs = [
        str(one.get("keep_out"))
        for face in faces
        for key in ("keep_out", "keep_out_row")
        for one in face.get(key, [])
        if isinstance(one, dict)
    ]
    return {"slots": names, "keep-outs": list(dict.fromkeys(keep_outs))}


def _typed(form: Any) -> inputs.Typed:
    def typed(name: str) -> str | None:
        value = form.get(name)
        return value if isinstance(value, str) else None

    return typed


def _table(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    look: Looked,
    file: str,
    at: str,
    *,
    refused: Refusal | None = None,
    typed: inputs.Typed | None = None,
) -> Response:
    kind = file.partition("/")[0]
    text = look.content.get(file)
    if text is None or kind not in KINDS or not file.endswith(".toml"):
        raise NotFound("the draft has no such file", id=file)
    if document_or_none(file, text) is None:
        return RedirectResponse(f"{TEXT}?{urlencode({'file': file})}", 303)
    document = _document(text)
    try:
        steps = editing.steps_of(at)
        now = editing.value_at(document, steps)
        table = _inputs(look, file, document, steps)
    except NotEditable as error:
        raise NotFound(str(error), id=at) from error
    theirs: dict[str, str] = {}
    if typed is not None:  # what was typed stays; what the file has instead stands beside it
        values = inputs.read(table, now, typed)
        before = {one.key: one for one in table.inputs}
        table = replace(table, inputs=inputs.with_values(kind, document, steps, values, look.names))
        theirs = {
            f"{at}.{one.key}".removeprefix("."): inputs.in_words(before.get(one.key))
            for one in table.inputs
            if now.get(one.key) != values.get(one.key)
        }
    said = look.said_of(file)
    return page(
        request,
        "describing_table.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        file=file,
        kind=kind,
        at=at,
        steps=steps,
        around=_around(document, file, steps),
        name=str(now.get("name") or now.get(_own_key(kind, steps), "") or file),
        table=table,
        said=said,
        theirs=theirs,
        seen=seen(text),
        saved=request.query_params.get("saved") is not None and refused is None,
        pictures=_pictures(look, kind, now) if not steps else [],
        address=table_address,
        is_face=kind == "blades" and steps[:1] == ("face",) and len(steps) == 2,
        is_more_than_one=kind != "policy",
        wrong=len(look.troubles),
    )


def _own_key(kind: str, steps: Steps) -> str:
    if steps:
        return NAMING.get(str(steps[-2]), "")
    return inputs.naming_key(kind) or ""


def _around(document: Any, file: str, steps: Steps) -> list[tuple[str, str]]:
    """The tables that this one is in, outermost first: name and address."""
    kind = file.partition("/")[0]
    listed = inputs.list_of(kind)
    found = []
    for end in range(0, len(steps), 2):
        if end == 0 and listed is not None:
            continue  # a list of things is the page of the shop
        here = editing.value_at(document, steps[:end])
        name = here.get(_own_key(kind, steps[:end]), file)
        found.append((str(name).replace("_", " "), table_address(file, place_of(steps[:end]))))
    return found


def _pictures(look: Looked, kind: str, table: Mapping[str, Any]) -> list[str]:
    """What a blade or a plate looks like, where it can be drawn."""
    own = str(table.get(inputs.naming_key(kind) or "", ""))
    if kind == "blades" and own in look.shop.blades:
        blade = look.shop.blades[own]
        return [draw_face(blade, face) for face in blade.faces]
    if kind == "plates" and own in look.shop.plates:
        plate = look.shop.plates[own]
        known = replace(
            plate,
            slots=tuple(
                replace(slot, seats=tuple(s for s in slot.seats if _is_drawn(look.shop, s.blade, s.face)))
                for slot in plate.slots
            ),
        )
        return [draw_plate(known, look.shop.blades)]
    return []


def _is_drawn(shop: Shop, blade: str, face: str) -> bool:
    return blade in shop.blades and any(one.face == face for one in shop.blades[blade].faces)


# --- a file as it stands ---


@router.get(TEXT)
def get_text(request: Request, tools: AtHand, visitor: OwnerVisitor, file: FileName) -> Response:
    """A file's text, for what no form does."""
    return _text(request, tools, visitor, file)


@router.post(TEXT, max_body_size=LARGEST_TEXT)
def post_text(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form, file: FileName) -> Response:
    """Save a file's text as it was typed, whatever is wrong with it: the check says that."""
    text = str(form.get("text", "")).replace("\r\n", "\n")
    try:
        change_file(tools, visitor, file, lambda _: text, form_saw=str(form.get("seen", "")))
    except Refusal as refusal:
        return _text(request, tools, visitor, file, refused=refusal, typed=text)
    return RedirectResponse(f"{TEXT}?{urlencode({'file': file})}", 303)


def _text(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    file: str,
    *,
    refused: Refusal | None = None,
    typed: str | None = None,
) -> Response:
    look = looked(tools)
    text = look.content.get(file)
    if text is None or is_encoded(file):
        raise NotFound("the draft has no such file", id=file)
    return page(
        request,
        "describing_text.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        file=file,
        text=text if typed is None else typed,
        theirs=text if typed is not None and typed != text else None,
        troubles=[trouble for trouble in look.troubles if trouble.file == file],
        seen=seen(text),
        table=table_address(file) if document_or_none(file, text) is not None else None,
    )


# --- drawings of marks, photos ---


@router.get(UPLOAD)
def get_file(request: Request, tools: AtHand, visitor: OwnerVisitor, file: FileName) -> Response:
    """A drawing of a mark, as it would be burned, or a photo."""
    look = looked(tools)
    text = look.content.get(file)
    kind = file.partition("/")[0]
    if text is None or kind not in ("artwork", PHOTOS) or file.endswith(".toml"):
        raise NotFound("the draft has no such file", id=file)
    outline, why_not, finest = None, "", None
    if kind == "artwork":
        outline, why_not = catalogue.drawing_in(text)
        if outline is not None:
            finest = tools.geometry.work(catalogue.finest_of, outline)
    return page(
        request,
        "describing_file.html",
        visitor,
        file=file,
        kind=kind,
        picture=outline_svg(outline) if outline is not None else "",
        size=outline.bounds_mm if outline is not None else None,
        photo=_photo_address(file, text) if kind == PHOTOS else None,
        why_not=why_not,
        finest=finest,
        processes=sorted(look.shop.processes.values(), key=lambda one: one.line_width_mm),
        stroke_lines=look.shop.policy.stroke_lines,
        used=[art for art in _artworks(look) if art[1] == file.partition("/")[2]],
        seen=seen(text),
        address=table_address,
    )


def _photo_address(file: str, text: str) -> str:
    """A photo in the page itself: drafts are nobody else's to see, and need no address."""
    kind = "png" if file.endswith(".png") else "jpeg"
    return f"data:image/{kind};base64,{text}"


def _artworks(look: Looked) -> list[tuple[str, str, str, str]]:
    """Marks of the draft: name, drawing, and where they stand (file, place)."""
    found = []
    for file in _files(look, "artwork"):
        for index, entry in enumerate(_entries(look, file, "artwork")):
            if isinstance(entry, dict):
                found.append(
                    (str(entry.get("name", "")), str(entry.get("file", "")), file, f"artwork[{index}]")
                )
    return found


@router.post(UPLOAD, max_body_size=LARGEST_PHOTO + 2**16)
def post_file(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Bring in the drawing of a mark (SVG), which becomes a mark of the library, or a photo; or take one
    out."""
    try:
        if form.get("act") == "remove":
            name = str(form.get("file", ""))
            change_file(tools, visitor, name, lambda _: None, form_saw=str(form.get("seen", "")))
            return RedirectResponse(SHOP, 303)
        name = _brought_in(tools, visitor, form)
    except Refusal as refusal:
        return _shop(request, tools, visitor, refused=refusal)
    return RedirectResponse(f"{UPLOAD}?{urlencode({'file': name})}", 303)


def _brought_in(tools: Tools, visitor: Visitor, form: Any) -> str:
    upload = form.get("upload")
    if not isinstance(upload, UploadFile) or not upload.filename:
        raise BadRequest("choose a file", field="upload")
    stem, _, ending = upload.filename.rpartition("/")[2].rpartition(".")
    ending, data = f".{ending.casefold()}", upload.file.read()
    if ending in ENDINGS:
        if len(data) > LARGEST_PHOTO:
            raise BadRequest("a photo may have up to 1 MB: make it smaller", field="upload")
        file, text = f"{PHOTOS}/{_file_name(stem)}{ending}", base64.b64encode(data).decode("ascii")
    elif ending == ".svg":
        if len(data) > MOST_DRAWING_BYTES:
            raise BadRequest(f"a drawing may have up to {MOST_DRAWING_BYTES // 1024} KB", field="upload")
        try:
            file, text = f"artwork/{_file_name(stem)}.svg", data.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise BadRequest("this is no SVG file: it is no text in UTF-8", field="upload") from None
        _, why_not = catalogue.drawing_in(text)
        if why_not:
            raise BadRequest(f"this drawing can't be a mark: {why_not}", field="upload")
    else:
        raise BadRequest("a mark is an SVG file, a photo is a JPEG or PNG file", field="upload")
    change_file(tools, visitor, file, lambda _: text)
    if ending == ".svg":
        _listed_as_mark(tools, visitor, file.partition("/")[2], stem)
    return file


def _listed_as_mark(tools: Tools, visitor: Visitor, drawing: str, stem: str) -> None:
    """A drawing that is in no list yet becomes a symbol of the library, under its file's name."""
    look = looked(tools)
    if any(used == drawing for _, used, *_ in _artworks(look)):
        return
    file = next(iter(_files(look, "artwork")), "artwork/artwork.toml")
    own = drawing.removesuffix(".svg")
    taken = set(look.names.get("artwork", ()))
    mark = {
        "artwork": own if own not in taken else editing.another_name(own, taken),
        "name": stem[:60] or own,
        "use": "symbol",
        "file": drawing,
    }
    _edit(
        tools,
        visitor,
        file,
        lambda text: editing.with_entry(text, ("artwork",), mark),
        form_saw=seen(look.content.get(file)),
    )
