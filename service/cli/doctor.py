"""`ricasso doctor`: what is broken in a set-up, and what mends it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from service.cli.saying import Data, Failed, settings_of


def doctor(
    port: Annotated[int, typer.Option(help="Port that the service will listen on", min=1, max=65535)] = 8000,
    host: Annotated[str, typer.Option(help="Address that it will listen on")] = "127.0.0.1",
    data: Data = None,
    fixtures: Annotated[
        Path | None, typer.Option("--fixtures", metavar="DIR", help="Folder of the shop's description")
    ] = None,
) -> None:
    """Look at settings, shop, fonts, folders, database, broker and port; exit code 1 when something must be
    mended."""
    from service.running.set_up import Look, look

    try:
        settings = settings_of(data, fixtures)
    except Failed as wrong:
        # Without settings nothing else can be looked at in earnest.
        looks = [Look("settings", str(wrong), "unset it, or write it right")]
    else:
        count = sum(name.startswith("RICASSO_") for name in os.environ)
        looks = [Look("settings", f"{count} in the environment"), *look(settings, host=host, port=port)]
    for one in looks:
        typer.echo(f"{'ok  ' if one.mend is None else 'MEND'}  {one.what:9} {one.seen}")
        if one.mend is not None:
            typer.echo(f"      {'':9} -> {one.mend}")
    broken = sum(one.mend is not None for one in looks)
    if broken:
        raise Failed(f"{broken} to mend" if broken > 1 else "one thing to mend")
