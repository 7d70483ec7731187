"""`ricasso plan`: the loads to come as a table, and as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Data, Failed, tools_of

if TYPE_CHECKING:
    from datetime import datetime

    from service.plan.planning import Planned

_PIXELS = 1600


def plan(
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="FILE", help="Draw the plan as a timeline, to a .svg or .png file"),
    ] = None,
    hours: Annotated[float, typer.Option(help="Open hours on the picture at most", min=2, max=120)] = 10,
    data: Data = None,
) -> None:
    """Plan everything that waits and print the loads in order of time, with how good any plan could be."""
    from service.papers import pictures
    from service.plan import in_force as kept_plan
    from service.plan import plan_rows as rows

    if picture is not None and picture.suffix.lower() not in {".svg", ".png"}:
        raise Failed(f"{picture}: a picture is a .svg or a .png file")
    tools = tools_of(data)
    planned = kept_plan.now(tools)
    for line in _lines(planned):
        typer.echo(line)
    if picture is not None:
        with tools.database.reading() as session:
            loads = rows.active_loads(session)
        drawn = pictures.timeline(
            planned, loads, now=tools.clock(), language="en", most_open_s=hours * 3600, has_links=False
        )
        _write(picture, drawn)
        typer.echo(f"picture    {picture}")


def _lines(planned: Planned) -> list[str]:
    from service.papers.pictures import dues_of, late_jobs

    score, bound, dues = planned.plan.score, planned.plan.bound, dues_of(planned)
    lines = [
        f"made       {_local(planned, planned.made_at)} ({planned.clock.zone.key}),"
        f" rule: {planned.plan.rule}",
        f"loads      {score.loads} for orders; no plan has fewer than {bound.loads}",
        f"late       {score.lateness} working days, weighted; no plan has less than {bound.lateness}",
        f"changes    {score.changes} of plate or process",
    ]
    table = [("load", "station", "plate", "seated from", "burned", "", "units", "late")]
    for number, load in zip(planned.numbers, planned.plan.loads, strict=True):
        late = len(late_jobs(planned, load, dues))
        table.append(
            (
                str(number),
                load.station,
                load.copy,
                _local(planned, planned.moment(load.prepares)),
                _local(planned, planned.moment(load.begins)),
                f"to {planned.moment(load.ends).astimezone(planned.clock.zone):%H:%M}",
                str(len(load.jobs) + load.blades),
                f"! {late}" if late else "",
            )
        )
    if len(table) > 1:
        widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
        lines.append("")
        lines += [
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in table
        ]
        lines.append("")
    lines += [f"unplanned  {job}: {reason}" for job, reason in sorted(planned.plan.unplanned.items())]
    return lines


def _local(planned: Planned, moment: datetime) -> str:
    return f"{moment.astimezone(planned.clock.zone):%a %d %b %H:%M}"


def _write(file: Path, svg: str) -> None:
    """The picture, on the shop's paper. A machine without fonts has one brought along."""
    if file.suffix.lower() == ".svg":
        file.write_text(svg, encoding="utf-8")
        return
    import fontpkg
    import resvg_py

    cuts = [str(fontpkg.path("Atkinson Hyperlegible", weight=weight)) for weight in (400, 700)]
    png = resvg_py.svg_to_bytes(
        svg_string=svg, dpi=96, width=_PIXELS, font_files=cuts, skip_system_fonts=True
    )
    file.write_bytes(bytes(png))
