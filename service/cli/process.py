"""`ricasso process`: a recipe for a new steel found by looking at a card of many settings."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Failed, settings_of

if TYPE_CHECKING:
    from layout.burn.matrix_card import Matrix
    from layout.shop.shop import Shop
    from service.proving.matrix_cards import Wanted

app = typer.Typer(help="Recipes: find one for a new steel.", no_args_is_help=True)

Fixtures = Annotated[
    Path | None,
    typer.Option("--fixtures", metavar="DIR", help="Folder of your shop (otherwise RICASSO_FIXTURES)"),
]


@app.callback()
def process() -> None:
    """Commands that have to do with recipes."""


@app.command("matrix")
def matrix(
    station: Annotated[str, typer.Argument(help="The station that burns it")],
    material: Annotated[str, typer.Option(help="The material, as your products name it")],
    finish: Annotated[str, typer.Option(help="Its finish, as your products name it")],
    powers: Annotated[str, typer.Option(help="Powers in %, one row each")] = "20,35,50,65,80",
    speeds: Annotated[
        str, typer.Option(help="Speeds in mm/s, one column each")
    ] = "200,400,800,1200,1600,2400",
    spacings: Annotated[
        str, typer.Option(help="Distance of rows in mm; several of them, and one power: one row each")
    ] = "0.03",
    line_width: Annotated[float, typer.Option(help="Width of a line, mm, as far as it is known")] = 0.05,
    frequency: Annotated[float | None, typer.Option(help="Frequency in kHz, where the laser has one")] = None,
    repeats: Annotated[int, typer.Option(help="How often everything is burned")] = 1,
    fixtures: Fixtures = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to write the files")] = Path(
        "matrix"
    ),
) -> None:
    """Write a card of squares to burn on scrap: each with settings of its own, for each a layer, and a table
    of what to set. Choose a square afterwards: `ricasso process choose`."""
    from service.papers.matrix_sheet import matrix_sheet
    from service.papers.voice import Voice
    from service.proving import matrix_cards
    from service.proving.matrix_answers import matrix_answer
    from service.shop.catalogue import load

    folder = fixtures or settings_of(None).shop_folder
    shop = load(folder)
    wanted = matrix_cards.Wanted(
        station, material, finish, powers, speeds, spacings, line_width, frequency, repeats
    )
    tried = _matrix(shop, wanted)
    formats = shop.stations[station].formats
    try:
        built = {kind: matrix_cards.build(shop, tried, kind) for kind in formats}
    except ValueError as error:
        raise Failed(f"no card can be made: {error}") from error
    code = built[formats[0]][1]
    card = matrix_answer(tried, code=code, fills_itself=shop.stations[station].fill == "outline")
    stem = out / f"MATRIX-{station}-{code}"
    out.mkdir(parents=True, exist_ok=True)
    for kind, (data, _) in built.items():
        _say(stem.with_suffix(f".{kind}"), data, "burn file")
    _say(stem.with_suffix(".csv"), matrix_cards.settings_csv(card).encode(), "settings")
    sheet = matrix_sheet(card, Voice())
    _say(out / f"{stem.name}-settings.pdf", sheet, "settings, on paper")
    _say(stem.with_suffix(".json"), json.dumps(wanted_of(wanted), indent=2).encode(), "for choosing")
    width, height = card.size_mm
    typer.echo(f"scrap      {width:g} x {height:g} mm of {material}, {finish}; never a product")
    typer.echo(
        "Set every layer as the table says: no file holds power or speed. Enclosure closed, fumes drawn off, "
        "never alone; the maker's manual, local rules and your laser safety officer come first."
    )


@app.command("choose")
def choose(
    card: Annotated[
        Path, typer.Argument(help="The card's .json file", exists=True, dir_okay=False, metavar="CARD.json")
    ],
    cell: Annotated[str, typer.Argument(help="The square, such as B3")],
    name: Annotated[str, typer.Option("--process", help="What a new process shall be called")] = "",
    line_width: Annotated[
        float | None, typer.Option(help="Width of a line in mm, measured beside that square")
    ] = None,
    fixtures: Fixtures = None,
) -> None:
    """Write a square's settings into the shop's folder: as a new process, or into the station's recipe for
    that material and finish. It is not used until its test card was burned and recorded."""
    from dataclasses import replace

    from service.proving import matrix_cards
    from service.records.errors import Refusal
    from service.shop import additions
    from service.shop.catalogue import load, read

    folder = fixtures or settings_of(None).fixtures
    if folder is None:
        raise Failed("say which folder your shop is in: --fixtures DIR (`ricasso init DIR` makes one)")
    try:
        wanted = matrix_cards.Wanted(**json.loads(card.read_text(encoding="utf-8")))
    except (ValueError, TypeError) as error:
        raise Failed(f"{card} is no card that `ricasso process matrix` wrote") from error
    if line_width is not None:
        wanted = replace(wanted, line_width_mm=line_width)
    content, shop = read(folder), load(folder)
    try:
        chosen = matrix_cards.chosen(content, shop, _matrix(shop, wanted), cell, name)
    except Refusal as refusal:
        raise Failed(str(refusal)) from refusal
    for path in additions.write_into(folder, content, {file.name: file.text for file in chosen.files}):
        typer.echo(f"written    {path}")
    typer.echo(f"process    {chosen.process}: burn and record its test card before it is used")


def wanted_of(wanted: Wanted) -> dict[str, object]:
    """A card as it was asked for, JSON-ready."""
    from dataclasses import asdict

    return asdict(wanted)


def _matrix(shop: Shop, wanted: Wanted) -> Matrix:
    from service.proving import matrix_cards
    from service.records.errors import Refusal

    try:
        return matrix_cards.matrix_of(shop, wanted)
    except Refusal as refusal:
        raise Failed(str(refusal)) from refusal


def _say(path: Path, data: bytes, what: str) -> None:
    path.write_bytes(data)
    typer.echo(f"{what:<19} {path}")
