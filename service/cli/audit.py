"""`ricasso audit`."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Data, Failed, settings_of

if TYPE_CHECKING:
    from service.audit.look import Report
    from service.shop.settings import Settings

#: Exit code where something on record can't be true.
DAMAGE = 3


def audit(
    data: Data = None,
    *,
    files: Annotated[
        bool, typer.Option("--files/--no-files", help="Build every burned file again and compare its digest")
    ] = True,
    as_json: Annotated[bool, typer.Option("--json", help="The report as JSON")] = False,
) -> None:
    """Look whether what is on record can be true. Only reads; the service may run. Exit code 3: damage."""
    report = look_at(settings_of(data), files=files)
    if as_json:
        typer.echo(json.dumps(asdict(report), indent=2))
    else:
        for damage in report.damage:
            typer.echo(f"{damage.code:22} {damage.says}")
        for code, count in report.counts.items():
            left_out = count - sum(damage.code == code for damage in report.damage)
            if left_out:
                typer.echo(f"{code:22} and {left_out} more")
        looked = f"{report.rules} rules" + (f", {report.files} burned files" if files else "")
        typer.echo(f"{sum(report.counts.values())} damaged, by {looked}")
    if report.counts:
        raise typer.Exit(DAMAGE)


def look_at(settings: Settings, *, files: bool) -> Report:
    """The audit of the settings' database. Raises Failed where there is none, or one of another version."""
    from service.audit.look import look
    from service.photos.photos import FOLDER
    from service.records import schema
    from service.records.db import open_engine
    from service.shop.versions import Versions

    file = settings.database_file
    if file is not None and not file.is_file():
        raise Failed(f"there is no database in {file.parent}")
    engine = open_engine(settings.url)
    try:
        if not schema.is_current(engine):
            raise Failed("the database is of another version of Ricasso; start `ricasso serve` once")
        return look(engine, Versions() if files else None, photos=settings.data / FOLDER)
    finally:
        engine.dispose()
