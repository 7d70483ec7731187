"""`ricasso import-orders` and `ricasso import-stock`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.saying import Data, Failed, tools_of

if TYPE_CHECKING:
    from service.requests.spreadsheet import Progress, Reported

File = Annotated[
    Path, typer.Argument(help="CSV file, UTF-8, comma or semicolon", exists=True, dir_okay=False)
]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Read and check everything, store nothing")]
Report = Annotated[Path | None, typer.Option(help="Write what came of each row to this CSV file")]


def import_orders(
    file: File,
    client: Annotated[str, typer.Option(help="The store whose orders these are")] = "store",
    dry_run: DryRun = False,  # noqa: FBT002
    report: Report = None,
    data: Data = None,
) -> None:
    """Take orders from a CSV file; safe to run twice. Exit code 1 when a row was refused."""
    from service.intake import import_orders as imports

    content = file.read_bytes()
    tools = tools_of(data)
    with _bar("orders") as progress:
        reported = imports.import_orders(tools, content, client=client, dry_run=dry_run, progress=progress)
    _tell(reported, report)


def import_stock(file: File, dry_run: DryRun = False, report: Report = None, data: Data = None) -> None:  # noqa: FBT002
    """Set what bins hold from a CSV file; safe to run twice. Exit code 1 when a row was refused."""
    from service.stock import import_stock as imports

    content = file.read_bytes()
    tools = tools_of(data)
    with _bar("counts") as progress:
        reported = imports.import_stock(tools, content, dry_run=dry_run, progress=progress)
    _tell(reported, report)


@contextmanager
def _bar(what: str) -> Iterator[Progress]:
    """A progress bar on standard error; none where that is no terminal."""
    from rich.console import Console
    from rich.progress import Progress as RichProgress

    console = Console(stderr=True)
    with RichProgress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _tell(reported: Sequence[Reported], report: Path | None) -> None:
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
        raise Failed(f"{refused} of {len(reported)} refused; the rest is done")
    if later := counts[Result.LATER.value]:
        raise Failed(f"{later} of {len(reported)} could not be done just now; run it again")
