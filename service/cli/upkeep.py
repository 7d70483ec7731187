"""`ricasso backup`, `restore`, `move`, `erase` and `db status`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.audit import DAMAGE, look_at
from service.cli.saying import Data, Failed, settings_of, tools_of

db = typer.Typer(help="The database itself.", no_args_is_help=True)


def backup(
    file: Annotated[Path, typer.Argument(help="Where to write the backup (.tar.gz)")],
    data: Data = None,
    *,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a backup of that name")] = False,
) -> None:
    """Write a backup of the whole shop while it runs: database, secret, files of orders handed in."""
    from service.upkeep.backups import back_up

    if file.exists() and not replace:
        raise Failed(f"{file} is there already; --replace writes over it")
    manifest = back_up(settings_of(data), file)
    rows = sum(manifest.rows.values())
    typer.echo(f"{file}  {file.stat().st_size / 1e6:.1f} MB, {rows} rows, revision {manifest.revision}")


def erase(
    order: Annotated[str, typer.Argument(help="The order, like O12")],
    data: Data = None,
    *,
    reason: Annotated[str, typer.Option(help="Why; it goes to the history, so no names")] = "",
) -> None:
    """Erase what a finished order says of people, for good: words, names, notes, outlines, files."""
    from service.privacy.erase import erase as erase_order
    from service.records.who import SWEEP

    tools = tools_of(data)
    erase_order(tools, order, by=tools.by(SWEEP), why=reason)
    typer.echo(f"{order}: words, names, notes, outlines and files are erased; states and counts stay")


def export(
    order: Annotated[str, typer.Argument(help="The order, like O12")],
    data: Data = None,
) -> None:
    """Print all that is kept of people by an order, as JSON: words, names, notes, outlines, history."""
    from service.privacy.export import export as export_order
    from service.records.who import SWEEP

    typer.echo(export_order(tools_of(data), order, who=SWEEP).model_dump_json(indent=1))


def restore(
    file: Annotated[Path, typer.Argument(help="A file that `ricasso backup` wrote")],
    data: Data = None,
    *,
    erased: Annotated[
        Path | None,
        typer.Option(help="The shop's `erased.jsonl`: what was erased since the backup is erased again"),
    ] = None,
    files: Annotated[
        bool, typer.Option("--files/--no-files", help="Build every burned file again and compare its digest")
    ] = True,
) -> None:
    """Put a backup into an empty place, and audit what came out of it. Exit code 3: damage."""
    from service.upkeep.backups import restore as put_back

    settings = settings_of(data)
    manifest = put_back(settings, file)
    typer.echo(f"restored   {sum(manifest.rows.values())} rows as they were at {manifest.made_at}")
    if erased is not None:
        from service.privacy.erase import erase_again

        typer.echo(f"erased     {erase_again(tools_of(data), erased)} orders again, as the list says")
    _say_audit(look_at(settings, files=files).counts)


def move(
    url: Annotated[str, typer.Argument(help="SQLAlchemy URL of an empty database, postgresql+psycopg://...")],
    data: Data = None,
) -> None:
    """Move the embedded database to PostgreSQL. Nobody may serve meanwhile. Exit code 3: damage."""
    from service.upkeep.moving import move as move_all

    moved = move_all(settings_of(data), url, lambda table, rows: typer.echo(f"  {table:20} {rows}"))
    typer.echo(f"moved      {sum(moved.rows.values())} rows; every table's digest is the same on both sides")
    typer.echo(f"old file   {moved.old} (nothing uses it any more)")
    typer.echo("now set    RICASSO_DATABASE_URL to that address wherever Ricasso runs")
    _say_audit(moved.report.counts)


@db.command("status")
def status(data: Data = None) -> None:
    """Which database it is, whether it is of this version, and how much is in it."""
    from sqlalchemy import make_url

    from service.records import schema
    from service.records.db import open_engine
    from service.upkeep import copy_rows

    settings = settings_of(data)
    typer.echo(f"database   {make_url(settings.url).render_as_string(hide_password=True)}")
    if settings.database_file is not None and not settings.database_file.is_file():
        raise Failed("there is no database there yet; `ricasso serve` makes one")
    engine = open_engine(settings.url)
    try:
        revision = schema.revision_of(engine)
        schema.must_be_known(revision)
        is_current = revision == schema.head()
        state = "up to date" if is_current else f"older; `ricasso serve` brings it to {schema.head()}"
        typer.echo(f"revision   {revision or 'none: it is empty'} ({state})")
        if is_current:
            with engine.execution_options(readonly=True).connect() as connection:
                rows = copy_rows.counts(connection)
            for name in ("orders", "job", "load", "history"):
                typer.echo(f"  {name:20} {rows[name]} rows")
            typer.echo(f"  {'in all':20} {sum(rows.values())} rows")
    finally:
        engine.dispose()


def _say_audit(counts: dict[str, int]) -> None:
    if not counts:
        typer.echo("audit      nothing damaged")
        return
    typer.echo(f"audit      {sum(counts.values())} damaged; `ricasso audit` names each")
    raise typer.Exit(DAMAGE)
