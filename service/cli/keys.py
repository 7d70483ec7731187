"""`ricasso keys`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Data, Failed, settings_of, whoever_types
from service.records.errors import BadRequest
from service.records.who import Role

if TYPE_CHECKING:
    from service.records.db import Database

Test = Annotated[
    bool, typer.Option("--test", help="A store's key for the sandbox, whose orders are not made")
]

app = typer.Typer(help="API keys.", no_args_is_help=True, rich_markup_mode=None)


@app.callback()
def group() -> None:
    """API keys."""


@app.command("new")
def new(
    role: Annotated[Role, typer.Argument(help="What the key may do")],
    client: Annotated[
        str, typer.Option(help="Whose it is: for a store and its storefront, the name its orders go by")
    ] = "",
    origin: Annotated[
        list[str] | None,
        typer.Option(
            help="For a storefront: whose pages may ask with it, as https://shop.example; several go"
        ),
    ] = None,
    days: Annotated[int | None, typer.Option(help="Days until it ends by itself", min=1, max=3650)] = None,
    *,
    test: Test = False,
    data: Data = None,
) -> None:
    """Make a key and print it, alone, once: it can't be shown again."""
    from service.records import clock
    from service.requests import keys

    # A storefront is its store's, whose orders its previews are for.
    name = client.strip()[:60] or (Role.STORE if role is Role.STOREFRONT else role).value
    now = clock.now()
    ends = None if days is None else now + timedelta(days=days)
    with _database(data, test=test, is_new=True) as database:
        try:
            key = database.write(
                lambda session: keys.new_key(
                    session,
                    role,
                    client=name,
                    now=now,
                    expires_at=ends,
                    origins=origin or (),
                    who=whoever_types(),
                )
            )
        except BadRequest as refusal:
            option = "--test" if refusal.about["field"] == "role" else "--origin"
            raise Failed(f"{option}: {refusal.message}") from None
    typer.echo(key)


@app.command("revoke")
def revoke(
    key_id: Annotated[str, typer.Argument(help="The eight characters after the role in the key")],
    *,
    test: Test = False,
    data: Data = None,
) -> None:
    """Take a key out of use."""
    from service.records import clock
    from service.requests import keys

    with _database(data, test=test) as database:
        database.write(lambda session: keys.revoke(session, key_id, now=clock.now(), who=whoever_types()))
    typer.echo(f"{key_id} is revoked")


@app.command("list")
def listed(*, test: Test = False, data: Data = None) -> None:
    """All keys by their public part: role, whose, since when, until when. Their secrets are not on record."""
    from service.records import clock
    from service.requests import key_rows, keys

    now = clock.now()
    with _database(data, test=test) as database, database.reading() as session:
        for row in key_rows.all_keys(session):
            ends = row.revoked_at or row.expires_at
            state = "in use" if keys.is_in_use(row, now=now) else "revoked" if row.revoked_at else "ended"
            until = f"{ends:%Y-%m-%d %H:%M}" if ends else "-"
            made = f"{row.created_at:%Y-%m-%d %H:%M}"
            whose = "  ".join([row.client, *row.origins])
            typer.echo(f"{row.key_id}  {row.role:10} {state:8} {made}  {until:16}  {whose}")


@app.command("rotate")
def rotate(
    key_id: Annotated[str, typer.Argument(help="The eight characters after the role in the key")],
    hours: Annotated[
        int, typer.Option(help="Hours for which the old key holds as well", min=0, max=720)
    ] = 24,
    *,
    test: Test = False,
    data: Data = None,
) -> None:
    """Make another key for the same client and role, print it alone; the old one ends after the overlap."""
    from service.records import clock
    from service.requests import keys

    overlap, now = timedelta(hours=hours), clock.now()
    with _database(data, test=test) as database:
        key = database.write(
            lambda session: keys.rotate(session, key_id, now=now, overlap=overlap, who=whoever_types())
        )
    typer.echo(key)


@contextmanager
def _database(data: Path | None, *, test: bool, is_new: bool = False) -> Iterator[Database]:
    """Where the keys stand: the shop's database or the sandbox's; `is_new`: it may have to be made."""
    from service.records import folders, schema
    from service.records.db import Database, open_engine
    from service.shop import sandbox

    settings = settings_of(data)
    folders.keep_private(settings.data)
    if test:
        database = sandbox.open_database(settings)
    else:
        engine = open_engine(settings.url)
        if is_new:
            schema.upgrade(engine)
        database = Database(engine)
    try:
        yield database
    finally:
        database.engine.dispose()
