"""`ricasso catalogue publish`, `export`, `versions` and `back`: the folder and what is in force."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Data, Failed, settings_of, tools_of, whoever_types

if TYPE_CHECKING:
    from service.records.db import Database
    from service.records.states import Origin
    from service.shop.settings import Settings

Why = Annotated[str, typer.Option(help="Why; it stands in the list")]
MadeFrom = Annotated[
    int | None,
    typer.Option(
        "--made-from",
        metavar="NUMBER",
        help="The number that it was made from: refused when another is in force by now",
        min=0,
    ),
]
DryRun = Annotated[
    bool, typer.Option("--dry-run", help="Say what it would change and do to waiting units, change nothing")
]
_SECONDS = 600.0
_MOST_CHANGES = 60


def publish(
    fixtures: Annotated[
        Path | None,
        typer.Option("--fixtures", metavar="DIR", help="The folder (otherwise RICASSO_FIXTURES)"),
    ] = None,
    why: Why = "",
    made_from: MadeFrom = None,
    data: Data = None,
    *,
    dry_run: DryRun = False,
) -> None:
    """Put the folder's description in force, in every process that works with the database, without a
    restart. What is wrong with it is said file by file, and nothing is changed."""
    from service.records.states import Origin
    from service.shop import catalogue

    settings = settings_of(data, fixtures)
    if settings.fixtures is None:
        raise Failed("say which folder your shop is in: --fixtures DIR, or RICASSO_FIXTURES")
    content = catalogue.read(settings.fixtures)
    if dry_run:
        _say_what_changes(data, content)
        return
    _put(settings, content, made_from, why=why, origin=Origin.FOLDER)


def back(
    number: Annotated[int, typer.Argument(help="The number to bring back", min=1)],
    why: Why = "",
    made_from: MadeFrom = None,
    data: Data = None,
    *,
    dry_run: DryRun = False,
) -> None:
    """Put an earlier description in force again: a change like any other, judged like one."""
    from service.records.states import Origin
    from service.shop.versions import content_at

    settings = settings_of(data)
    with _opened(settings) as database, database.reading() as session:
        content = content_at(session, number)
    if dry_run:
        _say_what_changes(data, content)
        return
    _put(settings, content, made_from, why=why, origin=Origin.BACK, back_to=number)


def export(
    folder: Annotated[Path, typer.Argument(help="Where to write the files")],
    number: Annotated[
        int | None,
        typer.Option("--version", metavar="NUMBER", help="Which one (otherwise the one in force)", min=1),
    ] = None,
    data: Data = None,
    *,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over the description that lies there")
    ] = False,
) -> None:
    """Write a description that was put in force into a folder."""
    from service.shop import catalogue
    from service.shop import version_rows as rows
    from service.shop.versions import content_at

    if not replace and folder.is_dir() and any(folder.iterdir()):
        raise Failed(f"{folder} is there already, and not empty; say --replace to write over it")
    with _opened(settings_of(data)) as database, database.reading() as session:
        wanted = number or rows.newest_number(session)
        if wanted == 0:
            raise Failed("nothing was put in force yet")
        content = content_at(session, wanted)
    catalogue.write(content, folder)
    typer.echo(f"{folder}: number {wanted}, {len(content)} files")


def listed(
    count: Annotated[int, typer.Option(help="How many, the newest first", min=1, max=10_000)] = 20,
    data: Data = None,
) -> None:
    """What was put in force, newest first: number, when, who, from where, version, why."""
    from service.shop import version_rows as rows

    with _opened(settings_of(data)) as database, database.reading() as session:
        for row in rows.listed(session, before=None, limit=count):
            origin = row.origin if row.back_to is None else f"back to {row.back_to}"
            said = f"{row.by.partition(':')[2]:16}  {origin:10}  {row.version[:12]}  {row.why}"
            typer.echo(f"{row.number:5}  {row.at:%Y-%m-%d %H:%M}  {said}".rstrip())


def _put(
    settings: Settings,
    content: Mapping[str, str],
    made_from: int | None,
    *,
    why: str,
    origin: Origin,
    back_to: int | None = None,
) -> None:
    """Without reading what is in force now: it may be what is to be mended."""
    from service.changes.put import put_written
    from service.records import clock
    from service.records.who import By
    from service.shop import version_rows as rows
    from service.shop import versions

    new = versions.judged_by_line(content)
    by = By(whoever_types(), clock.now())
    with _opened(settings) as database:
        with database.reading() as session:
            before = rows.newest_number(session)
        row = put_written(
            database,
            new,
            came_from=before if made_from is None else made_from,
            why=why,
            origin=origin,
            by=by,
            back_to=back_to,
        )
    if row.number == before:
        typer.echo(f"nothing is different from what is in force: number {before}")
    else:
        typer.echo(f"in force: number {row.number}, version {row.version[:12]}")


def _say_what_changes(data: Path | None, content: Mapping[str, str]) -> None:
    """Key by key what it would change, then which orders it would touch."""
    from service.changes.looking import what_changes
    from service.shop import catalogue
    from service.shop import version_rows as rows
    from service.shop.catalogue.difference import difference

    catalogue.parse(content)
    tools = tools_of(data)
    with tools.database.reading() as session:
        row = rows.in_force(session)
        found = difference(rows.content_of(session, row) if row is not None else {}, content)
    for change in found.changes[:_MOST_CHANGES]:
        key = f"{change.key}: " if change.key else ""
        typer.echo(f"{change.thing}: {key}{_value(change.was)} -> {_value(change.becomes)}")
    if len(found.changes) > _MOST_CHANGES:
        typer.echo(f"and {len(found.changes) - _MOST_CHANGES} more")
    what = what_changes(tools, content, seconds=_SECONDS)
    for line in what.lost:
        typer.echo(f"order {line.order_ref}: an accepted unit could not be engraved any more: {line.why}")
    for line in what.differently:
        typer.echo(f"order {line.order_ref}, line {line.line_ref}: {line.was} -> {line.becomes}: {line.why}")
    for lot in what.lots:
        typer.echo(f"lot {lot.lot}, {lot.blades} blades of {lot.sku}: accept -> {lot.becomes}: {lot.why}")
    typer.echo(
        f"{what.looked_at} of {what.lines} lines with waiting units looked at: {what.lost_units} units lost, "
        f"{what.differently_units} judged differently"
    )


def _value(value: str | None) -> str:
    """A value as it was or becomes; a whole thing that comes or goes has none."""
    return "-" if value is None else value or "there"


@contextmanager
def _opened(settings: Settings) -> Iterator[Database]:
    """The settings' database, at the newest revision."""
    from service.records import folders, schema
    from service.records.db import Database, open_engine

    folders.keep_private(settings.data)
    engine = open_engine(settings.url)
    schema.upgrade(engine)
    try:
        yield Database(engine)
    finally:
        engine.dispose()
