"""The catalogue's files as text, and their documents by kind."""

from __future__ import annotations

import hashlib
import json
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from service.shop.catalogue.photos import ENDINGS, PHOTOS, decoded, encoded
from service.shop.catalogue.schema import KINDS, Strict
from service.shop.catalogue.sentences import keys_of, not_toml, sentence_of
from service.shop.catalogue.troubles import CatalogueError, Trouble

M = TypeVar("M", bound=Strict)

MOST_BYTES = 1_000_000
#: Font files that a shop may keep in its own folder.
FONT_ENDINGS = (".ttf", ".otf")
#: Those that it can't be.
_OTHER_FONTS = (".woff", ".woff2", ".ttc", ".pfb", ".eot")
MOST_FILES = 2_000
_A_DAY_S = 86_400
#: A file's name in the folder of its kind: it leads nowhere else.
_FILE = re.compile(r"(?![.~])[^/\\\x00-\x1f\x7f]{1,100}")
#: Folders that may be left out or empty.
OPTIONAL = frozenset({"artwork", "stock", "stores", "words"})
#: Drawings, which come into the folder another way.
_DRAWINGS = (".svg", ".dxf")
#: What is kept in base64, by folder.
_ENCODED: Mapping[str, tuple[str, ...]] = {PHOTOS: ENDINGS, "fonts": FONT_ENDINGS}
#: A folder that is neither a kind nor one of these is most likely a misspelt one.
_OTHER_FOLDERS = {PHOTOS, "schemas", "__pycache__"}


def default_folder() -> Path:
    """The made-up shop that comes with Ricasso."""
    import fixtures

    return Path(fixtures.__file__).parent


def read(folder: Path) -> dict[str, str]:
    """The catalogue's files as text, by name relative to the folder, photos in base64; of a folder or of one
    file that `keep` has written. Raises CatalogueError."""
    if folder.is_file():
        kept: dict[str, str] = json.loads(folder.read_text(encoding="utf-8"))
        return kept
    content, troubles = read_all(folder)
    if troubles:
        raise CatalogueError(troubles)
    return content


def keep(content: Mapping[str, str], path: Path, *, forget_others: bool = False) -> Path:
    """Write all files' text into one file, for other processes of this machine; returns its path.
    `forget_others`: those of its folder that nobody has asked for in a day are deleted."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, scratch = tempfile.mkstemp(dir=path.parent, prefix=".writing-")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(dict(content), file)
        os.replace(scratch, path)
    os.utime(path)
    if forget_others:
        for other in path.parent.iterdir():
            if other.stat().st_mtime < path.stat().st_mtime - _A_DAY_S:
                other.unlink(missing_ok=True)
    return path


def write(content: Mapping[str, str], folder: Path) -> None:
    """Write a description's files into a folder, and take out of it what is a file of a description and none
    of these. What else lies there stays."""
    there, _ = read_all(folder) if folder.is_dir() else ({}, [])
    for name in there.keys() - content.keys():
        (folder / name).unlink()
    for name, text in content.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes_of(name, text))


def bytes_of(name: str, text: str) -> bytes:
    """What a file of the description holds on a disk. Raises ValueError for text that is no base64 where it
    must be."""
    return decoded(text) if is_encoded(name) else text.encode()


def misnamed(content: Mapping[str, str]) -> list[Trouble]:
    """What can't be a file of a description: another name than a folder's files have, or too much text."""
    troubles = [
        Trouble(name, "", "no name of a file of the description, such as blades/parer.toml")
        for name in content
        if not is_named_well(name)
    ]
    troubles += [
        Trouble(name, "", f"larger than {MOST_BYTES} bytes")
        for name, text in content.items()
        if len(text) > (2 if is_encoded(name) else 1) * MOST_BYTES
    ]
    troubles += [Trouble(name, "", "holds what is no text") for name, text in content.items() if "\0" in text]
    if len(content) > MOST_FILES:
        troubles.append(Trouble("", "", f"more than {MOST_FILES} files"))
    return troubles


def is_named_well(name: str) -> bool:
    """Whether a file of a description may have that name.

    >>> is_named_well("blades/parer.toml"), is_named_well("blades/../parer.toml")
    (True, False)
    """
    kind, _, file = name.partition("/")
    if _FILE.fullmatch(file) is None:
        return False
    if is_encoded(name):
        return True
    return kind in KINDS and (file.endswith(".toml") or (kind == "artwork" and file.endswith(".svg")))


def is_encoded(name: str) -> bool:
    """Whether a file of that name is kept in base64: photos, and the shop's own font files."""
    kind, _, file = name.partition("/")
    return file.endswith(_ENCODED.get(kind, ()))


def text_digest_of(content: Mapping[str, str]) -> str:
    """SHA-256 (hex) of all files' text as it stands there, comments and stock included."""
    whole = json.dumps(dict(content), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(whole.encode()).hexdigest()


def read_all(folder: Path) -> tuple[dict[str, str], list[Trouble]]:
    """The files that can be read, and what is wrong with the others."""
    if not folder.is_dir():
        return {}, [Trouble(str(folder), "", "no such folder")]
    content: dict[str, str] = {}
    troubles = [
        Trouble(f"{path.name}/", "", f"not a folder of the catalogue; those are {', '.join(sorted(KINDS))}")
        for path in sorted(folder.iterdir())
        if path.is_dir() and path.name not in {*KINDS, *_OTHER_FOLDERS} and not path.name.startswith(".")
    ]
    troubles += _not_read(folder)
    binary = [
        path
        for kind, endings in _ENCODED.items()
        for path in folder.glob(f"{kind}/*")
        if path.suffix in endings
    ]
    for path in sorted([*folder.glob("*/*.toml"), *folder.glob("artwork/*.svg"), *binary]):
        name = path.relative_to(folder).as_posix()
        if path.parent.name not in {*KINDS, PHOTOS} or (path.parent.name == PHOTOS and path not in binary):
            continue
        try:
            if path.stat().st_size > MOST_BYTES:
                troubles.append(Trouble(name, "", f"larger than {MOST_BYTES} bytes"))
            else:
                content[name] = encoded(path) if path in binary else path.read_text(encoding="utf-8")
        except UnicodeDecodeError as error:
            line = error.object.count(b"\n", 0, error.start) + 1
            troubles.append(Trouble(name, "", "a letter in it is not UTF-8: save the file as UTF-8", line))
        except OSError as error:
            troubles.append(Trouble(name, "", f"can't be read: {error}"))
    return content, troubles


def _not_read(folder: Path) -> list[Trouble]:
    """Files that somebody surely put there to be read, and that are not."""
    troubles = [
        Trouble(path.name, "", f"not read: put it into the folder of its kind ({', '.join(sorted(KINDS))})")
        for path in sorted(folder.glob("*.toml"))
    ]
    troubles += [
        Trouble(f"fonts/{path.name}", "", "not read: a font is a file *.ttf or *.otf")
        for path in sorted(folder.glob("fonts/*"))
        if path.suffix not in FONT_ENDINGS and path.suffix.lower() in (*FONT_ENDINGS, *_OTHER_FONTS)
    ]
    for path in sorted(folder.glob("*/*")):
        name, kind = path.relative_to(folder).as_posix(), path.parent.name
        if (
            kind not in KINDS
            or path.suffix.lower() not in _DRAWINGS
            or (kind == "artwork" and path.suffix == ".svg")
        ):
            continue
        if kind == "artwork":
            reason = "not read: a mark is an SVG file of filled paths"
        else:
            reason = f"not read: drawings come in by `ricasso catalogue from-drawing {path.name}`"
        troubles.append(Trouble(name, "", reason))
    return troubles


class Documents:
    """The TOML documents of a catalogue's files, each read once; what can't be read goes into `troubles`."""

    def __init__(self, content: Mapping[str, str], troubles: list[Trouble]) -> None:
        self.content = content
        self.troubles = troubles
        self.raw: dict[str, dict[str, Any]] = {}
        for name, text in content.items():
            if name.endswith(".toml"):
                try:
                    self.raw[name] = tomllib.loads(text)
                except tomllib.TOMLDecodeError as error:
                    reason, line = not_toml(str(error), text)
                    troubles.append(Trouble(name, "", reason, line))

    def of(self, kind: str, model: type[M]) -> list[tuple[str, M]]:
        """The files of a kind that its schema accepts, by name."""
        accepted = []
        for name, document in self.raw.items():
            if name.startswith(f"{kind}/"):
                try:
                    accepted.append((name, model.model_validate(document)))
                except ValidationError as error:
                    self.troubles += _refused(name, document, model, error)
        if kind not in OPTIONAL and not any(name.startswith(f"{kind}/") for name in self.content):
            self.troubles.append(Trouble(f"{kind}/", "", "no file of this kind"))
        return accepted

    def declared(self, kind: str, key: str) -> frozenset[str]:
        """Names that files of a kind declare, broken files included, so that a wrong blade is reported once
        and not again wherever it is named."""
        entries: list[Any] = []
        for name, document in self.raw.items():
            if name.startswith(f"{kind}/"):
                entries.append(document)
                entries += [e for nested in document.values() if isinstance(nested, list) for e in nested]
        # Quotes may be what is wrong with them.
        named = re.compile(rf"""^\s*{key}\s*=\s*["'“”„]?([^"'“”„\s#]+)""", re.MULTILINE)
        entries += [
            {key: name}
            for file, text in self.content.items()
            if file.startswith(f"{kind}/") and file.endswith(".toml") and file not in self.raw
            for name in named.findall(text)
        ]
        return frozenset(str(e[key]) for e in entries if isinstance(e, dict) and key in e)


def _refused(name: str, document: Any, model: type[Strict], error: ValidationError) -> list[Trouble]:
    """What a schema refuses of a document. Where a value can be written in several ways, it is held against
    the one that it looks like."""
    found: dict[tuple[int | str, ...], Trouble] = {}
    for one in error.errors():
        keys = keys_of(one["loc"], document)
        other_way = len(keys) < len(one["loc"]) and one["type"] in _NOT_SO_WRITTEN
        if keys not in found and not other_way:
            found[keys] = Trouble(name, place_of(keys), sentence_of(one, model))
    if not found:  # written in none of the ways
        first = error.errors()[0]
        keys = keys_of(first["loc"], document)
        found[keys] = Trouble(name, place_of(keys), sentence_of(first, model))
    return list(found.values())


#: Errors that say only that a value is not written in this one of several ways.
_NOT_SO_WRITTEN = {"list_type", "model_type", "literal_error", "dict_type", "tuple_type"}


def place_of(location: tuple[int | str, ...]) -> str:
    """A key path as people write it: `face[0].zone[1].polygon`.

    >>> place_of(("face", 0, "zone", 1, "polygon"))
    'face[0].zone[1].polygon'
    """
    path = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in location)
    return path.removeprefix(".")


def document_or_none(name: str, text: str) -> dict[str, Any] | None:
    """The document of a file, None where it is no TOML."""
    try:
        return tomllib.loads(text) if name.endswith(".toml") else None
    except tomllib.TOMLDecodeError:
        return None


def digest_of(content: Mapping[str, str]) -> str:
    """SHA-256 (hex) of the files' content. Comments, layout and stock don't count; fonts do, through their
    pinned digests, and every artwork's text and photo."""
    documents: dict[str, object] = {}
    for name, text in content.items():
        if name.startswith("stock/"):
            continue
        try:
            documents[name] = _plain(tomllib.loads(text)) if name.endswith(".toml") else text
        except tomllib.TOMLDecodeError:
            documents[name] = text
    canonical = json.dumps(documents, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=str)
    return hashlib.sha256(canonical.encode()).hexdigest()


def _plain(value: object) -> object:
    """The value with whole numbers as floats: 12 and 12.0 mean the same."""
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value
