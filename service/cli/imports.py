"""`ricasso import-orders` and `ricasso import-stock`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Data, Failed, tools_of

if TYPE_CHECKING:
    from service.requests.spreadsheet import Progress, Reported

File = Annotated[
    Path | None,
    typer.Argument(help="CSV (UTF-8, comma or semicolon) or XLSX file", exists=True, dir_okay=False),
]
DryRun = Annotated[
    bool, typer.Option("--dry-run", help="Say what would happen to each row, and store nothing")
]
Report = Annotated[Path | None, typer.Option(help="Write what came of each row to this CSV file")]
Template = Annotated[
    Path | None,
    typer.Option("--template", help="Write a file to fill in (.csv or .xlsx), with the shop's own products"),
]


def import_orders(
    file: File = None,
    client: Annotated[str, typer.Option(help="The store whose orders these are")] = "store",
    dry_run: DryRun = False,  # noqa: FBT002
    report: Report = None,
    template: Template = None,
    data: Data = None,
) -> None:
    """Take orders from a CSV or XLSX file; safe to run twice. Exit code 1 when a row was refused."""
    from service.intake import import_orders as imports

    content = _content_of(file, template)
    tools = tools_of(data)
    if template is not None:
        ship_by = (tools.clock() + timedelta(days=14)).date()
        _write(template, lambda kind: imports.template(tools.catalogue.current, ship_by=ship_by, kind=kind))
        return
    with _bar("orders") as progress:
        reported = imports.import_orders(tools, content, client=client, dry_run=dry_run, progress=progress)
    _tell(reported, report, dry_run=dry_run)


def import_stock(
    file: File = None,
    dry_run: DryRun = False,  # noqa: FBT002
    report: Report = None,
    template: Template = None,
    data: Data = None,
) -> None:
    """Set what bins hold from a CSV or XLSX file; safe to run twice. Exit code 1 when a row was refused."""
    from service.stock import import_stock as imports

    content = _content_of(file, template)
    tools = tools_of(data)
    if template is not None:
        _write(template, lambda kind: imports.template(tools.catalogue.current, kind=kind))
        return
    with _bar("counts") as progress:
        reported = imports.import_stock(tools, content, dry_run=dry_run, progress=progress)
    _tell(reported, report, dry_run=dry_run)


def _content_of(file: Path | None, template: Path | None) -> bytes:
    """What is to be imported; nothing where a template is asked for."""
    if (file is None) == (template is None):
        raise Failed("name a file to import, or --template and a file to write")
    return file.read_bytes() if file is not None else b""


def _write(file: Path, made: Callable[[str], bytes]) -> None:
    kind = file.suffix.lower().removeprefix(".")
    if kind not in {"csv", "xlsx"}:
        raise Failed(f"{file.name}: a template is a .csv or an .xlsx file")
    try:
        with file.open("xb") as new:
            new.write(made(kind))
    except FileExistsError:
        raise Failed(f"{file}: is there already") from None
    typer.echo(f"{file}: the rows are examples; write over them")


@contextmanager
def _bar(what: str) -> Iterator[Progress]:
    """A progress bar on standard error; none where that is no terminal."""
    from rich.console import Console
    from rich.progress import Progress as RichProgress

    console = Console(stderr=True)
    with RichProgress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _tell(reported: Sequence[Reported], report: Path | None, *, dry_run: bool) -> None:
    from service.requests.spreadsheet import Result, report_csv, shown

    for row in reported:
        if row.message and row.result in {Result.REFUSED, Result.LATER, Result.HELD, Result.WOULD_HOLD}:
            typer.echo(f"row {row.row}: {shown(row.ref)}: {row.result.value}: {shown(row.message, 200)}")
    counts = Counter(row.result.value for row in reported)
    typer.echo(", ".join(f"{number} {result}" for result, number in counts.items()) or "nothing to do")
    if report:
        report.write_text(report_csv(reported), encoding="utf-8")
    refused = counts[Result.REFUSED.value]
    if refused:
        rest = "nothing was stored, this was a dry run" if dry_run else "the rest is done"
        raise Failed(f"{refused} of {len(reported)} refused; {rest}")
    if later := counts[Result.LATER.value]:
        raise Failed(f"{later} of {len(reported)} could not be done just now; run it again")
