"""`ricasso init`: a small commented shop to start from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from service.cli.saying import Failed


def init(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder to make; it must not be there, or be empty")
    ],
) -> None:
    """Make a folder with a small invented shop, every line explained, that can be changed into your own."""
    from service.shop.catalogue.schema import json_schemas
    from service.shop.starter import files

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Failed(f"{folder} is there already, and not empty; choose another folder")
    content = dict(files())
    for kind, schema in json_schemas().items():
        content[f"schemas/{kind}.schema.json"] = json.dumps(schema, indent=2, sort_keys=True) + "\n"
    for name, text in content.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    typer.echo(f"{folder}: {len(content)} files; begin with {folder / 'README.md'}")
    typer.echo(f"look at it:   ricasso catalogue check --fixtures {folder}")
    typer.echo(f"your blade:   ricasso catalogue from-drawing FILE --fixtures {folder}")
    typer.echo(f"serve it:     ricasso serve --fixtures {folder} --data {folder.parent / 'var'}")
