"""`ricasso licences` and `ricasso sbom`: what it is made of."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import settings_of

if TYPE_CHECKING:
    from service.upkeep.parts import Part

Fixtures = Annotated[
    Path | None, typer.Option("--fixtures", metavar="DIR", help="Folder of the shop's description")
]


def licences(fixtures: Fixtures = None) -> None:
    """List every installed package and every font of the shop with its licence."""
    for part in _parts(fixtures):
        typer.echo(f"{part.kind:8} {part.name:40} {part.version:16} {part.licence}".rstrip())


def sbom(fixtures: Fixtures = None) -> None:
    """Print the list of parts as CycloneDX 1.6 JSON, for tools that look for known weaknesses."""
    from importlib.metadata import version

    from service.records import clock
    from service.upkeep.parts import OURS, cyclonedx

    document = cyclonedx(_parts(fixtures), version=version(OURS), made_at=clock.now())
    typer.echo(json.dumps(document, indent=1, ensure_ascii=False))


def _parts(fixtures: Path | None) -> list[Part]:
    from service.shop import catalogue
    from service.upkeep.parts import fonts, packages

    return [*packages(), *fonts(catalogue.load(settings_of(None, fixtures).shop_folder))]
