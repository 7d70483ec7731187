"""`ricasso fonts`: look at a font before it is offered; measure the letters of the shop's fonts before the
first buyer asks for them."""

from __future__ import annotations

import os
import tempfile
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.cli.saying import Failed, settings_of

if TYPE_CHECKING:
    from layout.shop.shop import Shop
    from service.shop.font_looks import InZone, Look

app = typer.Typer(help="The shop's fonts: look at them, measure their letters.", no_args_is_help=True)

_EMBEDDING = {
    "installable": "may be embedded in any document",
    "editable": "may be embedded in documents that can be edited",
    "print": "may be embedded for viewing and printing only",
    "restricted": "restricted: not without its maker's leave",
    "unsaid": "it does not say",
}
_COLUMNS = ("font", "file", "licence", "embedding", "languages", "blade", "zone", "process", "smallest_mm")


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


@app.command("look")
def look(
    where: Annotated[
        str, typer.Argument(help="Folder with TTF or OTF files, one such file, or an installed package")
    ],
    only: Annotated[
        str | None, typer.Option(metavar="WORDS", help="Only files with these words in their name")
    ] = None,
    name: Annotated[str | None, typer.Option(help="The font's name for people; otherwise its own")] = None,
    axis: Annotated[
        list[str] | None,
        typer.Option(metavar="TAG=VALUE", help="A variable font's axis, such as wght=600; may be repeated"),
    ] = None,
    fixtures: Annotated[
        Path | None,
        typer.Option("--fixtures", metavar="DIR", help="Folder of your shop (otherwise RICASSO_FIXTURES)"),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where to write the table and the specimens")
    ] = Path("pictures"),
    *,
    add: Annotated[bool, typer.Option("--add", help="Add it to the shop's list of fonts")] = False,
) -> None:
    """Show a font's licence, what it says of embedding, its languages, and from which height each process
    burns it in each zone, with a specimen as burned. With --add it goes into the shop's folder.

    Exit code 1 when a font can't be used.
    """
    from service.records.errors import Refusal
    from service.requests import sheet_files
    from service.shop import additions
    from service.shop.catalogue import load, read
    from service.shop.font_looks import found_at
    from service.shop.font_looks import look as look_at

    folder = fixtures or (settings_of(None).fixtures if add else settings_of(None).shop_folder)
    if folder is None:
        raise Failed("say which folder your shop is in: --fixtures DIR (`ricasso init DIR` makes one)")
    shop, content = load(folder), read(folder)
    try:
        found = [one for one in found_at(where) if only is None or only.lower() in one[1].lower()]
    except Refusal as refusal:
        raise Failed(str(refusal)) from refusal
    if not found:
        raise Failed(f"{where}: no file with {only!r} in its name")
    if len(found) > 1 and (name or axis):
        raise Failed("--name and --axis are for one font: choose its file by --only")
    fixed = _axes(axis or [])
    files: dict[str, str] = {}
    rows: list[tuple[str, ...]] = []
    refused = 0
    out.mkdir(parents=True, exist_ok=True)
    for package, file, data in found:
        try:
            one = look_at(data, package, file)
            entry = one.entry(fixed, name or "")
            rows += _looked_at(one, entry, shop, out)
            if add:
                text = one.file_text() if package is None else None
                files |= additions.with_font({**content, **files}, entry, text)
        except Refusal as refusal:
            typer.echo(f"refused    {refusal}")
            refused += 1
    table = out / "fonts.csv"
    table.write_bytes(sheet_files.written(_COLUMNS, rows, kind="csv"))
    typer.echo(f"table      {table}")
    for path in additions.write_into(folder, content, files) if files else ():
        typer.echo(f"written    {path}")
    if refused:
        raise typer.Exit(1)
    if not add:
        typer.echo("To add what is shown, say --add.")


def _looked_at(one: Look, entry: dict[str, Any], shop: Shop, out: Path) -> list[tuple[str, ...]]:
    """Say what a font says of itself and what each zone has for it, and draw the specimens; returns the
    table's rows. Raises BadRequest for a font that can't be engraved."""
    from service.shop.font_looks import in_zones

    for line in _said_of(one, entry["font"]):
        typer.echo(line)
    for spec in shop.fonts.values():
        if spec.sha256 == one.sha256:
            typer.echo(f"note: the shop has this file already, as {spec.font}")
    with tempfile.TemporaryDirectory() as measured:
        rooms = in_zones(shop, one.spec(entry), Path(measured), measure=True)
    for room in rooms:
        typer.echo(_said_of_zone(room))
        if room.specimen:
            picture = out / f"font.{entry['font']}.{room.blade}.{room.zone}.svg"
            picture.write_text(room.specimen, encoding="utf-8")
    return [row for room in rooms for row in _rows(one, entry["font"], room)]


def _axes(said: list[str]) -> dict[str, float]:
    axes = {}
    for one in said:
        tag, _, value = one.partition("=")
        try:
            axes[tag.strip()] = float(value)
        except ValueError:
            raise Failed(f"{one}: an axis is said as wght=600") from None
    return axes


def _said_of(one: Look, named: str) -> Iterator[str]:
    """What a font says of itself, line by line."""
    from service.shop.font_looks import UNKNOWN_LICENCE, language_name

    yield f"font       {one.name} ({named}), {one.file}, {one.glyphs} glyphs"
    yield f"licence    {one.licence}{f': {one.licence_text[:160]}' if one.licence_text else ''}"
    if one.licence == UNKNOWN_LICENCE:
        yield "note: read its licence before you offer it: what may be made with it is for that to say"
    limits = ["whole, not in parts"] * one.is_whole_only + ["as bitmaps only"] * one.is_bitmaps_only
    yield f"embedding  {'; '.join([_EMBEDDING[one.embedding], *limits])}"
    for tag, (least, default, most) in one.axes.items():
        yield f"axis       {tag} from {least:g} to {most:g}, {default:g} unless --axis says otherwise"
    names = sorted(map(language_name, one.languages))
    yield from textwrap.wrap(
        f"languages  {', '.join(names) or 'none has all its letters'}", 100, subsequent_indent=" " * 11
    )
    for name, missing in sorted((language_name(tag), missing) for tag, missing in one.nearly):
        yield f"lacks      {name}: {missing}"


def _said_of_zone(room: InZone) -> str:
    which = f"zone       {room.blade}, {room.zone}:"
    sizes = [
        f"{process} {'never' if least is None else f'from {least:.1f} mm'}"
        for process, least in room.smallest_mm.items()
    ]
    said = ", ".join(sizes) or "no process for its surface yet"
    return f"{which} {said}{f'; {room.words!r}: {room.why_not.message}' if room.why_not else ''}"


def _rows(one: Look, named: str, room: InZone) -> Iterator[tuple[str, ...]]:
    about = (named, one.file, one.licence, _EMBEDDING[one.embedding], str(len(one.languages)))
    for process, least in room.smallest_mm.items():
        yield (*about, room.blade, room.zone, process, "never" if least is None else f"{least:.2f}")
