"""`ricasso keys`."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

import typer

from service.cli.saying import Data, Failed, settings_of, whoever_types
from service.records.errors import BadRequest
from service.records.who import Role

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
    data: Data = None,
) -> None:
    """Make a key and print it, alone, once: it can't be shown again."""
    from service.records import clock, folders, schema
    from service.records.db import Database, open_engine
    from service.requests import keys

    settings = settings_of(data)
    folders.keep_private(settings.data)
    engine = open_engine(settings.url)
    schema.upgrade(engine)
    # A storefront is its store's, whose orders its previews are for.
    name = client.strip()[:60] or (Role.STORE if role is Role.STOREFRONT else role).value
    now = clock.now()
    ends = None if days is None else now + timedelta(days=days)
    try:
        key = Database(engine).write(
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
        raise Failed(f"--origin: {refusal.message}") from None
    finally:
        engine.dispose()
    typer.echo(key)


@app.command("revoke")
def revoke(
    key_id: Annotated[str, typer.Argument(help="The eight characters after the role in the key")],
    data: Data = None,
) -> None:
    """Take a key out of use."""
    from service.records import clock
    from service.records.db import Database, open_engine
    from service.requests import keys

    engine = open_engine(settings_of(data).url)
    Database(engine).write(lambda session: keys.revoke(session, key_id, now=clock.now(), who=whoever_types()))
    engine.dispose()
    typer.echo(f"{key_id} is revoked")


@app.command("list")
def listed(data: Data = None) -> None:
    """All keys by their public part: role, whose, since when, until when. Their secrets are not on record."""
    from service.records import clock
    from service.records.db import Database, open_engine
    from service.requests import key_rows, keys

    engine = open_engine(settings_of(data).url)
    now = clock.now()
    with Database(engine).reading() as session:
        for row in key_rows.all_keys(session):
            ends = row.revoked_at or row.expires_at
            state = "in use" if keys.is_in_use(row, now=now) else "revoked" if row.revoked_at else "ended"
            until = f"{ends:%Y-%m-%d %H:%M}" if ends else "-"
            made = f"{row.created_at:%Y-%m-%d %H:%M}"
            whose = "  ".join([row.client, *row.origins])
            typer.echo(f"{row.key_id}  {row.role:10} {state:8} {made}  {until:16}  {whose}")
    engine.dispose()


@app.command("rotate")
def rotate(
    key_id: Annotated[str, typer.Argument(help="The eight characters after the role in the key")],
    hours: Annotated[
        int, typer.Option(help="Hours for which the old key holds as well", min=0, max=720)
    ] = 24,
    data: Data = None,
) -> None:
    """Make another key for the same client and role, print it alone; the old one ends after the overlap."""
    from service.records import clock
    from service.records.db import Database, open_engine
    from service.requests import keys

    engine = open_engine(settings_of(data).url)
    overlap, now = timedelta(hours=hours), clock.now()
    key = Database(engine).write(
        lambda session: keys.rotate(session, key_id, now=now, overlap=overlap, who=whoever_types())
    )
    engine.dispose()
    typer.echo(key)
