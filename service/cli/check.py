"""`ricasso check`: can these words be engraved there?"""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Failed, settings_of

if TYPE_CHECKING:
    from service.requests.check_answers import ResultAnswer


class Align(StrEnum):
    START = "start"
    CENTRE = "centre"
    END = "end"


def check(
    sku: Annotated[str, typer.Argument(help="Product, as the store sells it")],
    zone: Annotated[str, typer.Option(help="Where on the blade")],
    text: Annotated[str, typer.Option(help=r"What is to be engraved; \n begins a new line")],
    font: Annotated[str, typer.Option(help="In which font")],
    height: Annotated[
        float | None,
        typer.Option(help="Height of a capital in mm; left out: usual for the zone", min=0.01),
    ] = None,
    align: Annotated[Align | None, typer.Option(help="Side that the lines keep to")] = None,
    proof: Annotated[Path | None, typer.Option(help="Write a picture of the face to this SVG file")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON")] = False,  # noqa: FBT002
    fixtures: Annotated[Path | None, typer.Option(help="Folder with the shop's description")] = None,
) -> None:
    """Check one inscription. Exit code 0: accepted, 1: refused, 3: a person must look at it."""
    from pydantic import ValidationError

    from service.requests.check_answers import result_answer
    from service.requests.inscriptions import TextIn
    from service.shop.geometry_workers import Geometry, InForce

    try:
        inscription = TextIn(
            zone=zone,
            text=text.replace("\\n", "\n"),
            font=font,
            height_mm=height,
            align=align.value if align else None,
        )
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        raise Failed(f"{first['loc'][-1]}: {str(first['msg']).removeprefix('Value error, ')}") from error
    folder = fixtures or settings_of(None).shop_folder
    with TemporaryDirectory(prefix="ricasso-check-") as cache:
        geometry = Geometry(folder, Path(cache), workers=0, timeout_seconds=60)
        result, pictures = geometry.proof(sku, (inscription.value(),), in_force=InForce())
    answer = result_answer(result, is_house=True)
    if proof and pictures:
        proof.write_text(next(iter(pictures.values())), encoding="utf-8")
    typer.echo(answer.model_dump_json(indent=2) if as_json else _story(answer))
    if proof and not as_json:
        typer.echo(f"proof      {proof}" if pictures else "proof      none: there is nothing to draw")
    raise typer.Exit({"accept": 0, "refuse": 1, "review": 3}[answer.verdict])


def _story(answer: ResultAnswer) -> str:
    lines = [f"verdict    {answer.verdict}"]
    for checked in answer.inscriptions:
        if checked.box_mm:
            x0, y0, x1, y1 = checked.box_mm
            lines.append(
                f"placed     {checked.zone} on {checked.face}: capitals {checked.height_mm or 0:.2f} mm,"
                f" {x1 - x0:.2f} x {y1 - y0:.2f} mm, clearance {checked.clearance_mm or 0:.2f} mm"
            )
        if checked.thinnest_stroke_mm:
            lines.append(f"           thinnest stroke {checked.thinnest_stroke_mm:.3f} mm")
    for finding in answer.findings:
        lines.append(f"{finding.severity:<10} {finding.message} [{finding.code}]")
        if finding.for_desk:
            lines.append(f"           {finding.for_desk}")
        for suggestion in finding.suggestions[:3]:
            given = json.dumps(suggestion.model_dump(mode="json"), ensure_ascii=False)
            lines.append(f"           instead: {given}")
    if answer.burn_seconds:
        lines.append(f"burning    about {answer.burn_seconds:.0f} s")
    return "\n".join(lines)
