"""What people type into a form's fields, read as values."""

from __future__ import annotations

from service.pages.gate import Form
from service.records.errors import BadRequest


def millimetres(form: Form, name: str, *, most: float) -> float | None:
    """A length over 0 and up to `most`, with a decimal point or comma; None when left empty. Raises
    BadRequest."""
    typed = str(form.get(name, "")).strip().replace(",", ".")
    if not typed:
        return None
    try:
        length = float(typed)
    except ValueError:
        length = 0.0
    if not 0 < length <= most:
        raise BadRequest("a width is a number of millimetres", field=name)
    return length


def whole_number(form: Form, name: str, *, most: int, least: int = 1) -> int:
    """A whole number between two. Raises BadRequest."""
    typed = str(form.get(name, "")).strip()
    if not (typed.isascii() and typed.isdecimal() and len(typed) < 10 and least <= int(typed) <= most):
        raise BadRequest(f"enter a whole number from {least} to {most}", field=name)
    return int(typed)


def count_of(value: object) -> int:
    """A whole number of up to six digits. Raises BadRequest."""
    text = str(value).strip()
    if not (text.isascii() and text.isdecimal() and len(text) < 7):
        raise BadRequest("a count is a whole number", field="count")
    return int(text)
