"""A drawing that a form takes: it goes along with the form, packed, until all that it can't say is answered.

Nothing is kept here.
"""

from __future__ import annotations

import base64
import binascii
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from starlette.datastructures import UploadFile

from service.pages.gate import Form
from service.records.errors import BadRequest

#: A drawing has kilobytes; larger ones come in by the commands.
LARGEST_DRAWING = 4 * 2**20
#: What goes along with the form: a field of it may have a million characters.
_LARGEST_PACKED = 720_000
LARGEST_FORM = LARGEST_DRAWING + 2**20
#: Reading a large drawing may take longer than a check.
SECONDS = 30.0


@dataclass(frozen=True, slots=True)
class Carried:
    """A drawing on its way through the form, and the name of its file."""

    data: bytes
    source: str

    @property
    def stem(self) -> str:
        """The file's name without its ending."""
        return self.source.rsplit(".", 1)[0]

    @property
    def packed(self) -> str:
        return base64.b64encode(zlib.compress(self.data, 9)).decode()


def carried_in(form: Form, command: str) -> Carried:
    """The drawing that was chosen, or came along. `command`: what takes one that is too large. Raises
    BadRequest."""
    file, packed = form.get("file"), str(form.get("drawing", ""))
    if isinstance(file, UploadFile) and file.filename:
        drawing = Carried(file.file.read(LARGEST_DRAWING + 1), source_of(file.filename))
    elif packed:
        drawing = Carried(_unpacked(packed), source_of(str(form.get("source", ""))))
    else:
        raise BadRequest("choose a drawing", field="file")
    if len(drawing.data) > LARGEST_DRAWING or len(drawing.packed) > _LARGEST_PACKED:
        raise BadRequest(f"the drawing is too large for a page: bring it in by `{command}`", field="file")
    return drawing


def source_of(name: str) -> str:
    """A file's name as it is shown and kept."""
    plain = "".join(c if c.isprintable() else " " for c in name.replace("\\", "/").rsplit("/", 1)[-1])
    return " ".join(plain.split())[-80:] or "drawing"


def name_in(form: Form, called: str) -> str:
    """The name for people, otherwise what it is `called` in files. Raises BadRequest."""
    name = " ".join(str(form.get("name", "")).split())[:100] or called.replace("-", " ").replace("_", " ")
    if not name.isprintable():
        raise BadRequest("this can't be kept: it holds what can't be printed", field="name")
    return name


def one_of(form: Form, name: str, allowed: Sequence[str]) -> Any:
    """What was chosen, or None. Raises BadRequest for what was not offered."""
    given = str(form.get(name, ""))
    if not given:
        return None
    if given not in allowed:
        raise BadRequest("choose one of those that are offered", field=name)
    return given


def number_in(form: Form, name: str, otherwise: float, least: float, most: float) -> float:
    """The number that was typed, or `otherwise`. Raises BadRequest."""
    typed = str(form.get(name, "")).strip().replace(",", ".")
    try:
        number = float(typed) if typed else otherwise
    except ValueError:
        number = -1.0
    if not least <= number <= most:
        raise BadRequest(f"a number from {least:g} to {most:g} is wanted", field=name)
    return number


def _unpacked(packed: str) -> bytes:
    """Raises BadRequest for what was not packed here, or unpacks to more than a drawing may have."""
    try:
        unpack = zlib.decompressobj()
        data = unpack.decompress(base64.b64decode(packed, validate=True), LARGEST_DRAWING + 1)
    except (binascii.Error, ValueError, zlib.error) as error:
        raise BadRequest("the drawing was lost on the way: choose it again", field="file") from error
    if len(data) > LARGEST_DRAWING:
        raise BadRequest("the drawing was lost on the way: choose it again", field="file")
    return data
