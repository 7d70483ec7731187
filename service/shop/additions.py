"""Something new for the shop's description, worked out as changed files: written into the folder by a
command, into the draft by a page.

What stands in a file already keeps its comments and its order.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from service.records.errors import BadRequest
from service.records.who import By
from service.shop import drafts
from service.shop.catalogue import parse
from service.shop.catalogue.editing import NotEditable, document_of, with_entry, with_table
from service.shop.catalogue.files import bytes_of
from service.shop.drafts import Draft

Content = Mapping[str, str]
_NOT_PLAIN = re.compile(r"[^A-Za-z0-9_-]+")


def with_process(content: Content, process: Mapping[str, Any], colours: Iterable[str]) -> dict[str, str]:
    """The files that change when a station gets this recipe: as a new process, with a layer of its own in the
    station's files, or in place of the recipe that it has for the same material and finish, which then needs
    a new test card. `colours`: candidates for the layer's colour, of which the first free one is taken.

    Raises BadRequest for a station that is not there and a name that another surface's process has.
    """
    station = str(process["station"])
    named = _entries(content, "processes", "process")
    for file, at, other in named:
        is_same = (other.get("station"), other.get("material"), other.get("finish")) == (
            station,
            process["material"],
            process["finish"],
        )
        if is_same:
            kept = {key: value for key, value in other.items() if key != "test_card"}
            values = {**kept, **process, "process": other["process"]}
            return {file: _edited(file, with_table, content[file], ("process", at), values)}
        if other.get("process") == process["process"]:
            raise BadRequest(
                f"there is a process {process['process']} for another surface: choose another name",
                field="process",
            )
    changed: dict[str, str] = {}
    theirs = (name for name, _, other in named if other.get("station") == station)
    file = next(theirs, None) or _free_name(content, f"processes/{plain_name(station)}.toml")
    changed[file] = _edited(file, with_entry, content.get(file, ""), ("process",), process)
    for name in sorted(content):
        document = _document(content, name)
        if name.startswith("stations/") and document.get("station") == station:
            layers = document.get("layers", {})
            layer = {
                "layer": plain_name(str(process["process"])).upper()[:40],
                "colour": _free_colour(document, colours),
            }
            values = {**layers, str(process["process"]): layer}
            changed[name] = _edited(name, with_table, content[name], ("layers",), values)
            return changed
    raise BadRequest(f"there is no station {station}", field="station")


def with_font(content: Content, font: Mapping[str, Any], data: str | None = None) -> dict[str, str]:
    """The files that change when the shop gets a font: its entry and, for a font of no package, the font file
    in base64; none where it stands there as it is. Raises BadRequest for a name that is taken, and for
    another font in a file of that name."""
    is_listed = any(other == font for _, _, other in _entries(content, "fonts", "font"))
    changed = {} if is_listed else _listed(content, "fonts", "font", font)
    if data is not None:
        name = f"fonts/{font['file']}"
        if content.get(name, data) != data:
            raise BadRequest(f"there is another font file {font['file']} already", field="file")
        changed[name] = data
    return changed


def with_artwork(content: Content, mark: Mapping[str, Any], svg: str) -> dict[str, str]:
    """The files that change when the library gets a mark: its entry, and the drawing beside it. Raises
    BadRequest for a name that is taken."""
    drawing = f"artwork/{mark['file']}"
    if drawing in content:
        raise BadRequest(f"there is a drawing {mark['file']} already: choose another name", field="artwork")
    return {**_listed(content, "artwork", "artwork", mark), drawing: svg}


def write_into(folder: Path, content: Content, files: Mapping[str, str]) -> tuple[Path, ...]:
    """Write files of the description, `content` as it is, into its folder; returns their paths. Raises
    CatalogueError, with nothing written, for what the description would be refused for."""
    parse({**content, **files})
    written = []
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes_of(name, text))
        written.append(path)
    return tuple(written)


def write_to_draft(session: Session, make: Callable[[Content], Mapping[str, str]], *, by: By) -> Draft:
    """Write what `make` makes of the draft's files into the draft, which is begun where there is none; what
    stands there already is not written again. Raises as `make` does, and NotFound where nothing is in
    force."""
    draft = drafts.opened(session, by=by)
    for name, text in make(draft.content).items():
        if draft.content.get(name) != text:
            draft = drafts.write_file(session, draft, name, text, if_version=draft.version, by=by)
    return draft


# --- steps ---


def _listed(content: Content, kind: str, key: str, values: Mapping[str, Any]) -> dict[str, str]:
    named = _entries(content, kind, key)
    if any(other.get(key) == values[key] for _, _, other in named):
        raise BadRequest(f"there is a {key} {values[key]} already: choose another name", field=key)
    file = named[-1][0] if named else _free_name(content, f"{kind}/{kind}.toml")
    return {file: _edited(file, with_entry, content.get(file, ""), (key,), values)}


def _entries(content: Content, kind: str, key: str) -> list[tuple[str, int, dict[str, Any]]]:
    """File, index and values of every table of a list."""
    return [
        (name, at, entry)
        for name in sorted(content)
        if name.startswith(f"{kind}/") and name.endswith(".toml")
        for at, entry in enumerate(_document(content, name).get(key, []))
        if isinstance(entry, dict)
    ]


def _document(content: Content, name: str) -> dict[str, Any]:
    if not name.endswith(".toml"):
        return {}
    try:
        return document_of(content[name])
    except NotEditable as error:
        raise BadRequest(f"{name}: {error}; mend it first", field="file") from error


def _edited(name: str, change: Any, *arguments: Any) -> str:
    try:
        return str(change(*arguments))
    except NotEditable as error:
        raise BadRequest(f"{name}: {error}", field="file") from error


def _free_name(content: Content, name: str) -> str:
    stem, ending = name.rsplit(".", 1)
    names = (name, *(f"{stem}{number}.{ending}" for number in range(2, 1000)))
    return next(free for free in names if free not in content)


def _free_colour(station: Mapping[str, Any], colours: Iterable[str]) -> str:
    styles = [*station.get("layers", {}).values(), *station.get("centre_layers", {}).values()]
    taken = {style.get("colour") for style in styles if isinstance(style, dict)}
    return next(colour for colour in colours if colour not in taken)


def plain_name(name: str, otherwise: str = "new", *, most: int | None = None) -> str:
    """A name as the description's files have them: letters, digits, `-` and `_`; at most so many."""
    return _NOT_PLAIN.sub("-", name)[:most].strip("-_") or otherwise
