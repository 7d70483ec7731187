"""`ricasso audit`."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated

import typer

from service.cli.saying import Data, Failed, settings_of

_DAMAGE = 3


def audit(
    data: Data = None,
    *,
    files: Annotated[
        bool, typer.Option("--files/--no-files", help="Build every burned file again and compare its digest")
    ] = True,
    as_json: Annotated[bool, typer.Option("--json", help="The report as JSON")] = False,
) -> None:
    """Look whether what is on record can be true. Only reads; the service may run. Exit code 3: damage."""
    from service.audit.look import look
    from service.records import schema
    from service.records.db import open_engine
    from service.shop.catalogue import default_folder
    from service.shop.versions import Shelf

    settings = settings_of(data)
    if not settings.database_url and not (settings.data / "ricasso.sqlite3").is_file():
        raise Failed(f"there is no database in {settings.data}")
    engine = open_engine(settings.url)
    try:
        if not schema.is_current(engine):
            raise Failed("the database is of another version of Ricasso; start `ricasso serve` once")
        report = look(engine, Shelf(settings.fixtures or default_folder()) if files else None)
    finally:
        engine.dispose()
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
        raise typer.Exit(_DAMAGE)
