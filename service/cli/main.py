"""The commands, put together from one module each."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from service.cli import (
    acts,
    audit,
    catalogue,
    check,
    doctor,
    fonts,
    imports,
    init,
    keys,
    parts,
    plan,
    process,
    serve,
    upkeep,
)

app = typer.Typer(
    name="ricasso",
    help="Laser-personalisation job queue: orders in, verified burn files and pulls out.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("init")(init.init)
app.command("doctor")(doctor.doctor)
app.command("serve")(serve.serve)
app.command("worker")(serve.worker)
app.command("check")(check.check)
app.command("import-orders")(imports.import_orders)
app.command("import-stock")(imports.import_stock)
app.command("audit")(audit.audit)
app.command("acts")(acts.acts)
app.command("plan")(plan.plan)
app.command("backup")(upkeep.backup)
app.command("export")(upkeep.export)
app.command("licences")(parts.licences)
app.command("sbom")(parts.sbom)
app.command("restore")(upkeep.restore)
app.command("erase")(upkeep.erase)
app.command("move")(upkeep.move)
app.add_typer(upkeep.db, name="db")
app.add_typer(keys.app, name="keys")
app.add_typer(catalogue.app, name="catalogue")
app.add_typer(fonts.app, name="fonts")
app.add_typer(process.app, name="process")


def _say_version(is_asked: bool) -> None:  # noqa: FBT001  so Typer calls it
    if is_asked:
        from importlib import metadata

        typer.echo(f"ricasso {metadata.version('ricasso')}")
        raise typer.Exit


@app.callback()
def _all(
    *,
    version: Annotated[
        bool, typer.Option("--version", help="Say the version and end", callback=_say_version, is_eager=True)
    ] = False,
) -> None:
    """Laser-personalisation job queue: orders in, verified burn files and pulls out."""


def main() -> None:
    """Run one command; every refusal is one line and a non-zero exit."""
    from service.records.folders import be_private

    be_private()
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """The exit code of one command."""
    from service.cli.saying import one_line

    if not arguments:
        arguments = ["--help"]
    try:
        code = app(arguments, prog_name="ricasso", standalone_mode=False)
    except KeyboardInterrupt:
        return 130
    except Exception as error:
        message, code = one_line(error)
        sys.stderr.write(f"ricasso: {message}\n")
        return code
    return code if isinstance(code, int) else 0
