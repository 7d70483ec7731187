"""`ricasso catalogue plate`: a plate's slots from a grid, a drawing or the laser's pointer; what seats in
them by its shape; a file that proves the plate."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from service.cli.from_drawing import given_unit, own_shop, picture_of_refusal
from service.cli.saying import Data, Failed, settings_of

if TYPE_CHECKING:
    from shapely.geometry import Polygon

    from layout.drawing.faces import Role
    from layout.seating.pocket import Way
    from layout.shop.shop import Shop
    from service.drawings.plates import ReadPlate, Seating

app = typer.Typer(help="Plates: slots, what seats in them, proof.", no_args_is_help=True)

_PLAIN = re.compile(r"[^A-Za-z0-9_.-]+")

Fixtures = Annotated[
    Path | None,
    typer.Option("--fixtures", metavar="DIR", help="Folder of your shop (otherwise RICASSO_FIXTURES)"),
]
Named = Annotated[str, typer.Argument(help="The plate's name in other files")]
People = Annotated[str | None, typer.Option("--name", help="The plate's name for people")]
Copies = Annotated[
    list[str] | None, typer.Option("--copy", help="A plate made alike, by the name on its label")
]
Replace = Annotated[bool, typer.Option("--replace", help="Overwrite the plate's file")]


@app.command("grid")
def grid(
    plate: Named,
    size: Annotated[str, typer.Option(help="Width and height of the plate, mm", metavar="W,H")],
    slot: Annotated[
        str,
        typer.Option(help="The slots' rectangle in their own frame, mm: two corners", metavar="X0,Y0,X1,Y1"),
    ] = "",
    around: Annotated[
        str | None, typer.Option(help="Instead: the slots have this blade's shape, and room around it")
    ] = None,
    room: Annotated[float, typer.Option(help="How much room, mm", min=0.05, max=20)] = 0.3,
    columns: Annotated[int, typer.Option(min=1)] = 1,
    rows: Annotated[int, typer.Option(min=1)] = 1,
    first: Annotated[str, typer.Option(help="Where the lower left slot's frame lies", metavar="X,Y")] = "0,0",
    pitch: Annotated[
        str, typer.Option(help="From column to column, and from row to row", metavar="X,Y")
    ] = "0,0",
    turn: Annotated[float, typer.Option(help="All slots turned, degrees")] = 0.0,
    mark: Annotated[
        list[str] | None, typer.Option(help="A mark that the pointer can be driven to", metavar="X,Y")
    ] = None,
    *,
    facing: Annotated[bool, typer.Option("--facing", help="Every second column turned round")] = False,
    name: People = None,
    copies: Copies = None,
    fixtures: Fixtures = None,
    replace: Replace = False,
) -> None:
    """A plate of slots in columns and rows."""
    from shapely.geometry import box

    from layout.drawing.slots import grid as in_rows

    folder = own_shop(fixtures)
    width, height = _numbers("--size", size, 2)
    if bool(slot) == bool(around):
        raise Failed(
            "say the slots' rectangle (--slot X0,Y0,X1,Y1) or the blade they are made for (--around)"
        )
    outline = box(*_numbers("--slot", slot, 4)) if slot else _around(folder, str(around), room)
    try:
        slots = in_rows(
            columns,
            rows,
            first=_two("--first", first),
            pitch=_two("--pitch", pitch),
            turn_deg=turn,
            facing=facing,
        )
    except ValueError as error:
        raise Failed(str(error)) from error
    marks = [_two("--mark", m) for m in mark or ()] or [(6.0, 6.0), (width - 6, 6.0), (width / 2, height - 6)]
    _write_new(folder, plate, name, (width, height), outline, slots, marks, copies, "a grid", replace=replace)


@app.command("from-drawing")
def from_drawing(
    file: Annotated[
        Path,
        typer.Argument(help="The plate's drawing, DXF or SVG, at true size", exists=True, dir_okay=False),
    ],
    plate: Annotated[
        str | None, typer.Option(help="Its name in other files; otherwise the drawing's")
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Unit of the drawing's numbers: mm, cm, m, in, ft, pt, pc, px")
    ] = None,
    dpi: Annotated[float, typer.Option(help="How many px make an inch", min=1, max=100_000)] = 96.0,
    plate_edge: Annotated[
        list[str] | None, typer.Option(help="Layer or id of the plate's edge (* and ? stand for any)")
    ] = None,
    slots: Annotated[list[str] | None, typer.Option(help="Layer or id of the slots")] = None,
    marks: Annotated[list[str] | None, typer.Option(help="Layer or id of the marks")] = None,
    close: Annotated[float, typer.Option(help="Ends this near (mm) are joined", min=0.001, max=10)] = 0.05,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to draw what is wrong")] = Path(
        "pictures"
    ),
    *,
    name: People = None,
    copies: Copies = None,
    fixtures: Fixtures = None,
    replace: Replace = False,
) -> None:
    """A plate from the drawing that it was milled by."""
    from layout.drawing.faces import Choice
    from layout.drawing.slots import plate_in
    from layout.drawing.strokes import DrawingRefused
    from service.drawings import read_drawing

    folder = own_shop(fixtures)
    called = plate or _PLAIN.sub("-", file.stem).strip("-._") or "plate"
    parts: list[tuple[Role, list[str] | None]] = [("outline", plate_edge), ("zone", slots), ("hole", marks)]
    choices = [Choice(role, pattern) for role, patterns in parts for pattern in patterns or ()]
    try:
        drawing = read_drawing(file.read_bytes(), unit=given_unit(unit), dpi=dpi)
        drawn = plate_in(drawing, choices, close_mm=close)
    except DrawingRefused as refused:
        raise Failed(picture_of_refusal(refused, out / f"drawing.{called}.svg")) from refused
    for note in drawn.notes:
        typer.echo(f"note: {note}")
    if len(drawn.slots) > 1:
        typer.echo(f"the slots are one shape to within {drawn.differ_mm:.3f} mm")
    marked = list(drawn.marks)
    if len(marked) < 2:
        raise Failed(
            "a plate needs two marks at least that the pointer can be driven to: draw them on a layer "
            "'marks', or say --marks NAME"
        )
    _write_new(
        folder, called, name, drawn.size_mm, drawn.slot_outline, drawn.slots, marked, copies, file.name,
        replace=replace,
    )  # fmt: skip


@app.command("measure")
def measure(
    plate: Named,
    readings: Annotated[
        Path,
        typer.Argument(
            help="Where the pointer met the plate's marks and points of its slots: lines "
            "mark,1,x,y and SLOT,1,x,y",
            exists=True,
            dir_okay=False,
        ),
    ],
    station: Annotated[str, typer.Option(help="At which station it was measured")],
    point: Annotated[
        list[str] | None,
        typer.Option(
            help="A point of every slot in its own frame; otherwise the corners of the box around it, "
            "from the lower left one, counter-clockwise",
            metavar="X,Y",
        ),
    ] = None,
    *,
    fixtures: Fixtures = None,
    write: Annotated[bool, typer.Option("--write", help="Put the places into the plate's file")] = False,
) -> None:
    """Where the slots really lie, from points measured with the laser's pointer."""
    from layout.drawing.strokes import DrawingRefused
    from layout.seating.measured_slots import NotMeasured, corners_of, measured_slots
    from service.drawings.plates import readings_in, rows_with, with_slots

    folder = own_shop(fixtures)
    path, read = _read(folder, plate)
    shop = _shop(folder)
    if station not in shop.stations:
        raise Failed(f"there is no station {station}; there are {', '.join(shop.stations)}")
    try:
        met = readings_in(readings.read_text(encoding="utf-8-sig"))
        found = measured_slots(
            read.poses,
            points=[_two("--point", p) for p in point or ()] or corners_of(read.outline),
            marks=read.file.fiducials,
            met_marks=met.marks,
            met=met.slots,
            axes=shop.stations[station].axes,
        )
        text = with_slots(path.read_text(encoding="utf-8"), rows_with(read.poses, found))
    except (DrawingRefused, NotMeasured) as error:
        raise Failed(str(error)) from error
    typer.echo(f"the marks agree within {found.marks_residual_mm:.3f} mm (root mean square)")
    for one in found.slots:
        sure = "one point: nothing says how sure that is, nor how it is turned"
        if one.residual_mm is not None:
            sure = f"its points agree within {one.residual_mm:.3f} mm"
        typer.echo(
            f"slot {one.slot}: x {one.x_mm:g}, y {one.y_mm:g}, turn {one.turn_deg:g}; {one.moved_mm:.3f} mm "
            f"and {one.turned_deg:.3f} degrees from the file; {sure}"
        )
    left = [name for name in read.poses if name not in met.slots]
    if left:
        typer.echo(f"not measured, left as they are: {', '.join(left)}")
    if write:
        path.write_text(text, encoding="utf-8")
        typer.echo(f"plate      {path}")
    else:
        typer.echo("nothing is written yet: say --write")


@app.command("seats")
def seats(
    plate: Named,
    height: Annotated[
        float | None,
        typer.Option(help="How high a seated blade's surface lies above the plate, mm", min=0, max=500),
    ] = None,
    blade: Annotated[list[str] | None, typer.Option(help="Look at this blade alone")] = None,
    room: Annotated[float, typer.Option(help="Room on all sides that is wanted, mm", min=0.0, max=20)] = 0.05,
    holds: Annotated[
        str,
        typer.Option(help="What lies in the slot: the whole unit, or the face alone (its handle sticks out)"),
    ] = "unit",
    *,
    fixtures: Fixtures = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Write every seat that is held and goes in one way only")
    ] = False,
) -> None:
    """Which blades seat in a plate's slots, by their shapes; each is written when a person says so."""
    from service.drawings.plates import HOLDS, seat_text, seatings

    folder = own_shop(fixtures)
    path, read = _read(folder, plate)
    if holds not in HOLDS:
        raise Failed(f"--holds: {holds!r} is none of {', '.join(HOLDS)}")
    blades = _blades(folder)
    for name in blade or ():
        if name not in blades:
            raise Failed(f"there is no blade {name!r}; there are {', '.join(blades)}")
    chosen = [blades[name] for name in blade or blades]
    found = seatings(read.outline, chosen, holds=holds, clearance_mm=room, standing=read.standing)
    new: list[tuple[Seating, Way]] = []
    for seating in found:
        typer.echo(f"{seating.name}: {seating.said()}")
        if seating.stands is None and (way := _confirmed(seating, yes=yes)):
            new.append((seating, way))
    if not new:
        typer.echo("nothing is written" + ("" if yes or _can_ask() else ": say --yes with --height to write"))
        return
    if height is None and _can_ask():
        height = typer.prompt("How high does their surface lie above the plate, mm", type=float)
    if height is None:
        raise Failed("no shape says how high the surface lies: measure it, and say --height MM")
    with path.open("a", encoding="utf-8") as file:
        file.writelines(seat_text(seating, way, height) for seating, way in new)
    typer.echo(f"plate      {path}: {len(new)} {'seat' if len(new) == 1 else 'seats'} written")
    typer.echo("Lay a unit into a slot before you believe it, then: ricasso catalogue check")


@app.command("proof")
def proof(
    copy: Annotated[str, typer.Argument(help="The plate's copy, by the name on its label")],
    process: Annotated[str, typer.Option(help="By which process it is burned")],
    kind: Annotated[str, typer.Option("--format", help="svg, dxf or pdf, as the station reads")] = "svg",
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where to write it")] = Path(),
    *,
    fixtures: Fixtures = None,
    data: Data = None,
) -> None:
    """A burn file with a crosshair and a number in every slot, to prove a new plate on a sheet of card.

    With --data the plate lies as it was measured last; otherwise as the station's file has it."""
    from layout.burn.turn import NotBurnable
    from layout.seating.registration import nominal
    from service.proving.plate_proof_file import build, measured_lie

    shop = _shop(fixtures or settings_of(None).shop_folder)
    plate = next((p for p in shop.plates.values() if copy in p.copies), None)
    if plate is None:
        copies = [c for p in shop.plates.values() for c in p.copies]
        raise Failed(f"there is no plate copy {copy!r}; there are {', '.join(copies)}")
    if process not in shop.processes:
        raise Failed(f"there is no process {process!r}; there are {', '.join(shop.processes)}")
    station = shop.stations[shop.processes[process].station]
    if plate.plate not in station.plates:
        raise Failed(f"{station.station} does not take {plate.plate}")
    if kind not in station.formats:
        raise Failed(f"{station.station} reads {', '.join(station.formats)}, not {kind}")
    measured = None if data is None else measured_lie(_tools(data), station.station, copy)
    try:
        content, code = build(shop, plate, process, measured or nominal(station, plate, copy), kind)
    except NotBurnable as error:
        raise Failed(f"no proof can be made: {error}") from error
    path = out / f"PLATE-PROOF-{copy}-{code}.{kind}"
    out.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    typer.echo(f"proof      {path}")
    typer.echo(
        "Lay card or tape on the plate, never a product; burn it under the laser's usual rules. Each "
        "crosshair must lie in the middle of its slot. If all are off alike, measure the plate (page "
        "Calibration)."
    )


def _confirmed(seating: Seating, *, yes: bool) -> Way | None:
    """The way that a person says a unit is laid in; None where they don't."""
    if not seating.fits or seating.ways.is_loose:
        return None
    if yes:
        return seating.only
    if not _can_ask():
        return None
    ways = seating.ways.ways
    if len(ways) == 1:
        return ways[0] if typer.confirm("Is it laid so?", default=ways[0].is_held) else None
    number = typer.prompt(f"In which of them is it laid (1 to {len(ways)}, 0: in none)", type=int)
    return ways[number - 1] if 1 <= number <= len(ways) else None


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _tools(data: Path) -> Any:
    from service.cli.saying import tools_of

    return tools_of(data)


def _shop(folder: Path) -> Shop:
    from service.shop.catalogue import load

    return load(folder)


def _blades(folder: Path) -> dict[str, Any]:
    """The folder's blades, whatever else is wrong in it: a plate is often made before all is well."""
    from service.shop.catalogue import blade_in

    found = {}
    for path in sorted((folder / "blades").glob("*.toml")):
        blade = blade_in(f"blades/{path.name}", path.read_text(encoding="utf-8"))
        found[blade.blade] = blade
    return found


def _around(folder: Path, name: str, room: float) -> Polygon:
    blades = _blades(folder)
    if name not in blades:
        raise Failed(f"there is no blade {name!r}; there are {', '.join(blades)}")
    face = blades[name].faces[0]
    unit = face.silhouette if face.body is None else face.body.union(face.silhouette)
    return unit.buffer(room).simplify(0.002)


def _read(folder: Path, plate: str) -> tuple[Path, ReadPlate]:
    from service.drawings.plates import read_plate

    for path in sorted((folder / "plates").glob("*.toml")):
        text = path.read_text(encoding="utf-8")
        if re.search(rf'^plate\s*=\s*"{re.escape(plate)}"\s*(#.*)?$', text, re.M):
            return path, read_plate(f"plates/{path.name}", text)
    raise Failed(f"{folder / 'plates'}: no plate {plate!r} there")


def _write_new(
    folder: Path,
    plate: str,
    name: str | None,
    size: tuple[float, float],
    outline: Polygon,
    slots: Any,
    marks: Any,
    copies: list[str] | None,
    source: str,
    *,
    replace: bool,
) -> None:
    from service.drawings.plates import plate_file, read_plate

    called = _PLAIN.sub("-", plate).strip("-._") or "plate"
    path = folder / "plates" / f"{called}.toml"
    if path.exists() and not replace:
        raise Failed(f"{path} is there already; say --replace to overwrite it, or another name")
    text = plate_file(
        plate=called,
        name=name or called.replace("-", " ").replace("_", " "),
        size_mm=size,
        slot_outline=outline,
        slots=slots,
        marks=marks,
        copies=copies or [f"{called}-1"],
        source=source,
    )
    read_plate(f"plates/{path.name}", text)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    typer.echo(f"plate      {path}: {len(slots)} {'slot' if len(slots) == 1 else 'slots'}")
    typer.echo(f"Then say what seats there: ricasso catalogue plate seats {called}")


def _two(option: str, given: str) -> tuple[float, float]:
    x, y = _numbers(option, given, 2)
    return x, y


def _numbers(option: str, given: str, count: int) -> tuple[float, ...]:
    try:
        numbers = tuple(float(part) for part in re.split(r"[,x;]", given))
    except ValueError:
        numbers = ()
    if len(numbers) != count or not all(abs(n) < 1e5 for n in numbers):
        raise Failed(f"{option}: {given!r}: {count} numbers are wanted, such as 12.5,8")
    return numbers
