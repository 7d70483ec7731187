"""Who asks in the request at hand, for the lines of log that are written meanwhile.

A request has one `Asked`, which threads that work for it see as well. Its door fills it in: the middleware
gives it a number, whoever looks at the key says whose it is. Names of people are not in it.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import MutableMapping
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

from service.records.who import Who


@dataclass(slots=True)
class Asked:
    """One request: its number, and the role and client of the key that came with it."""

    request_id: str
    role: str = ""
    client: str = ""


_ASKED: ContextVar[Asked | None] = ContextVar("asked", default=None)


def begin(request_id: str) -> None:
    """A new request; what its threads log from now on bears its number."""
    _ASKED.set(Asked(request_id))


def is_by(who: Who) -> None:
    """Say whose key came with the request at hand."""
    asked = _ASKED.get()
    if asked is not None:
        asked.role, asked.client = who.role.value, who.client


def add_to_line(_logger: Any, _method: str, line: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """A structlog processor: the request at hand on every line."""
    asked = _ASKED.get()
    if asked is not None:
        for name in ("request_id", "role", "client"):
            value = getattr(asked, name)
            if value:
                line.setdefault(name, value)
    return line


def name_error(_logger: Any, _method: str, line: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """A structlog processor: an error's kind and place. Its message stays out: it could quote a customer."""
    given = line.pop("exc_info", None)
    error = given if isinstance(given, BaseException) else sys.exc_info()[1] if given else None
    if error is not None:
        line["kind"] = type(error).__name__
        line["at"] = place_of(error)
    return line


def place_of(error: BaseException) -> list[str]:
    """Where an error came from: the last calls before it."""
    frames = traceback.extract_tb(error.__traceback__)[-8:]
    return [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames]
