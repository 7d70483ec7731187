"""`ricasso fonts`: measure the letters of the shop's fonts before the first buyer asks for them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from service.cli.saying import settings_of

app = typer.Typer(help="The shop's fonts: measure their letters.", no_args_is_help=True)


@app.callback()
def fonts() -> None:
    """Commands that have to do with fonts."""


@app.command("measure")
def measure(
    names: Annotated[list[str] | None, typer.Argument(help="Fonts by name; left out: all of them")] = None,
    fixtures: Annotated[Path | None, typer.Option(help="Folder with the shop's description")] = None,
    data: Annotated[Path | None, typer.Option(help="Folder of the service's data")] = None,
    processes: Annotated[
        int | None, typer.Option(help="How many at once; left out: all cores", min=1)
    ] = None,
    *,
    heights_only: Annotated[
        bool, typer.Option("--heights-only", help="Only from which height each font can be burned")
    ] = False,
) -> None:
    """Work out from which height each font can be burned, then measure every letter that was not measured
    yet; may be stopped and taken up again.

    A running service sees what is measured at once. Exit code 1 when a font or a letter can't be used.
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from service.cli.saying import Failed
    from service.shop.catalogue import load
    from service.shop.font_tables import measure_all, measuring_alone
    from service.shop.smallest_sizes import missing, work_out

    settings = settings_of(data)
    shop = load(fixtures or settings.shop_folder)
    unknown = sorted(set(names or ()) - set(shop.fonts))
    if unknown:
        raise Failed(f"no font named {', '.join(unknown)}; there are {', '.join(shop.fonts)}")
    wanted = {name: spec for name, spec in shop.fonts.items() if not names or name in names}
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns) as bars, measuring_alone(settings.font_tables):
        heights = bars.add_task("smallest heights", total=None)
        wanting = [(name, process) for name, process in missing(shop, settings.font_tables) if name in wanted]
        for done, (name, process) in enumerate(wanting, start=1):
            work_out(shop.fonts[name], process, shop.policy, settings.font_tables)
            bars.update(heights, completed=done, total=len(wanting))
        if heights_only:
            return
        tasks = {name: bars.add_task(name, total=None) for name in wanted}
        refused = measure_all(
            wanted,
            settings.font_tables,
            processes=processes or os.cpu_count() or 1,
            progress=lambda name, done, of: bars.update(tasks[name], completed=done, total=of),
        )
    for name, reason in refused.items():
        typer.echo(f"{name}: {reason}")
    if refused:
        raise typer.Exit(1)
