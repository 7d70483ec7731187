"""`ricasso acts`."""

from __future__ import annotations

from typing import Annotated

import typer

from service.cli.saying import Data, settings_of


def acts(
    count: Annotated[int, typer.Option(help="How many, the newest first", min=1, max=10_000)] = 50,
    data: Data = None,
) -> None:
    """Who did what with keys, callbacks, test cards, measured plates, lots and the shop's description."""
    from service.records.db import Database, open_engine
    from service.requests import act_rows

    engine = open_engine(settings_of(data).url)
    with Database(engine).reading() as session:
        for row in act_rows.listed(session, limit=count):
            done = f"{row.who:20}  {row.subject:8} {row.move_to:11}  {act_rows.details(row)}"
            typer.echo(f"{row.at:%Y-%m-%d %H:%M}  {done}")
    engine.dispose()
