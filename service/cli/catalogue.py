"""`ricasso catalogue`: what is wrong with the shop's description, and pictures of what it describes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli import plates, versions
from service.cli.artwork import artwork
from service.cli.from_drawing import from_drawing

if TYPE_CHECKING:
    from layout.shop.shop import Shop
    from service.shop.catalogue import Trouble

app = typer.Typer(help="The shop's description: check it, draw it, put it in force.", no_args_is_help=True)
app.command("from-drawing")(from_drawing)
app.add_typer(plates.app, name="plate")
app.command("artwork")(artwork)
app.command("publish")(versions.publish)
app.command("export")(versions.export)
app.command("versions")(versions.listed)
app.command("back")(versions.back)

Fixtures = Annotated[
    Path | None,
    typer.Option(
        "--fixtures",
        metavar="DIR",
        help="Folder of the description (otherwise RICASSO_FIXTURES, the made-up shop)",
    ),
]

Pictures = Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to write the pictures")]


@app.command("check")
def check(
    fixtures: Fixtures = None,
    data: Annotated[
        Path | None,
        typer.Option(
            "--data",
            metavar="DIR",
            help="Folder of a service's data: say also which accepted units would no longer fit",
        ),
    ] = None,
    out: Pictures = Path("pictures"),
) -> None:
    """Print everything that is wrong, one line each (file:line: place: reason), exit code 1 if anything is;
    or how large each blade is, and where its picture lies."""
    from service.shop.catalogue import load, load_stock, troubles_in

    folder = _folder(fixtures)
    troubles = troubles_in(folder)
    for trouble in troubles:
        typer.echo(f"{trouble}{_drawn(trouble, out)}")
    if troubles:
        raise typer.Exit(1)
    shop = load(folder)
    boxed = sum(stock.boxed for stock in load_stock(folder))
    slots = sum(len(plate.slots) * len(plate.copies) for plate in shop.plates.values())
    typer.echo(
        f"{folder}: {len(shop.products)} products, {len(shop.blades)} blades, {len(shop.plates)} plates "
        f"({slots} slots with all copies), {len(shop.stations)} stations, {len(shop.processes)} processes, "
        f"{len(shop.fonts)} fonts, {len(shop.artworks)} marks, {boxed} boxed units; "
        f"version {shop.version[:12]}"
    )
    _say_sizes(shop, out)
    for blade in shop.blades.values():
        for zone in (zone for face in blade.faces for zone in face.zones):
            if zone.usual_height_mm is None:
                typer.echo(
                    f"note: zone {zone.zone} of {blade.blade} has no usual_height_mm: words there get the "
                    "largest size that fits"
                )
    for process in shop.processes.values():
        if process.test_card is None:
            typer.echo(
                f"note: process {process.process} has no test card here and is not used until one is recorded"
            )
    if data is not None:
        _say_never(shop, data)
    if data is not None and _say_misfits(shop, data):
        raise typer.Exit(1)


def _drawn(trouble: Trouble, out: Path) -> str:
    """Draw where a shape is wrong; what to say of it, empty where there is nothing to draw."""
    from layout.pictures.drawing import draw_wrong

    if trouble.sketch is None:
        return ""
    name = f"wrong.{Path(trouble.file).stem}.{trouble.place}.svg"
    written = _written(out, name, draw_wrong(trouble.sketch.line, trouble.sketch.places, str(trouble)))
    return f" (drawn in {written})" if written else ""


def _say_sizes(shop: Shop, out: Path) -> None:
    """Each blade's length and height in words, what is odd about it, and its pictures."""
    from layout.drawing.sense import oddities
    from layout.pictures.blades_and_plates import draw_face
    from layout.pictures.drawing import spoken_size

    for blade in shop.blades.values():
        for face in blade.faces:
            x0, y0, x1, y1 = face.silhouette.bounds
            path = _written(out, f"blade.{blade.blade}.{face.face}.svg", draw_face(blade, face))
            pictured = f"; picture {path}" if path else ""
            spoken = face.face.replace("_", " ")
            typer.echo(f"blade {blade.blade}, {spoken}: {spoken_size(x1 - x0, y1 - y0)}{pictured}")
            for odd in oddities(face):
                typer.echo(f"note: blade {blade.blade}, {spoken}: {odd}")


def _written(out: Path, name: str, svg: str) -> Path | None:
    """Write a picture; None where the folder can't be written to, which is no reason to check nothing."""
    path = out / name
    try:
        out.mkdir(parents=True, exist_ok=True)
        path.write_text(svg, encoding="utf-8")
    except OSError:
        return None
    return path


def _say_never(shop: Shop, data: Path) -> None:
    """Fonts that were worked out and that no recipe can burn at any height that a zone takes."""
    from service.cli.saying import settings_of
    from service.shop.smallest_sizes import NEVER, smallest_sizes

    folder = settings_of(data).font_tables
    for product in shop.products.values():
        for zone in (zone for face in shop.blades[product.blade].faces for zone in face.zones):
            sizes = smallest_sizes(shop, product.sku, zone, folder)
            for font in (font for font, size in sizes.items() if size == NEVER):
                typer.echo(f"note: {font} can't be burned in zone {zone.zone} of {product.sku} at any height")


def _say_misfits(shop: Shop, data: Path) -> int:
    """Print one line for each accepted unit that no longer fits this description; returns how many."""
    from service.cli.saying import tools_of
    from service.intake import homeless

    lost = homeless.would_be_lost(tools_of(data), shop)
    for order_ref, unit in lost:
        typer.echo(f"order {order_ref}: an accepted unit no longer fits: {unit.why}")
    return len(lost)


@app.command("draw")
def draw(
    fixtures: Fixtures = None,
    out: Pictures = Path("pictures"),
) -> None:
    """Draw every blade's faces and every plate to SVG, and say which files were written."""
    from service.shop.catalogue import load

    shop = load(_folder(fixtures))
    out.mkdir(parents=True, exist_ok=True)
    for name, svg in _pictures(shop):
        path = out / name
        path.write_text(svg, encoding="utf-8")
        typer.echo(str(path))


@app.command("schemas")
def schemas(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to write the schemas")],
) -> None:
    """Write the JSON Schema of every kind of file, for editors and other programs."""
    from service.shop.catalogue.schema import json_schemas

    out.mkdir(parents=True, exist_ok=True)
    for kind, content in json_schemas().items():
        path = out / f"{kind}.schema.json"
        path.write_text(json.dumps(content, indent=2, sort_keys=True) + "\n", encoding="utf-8")
        typer.echo(str(path))


@app.command("reference")
def reference(
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Where to write it; otherwise it is printed")
    ] = None,
) -> None:
    """Explain every key of the description: what it means, its unit, its default, an example."""
    from service.shop.catalogue.reference import reference as page

    if out is None:
        typer.echo(page(), nl=False)
    else:
        out.write_text(page(), encoding="utf-8")
        typer.echo(str(out))


def _folder(fixtures: Path | None) -> Path:
    from service.cli.saying import settings_of

    return fixtures or settings_of(None).shop_folder


def _pictures(shop: Shop) -> Iterator[tuple[str, str]]:
    from layout.pictures.blades_and_plates import draw_face, draw_plate

    for blade in shop.blades.values():
        for face in blade.faces:
            yield f"blade.{blade.blade}.{face.face}.svg", draw_face(blade, face)
    for plate in shop.plates.values():
        yield f"plate.{plate.plate}.svg", draw_plate(plate, shop.blades)
