"""`ricasso catalogue artwork`: a drawing as a mark of the library."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from service.cli.saying import Failed, settings_of

if TYPE_CHECKING:
    from service.shop.new_marks import Room


def artwork(
    file: Annotated[Path, typer.Argument(help="The drawing, DXF or SVG", exists=True, dir_okay=False)],
    name: Annotated[
        str | None, typer.Option(help="The mark's name in orders; otherwise the drawing's")
    ] = None,
    title: Annotated[str | None, typer.Option(help="The mark's name for people")] = None,
    use: Annotated[
        Literal["mark", "symbol", "frame"],
        typer.Option(help="mark: by itself; symbol: goes with words; frame: for initials"),
    ] = "mark",
    initials: Annotated[
        str | None,
        typer.Option(
            metavar="X0,Y0,X1,Y1",
            help="Where a frame's initials go: two corners, mm from its lower left; otherwise the largest "
            "box that it leaves free",
        ),
    ] = None,
    width: Annotated[float | None, typer.Option(help="Scale it to this width, mm", min=0.5, max=500)] = None,
    unit: Annotated[
        Literal["mm", "cm", "m", "in", "ft", "pt", "pc", "px"] | None,
        typer.Option(help="Unit of the drawing's numbers, where it states none"),
    ] = None,
    dpi: Annotated[float, typer.Option(help="How many px make an inch", min=1, max=100_000)] = 96.0,
    line: Annotated[
        float | None,
        typer.Option(
            help="How wide lines are, mm, where the drawing says nothing of ink (DXF)", min=0.001, max=50
        ),
    ] = None,
    fixtures: Annotated[
        Path | None,
        typer.Option("--fixtures", metavar="DIR", help="Folder of your shop (otherwise RICASSO_FIXTURES)"),
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to write the picture")] = Path(
        "pictures"
    ),
    *,
    as_lines: Annotated[
        bool, typer.Option("--as-lines", help="Closed lines are lines, too, and not filled (DXF)")
    ] = False,
    add: Annotated[bool, typer.Option("--add", help="Add it to the shop's library")] = False,
) -> None:
    """Show what a drawing becomes as a mark: fills, and strokes turned into areas; its finest features, and
    from which width each zone's station burns it. With --add it goes into the shop's folder."""
    from service.drawings.artwork import Wanted
    from service.drawings.new_mark import Asked, tried_mark
    from service.records.errors import Refusal
    from service.shop import additions
    from service.shop.catalogue import load, read

    folder = fixtures or (settings_of(None).fixtures if add else settings_of(None).shop_folder)
    if folder is None:
        raise Failed("say which folder your shop is in: --fixtures DIR (`ricasso init DIR` makes one)")
    called = additions.plain_name(name or file.stem, "mark")
    asked = Asked(called, title or called.replace("-", " "), use, _box(initials))
    shop, content = load(folder), read(folder)
    result = tried_mark(shop, file.read_bytes(), Wanted(width, unit, dpi, line, as_lines), asked)
    taken = result.taken
    if taken is None:
        sizes = ", ".join(f"{unit}: {size}" for unit, size in result.sizes.items())
        raise Failed(result.refused + (f"; say --unit or --width; read as {sizes}" if sizes else ""))
    across, high = taken.size_mm
    typer.echo(f"size       {across:.2f} x {high:.2f} mm")
    for what, finest in (("stroke", taken.stroke_mm), ("gap", taken.gap_mm)):
        if finest >= max(taken.size_mm):
            continue  # nothing of the kind
        at_ten = finest / across * 10
        typer.echo(f"{what:<10} finest {finest:.3f} mm at that size, {at_ten:.3f} mm at 10 mm wide")
    for note in taken.notes:
        typer.echo(f"note: {note}")
    if (box := result.box_mm) is not None:
        corners = ", ".join(f"{value:g}" for value in box)
        typer.echo(f"initials   in the box {corners} mm, {box[2] - box[0]:.1f} x {box[3] - box[1]:.1f} mm")
    out.mkdir(parents=True, exist_ok=True)
    picture = out / f"mark.{called}.svg"
    picture.write_text(result.picture, encoding="utf-8")
    typer.echo(f"picture    {picture}")
    for room in result.rooms:
        typer.echo(_said_of(room))
    entry = result.entry(asked)
    try:
        files = additions.with_artwork(content, entry, taken.svg)
    except Refusal as refusal:
        raise Failed(str(refusal)) from refusal
    if not add:
        told = "\n".join(f"{key} = {json.dumps(value)}" for key, value in entry.items())
        typer.echo(f"To add it say --add, or write into artwork/:\n[[artwork]]\n{told}")
        return
    for path in additions.write_into(folder, content, files):
        typer.echo(f"written    {path}")


def _box(said: str | None) -> tuple[float, float, float, float] | None:
    if said is None:
        return None
    try:
        x0, y0, x1, y1 = map(float, said.split(","))
    except ValueError:
        raise Failed("say the box for initials as --initials 4.6,5.6,15.4,14.4 (mm)") from None
    return x0, y0, x1, y1


def _said_of(room: Room) -> str:
    """What a zone has for the mark, in one line."""
    which = f"zone       {room.blade}, {room.zone}:"
    if room.takes_it:
        return f"{which} from {room.least_mm:.1f} mm wide as drawn, the largest {room.most_mm:.1f} mm"
    if room.why_not is not None or room.most_mm is None:
        return f"{which} {room.why_not.message if room.why_not else 'it finds no room'}"
    return f"{which} too fine: it needs {room.least_mm:.1f} mm, the largest is {room.most_mm:.1f} mm"
