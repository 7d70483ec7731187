"""`ricasso keys`."""

from __future__ import annotations

from typing import Annotated

import typer

from service.cli.saying import Data, settings_of
from service.records.who import Role

app = typer.Typer(help="API keys.", no_args_is_help=True, rich_markup_mode=None)

_CLIENTS = {Role.STORE: "store", Role.DESK: "desk", Role.BENCH: "bench", Role.OWNER: "owner"}


@app.callback()
def group() -> None:
    """API keys."""


@app.command("new")
def new(
    role: Annotated[Role, typer.Argument(help="What the key may do")],
    client: Annotated[str, typer.Option(help="Whose it is: for a store, the name its orders go by")] = "",
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
    name = client.strip()[:60] or _CLIENTS[role]
    key = Database(engine).write(lambda session: keys.new_key(session, role, client=name, now=clock.now()))
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
    Database(engine).write(lambda session: keys.revoke(session, key_id, now=clock.now()))
    engine.dispose()
    typer.echo(f"{key_id} is revoked")
