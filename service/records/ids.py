"""Identities as people read, type and scan them: a letter for the kind, then the row's number."""

from __future__ import annotations

from service.records.errors import NotFound

ORDER, JOB, LOAD, LOT, REMAKE, PHOTO = "O", "J", "L", "LOT", "R", "PH"
#: A work order of assembly, a unit that it builds, the counting of a bin.
WORK_ORDER, UNIT, COUNT = "W", "U", "COUNT"
#: In front of the name of what has a name and no number: a plate's copy, a bin, a shelf of the packing
#: rack. A full stop is typed by the same key on every scanner's keyboard.
PLATE, BIN, SHELF = "PLATE.", "BIN.", "SHELF."
CALIBRATION, TEST_CARD, CALLBACK, BATCH = "C", "TC", "CB", "BATCH"


def public(prefix: str, number: int) -> str:
    """
    >>> public(JOB, 42)
    'J42'
    """
    return f"{prefix}{number}"


def number(prefix: str, identity: str) -> int:
    """The row's number. Raises NotFound when the identity is not one of that kind.

    >>> number(JOB, "J42")
    42
    """
    digits = identity.removeprefix(prefix)
    if digits == identity or not digits.isascii() or not digits.isdecimal() or len(digits) > 18:
        raise NotFound(f"no such thing: {identity}", id=identity)
    return int(digits)


def shown(code: str) -> str:
    """What was typed or scanned, as it may be shown: short and printable."""
    safe = "".join(char if char.isprintable() else "?" for char in code)
    return safe if len(safe) <= 24 else safe[:23] + "…"
