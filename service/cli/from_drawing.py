"""`ricasso catalogue from-drawing`: the maker's own drawing becomes a blade's file in the shop's folder."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_args

import typer

from service.cli.saying import Failed, settings_of

if TYPE_CHECKING:
    from layout.drawing.faces import Choice, Role
    from service.drawings.take import Answers, Taken

Names = list[str] | None
_PLAIN = re.compile(r"[^A-Za-z0-9_.-]+")


def from_drawing(
    file: Annotated[
        Path, typer.Argument(help="The drawing, DXF or SVG, at true size", exists=True, dir_okay=False)
    ],
    fixtures: Annotated[
        Path | None,
        typer.Option("--fixtures", metavar="DIR", help="Folder of your shop (otherwise RICASSO_FIXTURES)"),
    ] = None,
    blade: Annotated[
        str | None, typer.Option(help="The blade's name in other files; otherwise the drawing's")
    ] = None,
    name: Annotated[str | None, typer.Option(help="The blade's name for people")] = None,
    side: Annotated[
        Names,
        typer.Option(
            help="Side drawn: mark_side, pile_side, spine, bolster or handle; once for each outline, "
            "from left to right"
        ),
    ] = None,
    edge: Annotated[
        str | None, typer.Option(help="Where the edge is in the drawing: down, up, left, right, none")
    ] = None,
    handle: Annotated[
        Names,
        typer.Option(
            help="Where the handle is in the drawing: left, right, down, up; once, or for each outline"
        ),
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Unit of the drawing's numbers: mm, cm, m, in, ft, pt, pc, px")
    ] = None,
    dpi: Annotated[float, typer.Option(help="How many px make an inch", min=1, max=100_000)] = 96.0,
    outline: Annotated[
        Names, typer.Option(help="Layer, id, group or class that is the outline (* and ? stand for any)")
    ] = None,
    body: Annotated[Names, typer.Option(help="The rest of the unit, such as the handle")] = None,
    hole: Annotated[Names, typer.Option(help="Holes")] = None,
    keep_out: Annotated[
        Names,
        typer.Option(
            help="Where nothing may burn: NAME, or NAME=REASON (hole, pivot, existing_mark, ground_bevel, "
            "hollow, edge, other)"
        ),
    ] = None,
    zone: Annotated[Names, typer.Option(help="Where marks may lie")] = None,
    baseline: Annotated[Names, typer.Option(help="Where words run")] = None,
    ignore: Annotated[Names, typer.Option(help="What is no part of the blade")] = None,
    close: Annotated[float, typer.Option(help="Ends this near (mm) are joined", min=0.001, max=10)] = 0.05,
    *,
    both_sides: Annotated[
        bool, typer.Option("--both-sides", help="Add the other side as the mirror image, with its zones")
    ] = False,
    keep_origin: Annotated[
        bool,
        typer.Option(
            "--keep-origin", help="Keep the drawing's own origin; otherwise the handle end, half way up"
        ),
    ] = False,
    sku: Annotated[str | None, typer.Option(help="Write a product's file, too, with this sku")] = None,
    steel: Annotated[
        str | None, typer.Option(help="The product's material, as the processes name it")
    ] = None,
    finish: Annotated[str | None, typer.Option(help="The product's finish, as the processes name it")] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to write the picture")] = Path(
        "pictures"
    ),
    replace_file: Annotated[bool, typer.Option("--replace", help="Overwrite the blade's file")] = False,
) -> None:
    """Write a blade's file from a drawing, and a picture of it beside a ruler and a coin.

    What the drawing can't say is asked for where there is a terminal, and named where there is none.
    """
    from layout.drawing.strokes import DrawingRefused
    from service.drawings.take import Answers

    folder = own_shop(fixtures)
    called = _PLAIN.sub("-", blade or file.stem).strip("-._") or "blade"
    target = folder / "blades" / f"{called}.toml"
    if target.exists() and not replace_file:
        raise Failed(f"{target} is there already; say --replace to overwrite it, or --blade another name")
    given: list[tuple[Role, Names]] = [
        ("outline", outline),
        ("body", body),
        ("hole", hole),
        ("keep_out", keep_out),
        ("zone", zone),
        ("baseline", baseline),
        ("ignore", ignore),
    ]
    answers = Answers(
        blade=called,
        name=name or called.replace("-", " ").replace("_", " "),
        source=file.name,
        sides=tuple(_one_of("--side", s, _sides()) for s in side or ()),  # type: ignore[misc]
        edge=None if edge is None else _one_of("--edge", edge, _EDGES),  # type: ignore[arg-type]
        handle=tuple(_one_of("--handle", h, _EDGES[:-1]) for h in handle or ()),  # type: ignore[misc]
        other_side=both_sides,
        unit=given_unit(unit),
        dpi=dpi,
        choices=tuple(choice for role, names in given for choice in _choices(role, names)),
        close_mm=close,
        keep_origin=keep_origin,
    )
    try:
        taken, answers = _asked(file.read_bytes(), answers)
    except DrawingRefused as refused:
        raise Failed(picture_of_refusal(refused, out / f"drawing.{called}.svg")) from refused
    product = _product(folder, answers, sku, steel, finish)
    _write(target, taken.text)
    picture = out / f"drawing.{called}.svg"
    _write(picture, taken.picture)
    _tell(taken, target, picture)
    if product is not None:
        _write(*product)
        typer.echo(f"product    {product[0]}")
    typer.echo("Look over what the file marks with CHECK, then: ricasso catalogue check")


_EDGES = ("down", "up", "left", "right", "none")


def _sides() -> tuple[str, ...]:
    from service.shop.catalogue.schema import FaceName

    return get_args(FaceName)


def _units() -> tuple[str, ...]:
    from service.drawings.units import UNITS

    return UNITS


def own_shop(fixtures: Path | None) -> Path:
    """The shop's own folder: the made-up shop that comes with Ricasso is never written to."""
    folder = fixtures or settings_of(None).fixtures
    if folder is None:
        raise Failed("say which folder your shop is in: --fixtures DIR (`ricasso init DIR` makes one)")
    if not folder.is_dir():
        raise Failed(f"{folder}: no such folder; `ricasso init {folder}` makes one")
    return folder


def given_unit(unit: str | None) -> Any:
    """The unit that was said, None for none. Raises Failed."""
    return None if unit is None else _one_of("--unit", unit, _units())


def _one_of(option: str, given: str, allowed: tuple[str, ...]) -> str:
    plain = given.strip().lower().replace("-", "_").replace(" ", "_")
    if plain not in allowed:
        raise Failed(f"{option}: {given!r} is none of {', '.join(allowed)}")
    return plain


def _choices(role: Role, given: Names) -> list[Choice]:
    from layout.drawing.faces import Choice
    from layout.shop.blades import KeepOutReason

    made = []
    for text in given or ():
        pattern, equals, reason = text.rpartition("=")
        if role == "keep_out" and equals:
            made.append(Choice(role, pattern, _one_of("--keep-out", reason, get_args(KeepOutReason))))  # type: ignore[arg-type]
        else:
            made.append(Choice(role, text, "hole" if role == "hole" else "other"))
    return made


def _asked(data: bytes, answers: Answers) -> tuple[Taken, Answers]:
    """The blade; what is wanting is asked once on a terminal. Raises Failed without one, DrawingRefused."""
    from service.drawings.take import Unanswered, take
    from service.drawings.units import UnitNeeded

    try:
        return take(data, answers), answers
    except UnitNeeded as needed:
        if not _can_ask():
            raise
        typer.echo(f"{needed.why}. What are its numbers?")
        for one, size in needed.sizes.items():
            typer.echo(f"  {one}: the drawing is {size}")
        answers = replace(answers, unit=_prompt("Unit", _units()))
        return _asked(data, answers)
    except Unanswered as open_questions:
        if not _can_ask():
            raise Failed(_options_for(open_questions)) from open_questions
        faces = open_questions.faces
        each = [f" of outline {n} from the left" if faces > 1 else "" for n in range(1, faces + 1)]
        if "sides" in open_questions.wanting:
            sides = tuple(_prompt(f"Which side is drawn{of}?", _sides()) for of in each)
            answers = replace(answers, sides=sides)
        if "edge" in open_questions.wanting:
            answers = replace(answers, edge=_prompt("Where is the edge in the drawing?", _EDGES))
        if "handle" in open_questions.wanting:
            handles = tuple(_prompt(f"Where is the handle{of} in the drawing?", _EDGES[:-1]) for of in each)
            answers = replace(answers, handle=handles)
        return take(data, answers), answers


def _options_for(open_questions: Any) -> str:
    options = {
        "sides": "--side (which side is drawn)",
        "edge": "--edge (where the edge is: down, up, left, right, none)",
        "handle": "--handle (where the handle is)",
    }
    told = ", ".join(options[wanting] for wanting in open_questions.wanting)
    return f"the drawing can't say everything; say also {told}"


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _prompt(question: str, allowed: tuple[str, ...]) -> Any:
    while True:
        given = typer.prompt(f"{question} ({', '.join(allowed)})").strip().lower().replace(" ", "_")
        if given in allowed:
            return given
        typer.echo(f"{given!r} is none of these")


def picture_of_refusal(refused: Any, path: Path) -> str:
    """The refusal, and where its places are drawn."""
    from layout.pictures.drawing import draw_refused

    if not refused.places:
        return str(refused)
    _write(path, draw_refused(refused.strokes, refused.places, str(refused)))
    return f"{refused} (drawn in {path})"


def _product(
    folder: Path, answers: Answers, sku: str | None, steel: str | None, finish: str | None
) -> tuple[Path, str] | None:
    """The product's file, where one is wanted. Raises Failed for one that is there, or without steel or
    finish."""
    from service.drawings.blade_file import product_file

    if sku is None and _can_ask():
        sku = (
            typer.prompt("Sku of the product made with it (empty: none yet)", default="", show_default=False)
            or None
        )
    if sku is None:
        if steel or finish:
            raise Failed("--steel and --finish belong to a product: say its --sku, too")
        return None
    if _can_ask():
        steel = steel or typer.prompt("Steel, as your processes name it (such as stainless_4116)")
        finish = finish or typer.prompt("Finish, as your processes name it (such as satin)")
    if not steel or not finish:
        raise Failed("a product needs --steel and --finish, as your processes name them")
    path = folder / "products" / f"{_PLAIN.sub('-', sku)}.toml"
    if path.exists():
        raise Failed(f"{path} is there already; change it there, or leave --sku out")
    return path, product_file(sku=sku, name=answers.name, blade=answers.blade, material=steel, finish=finish)


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def _tell(taken: Taken, target: Path, picture: Path) -> None:
    from layout.pictures.drawing import spoken_size

    typer.echo(f"blade      {target}")
    typer.echo(f"picture    {picture}  (look at it: ruler and coin are to scale)")
    for face in taken.blade.faces:
        x0, y0, x1, y1 = face.silhouette.bounds
        zones, keep_outs = len(face.zones), len(face.keep_outs)
        typer.echo(
            f"{face.face:10} {spoken_size(x1 - x0, y1 - y0)}; {keep_outs} "
            f"{'keep-out' if keep_outs == 1 else 'keep-outs'}, "
            f"{zones} {'zone' if zones == 1 else 'zones'}"
        )
    for note in taken.notes:
        typer.echo(f"note: {note}")
