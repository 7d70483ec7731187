"""Errors in one line, and the settings that commands share."""

from __future__ import annotations

import getpass
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.records.who import Role, Who

if TYPE_CHECKING:
    from service.shop.settings import Settings
    from service.shop.tools import Tools

Data = Annotated[
    Path | None,
    typer.Option(
        "--data", help="Folder with the database and files (otherwise RICASSO_DATA, otherwise ./var)"
    ),
]


class Failed(Exception):
    """A command could not do what was asked; the text says why, in one line."""


def settings_of(data: Path | None, fixtures: Path | None = None) -> Settings:
    """The environment's settings, with the folders given on the command line. Raises Failed for a name that
    is no setting, and for a value that a setting can't have."""
    from pydantic import ValidationError

    from service.shop.catalogue.sentences import misspelt, sentence_of
    from service.shop.settings import PREFIX, Settings, unknown_settings

    names = [f"{PREFIX}{name}".upper() for name in Settings.model_fields]
    if wrong := unknown_settings(os.environ):
        raise Failed("; ".join(misspelt(f"{name}: no such setting", name, names) for name in wrong))
    try:
        given = {
            name: folder for name, folder in (("data", data), ("fixtures", fixtures)) if folder is not None
        }
        return Settings(**given)  # type: ignore[arg-type]
    except ValidationError as error:
        told = (f"{PREFIX}{str(e['loc'][0]).upper()}: {sentence_of(e, Settings)}" for e in error.errors())
        raise Failed("; ".join(told)) from error


def whoever_types() -> Who:
    """Whoever is at the command line, by the name that the machine knows them by: they may do everything."""
    try:
        name = getpass.getuser()
    except (OSError, KeyError):  # a container's user without a name
        name = "command line"
    return Who(role=Role.OWNER, client="command line", name=name)


def tools_of(data: Path | None) -> Tools:
    """What commands work with: geometry in this very process."""
    from service.app import set_up_logging
    from service.running.assembly import assemble

    set_up_logging("ERROR")
    return assemble(settings_of(data), in_worker=True)


def one_line(error: Exception) -> tuple[str, int]:
    """The one line for an error, and its exit code; a description with several mistakes gets a line for
    each."""
    from pydantic import ValidationError
    from sqlalchemy.exc import SQLAlchemyError

    from service.records.errors import CanNot, Refusal
    from service.shop.catalogue import CatalogueError

    sentences: dict[type[Exception], Callable[[Any], str]] = {
        # How a command is written: "Missing parameter: zone".
        typer.TyperException: lambda e: e.format_message() if hasattr(e, "format_message") else str(e),
        typer.Abort: lambda _: "stopped",
        ValidationError: _first_of,
        Refusal: lambda e: e.message,
        Failed: str,
        CanNot: str,
        OSError: lambda e: f"{e.strerror or e}: {e.filename or ''}".rstrip(": "),
        SQLAlchemyError: lambda e: f"the database can't be used: {getattr(e, 'orig', None) or e}",
    }
    if isinstance(error, CatalogueError):
        return "\n  ".join(["the shop's description is refused:", *map(_flat, map(str, error.troubles))]), 1
    for kind, sentence in sentences.items():
        if isinstance(error, kind):
            return _flat(sentence(error)), getattr(error, "exit_code", 1)
    if os.environ.get("RICASSO_LOG_LEVEL", "").upper() == "DEBUG":
        raise error
    fault = f"a fault of the program: {type(error).__name__}: {error} (RICASSO_LOG_LEVEL=DEBUG shows more)"
    return _flat(fault), 1


def _first_of(error: Any) -> str:
    first = error.errors(include_input=False, include_url=False)[0]
    return f"{'.'.join(str(part) for part in first['loc'])}: {first['msg']}"


def _flat(text: str) -> str:
    return " ".join(text.split())
