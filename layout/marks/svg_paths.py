"""SVG path data, read strictly: what another program might read differently is refused, not guessed at."""

from __future__ import annotations

import re
from typing import Any

from fontTools.svgLib.path import parse_path

#: How many numbers each command takes at a time (SVG 1.1, section 8.3).
_TAKES = {"M": 2, "Z": 0, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7}
#: A number as SVG writes it (section 4.2).
NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_NUMBER = re.compile(NUMBER)
_SEPARATOR = re.compile(r"[\s,]*")
#: The two numbers of an arc that are 0 or 1 and may stand without anything between them.
_FLAGS = (3, 4)
#: As much of a path as is shown where it goes wrong.
_SHOWN = 24


def draw_path(data: str, pen: Any) -> None:
    """Draw path data (SVG 1.1, section 8.3) with a fontTools pen. Raises ValueError when it can't be read,
    with the command that is wrong and what was expected there."""
    plain = _read(data)
    try:
        parse_path(plain, pen)
    except (
        ValueError,
        IndexError,
        AssertionError,
        TypeError,
        ZeroDivisionError,
        NotImplementedError,
    ) as error:
        raise ValueError(f"the path can't be read: {error or type(error).__name__}") from error


def _read(data: str) -> str:
    """The same path with one space between commands and numbers: fontTools leaves out what it does not know
    and takes `01` for two numbers, so what it gets was read here first. Raises ValueError."""
    written: list[str] = []
    at = _past(data, 0)
    if at == len(data):
        raise ValueError("the path can't be read: it is empty")
    if data[at] not in "Mm":
        raise ValueError(f"the path can't be read: it begins with {_piece(data, at)}, not with M x y")
    while at < len(data):
        command = data[at]
        if command.upper() not in _TAKES:
            raise ValueError(
                f"the path can't be read: {_piece(data, at)}: a command is wanted there, one of M L H V C S "
                "Q T A Z"
            )
        numbers, after = _numbers(data, at + 1, arc=command in "Aa")
        takes = _TAKES[command.upper()]
        if (takes == 0 and numbers) or (takes and (not numbers or len(numbers) % takes)):
            wanted = {0: "no numbers", 1: "one number"}.get(takes, f"{takes} numbers")
            raise ValueError(
                f"the path can't be read: {command} has {len(numbers) or 'none'}, and takes {wanted} at a "
                f"time: {_piece(data, at)}"
            )
        written += [command, *numbers]
        at = after
    return " ".join(written)


def _numbers(data: str, at: int, *, arc: bool) -> tuple[list[str], int]:
    """The numbers that follow a command, and where the next one stands."""
    numbers: list[str] = []
    at = _past(data, at)
    while at < len(data):
        if arc and len(numbers) % 7 in _FLAGS and data[at] in "01":
            number, after = data[at], at + 1
        elif match := _NUMBER.match(data, at):
            number, after = repr(float(match.group())), match.end()
            if "inf" in number:
                raise ValueError(f"the path can't be read: no such number: {_piece(data, at)}")
        else:
            break
        numbers.append(number)
        at = _past(data, after)
    return numbers, at


def _past(data: str, at: int) -> int:
    """Behind blanks and commas."""
    match = _SEPARATOR.match(data, at)
    return match.end() if match else at


def _piece(data: str, at: int) -> str:
    """What stands at a place, short enough to be found again."""
    piece = " ".join(data[at : at + _SHOWN].split())
    return f"'{piece}...'" if at + _SHOWN < len(data) else f"'{piece}'"
