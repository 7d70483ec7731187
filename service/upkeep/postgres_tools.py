"""PostgreSQL's own programs for a whole database, `pg_dump` and `pg_restore`
(https://www.postgresql.org/docs/current/app-pgdump.html, app-pgrestore.html).

They must be as new as the server. The password goes by the environment: a command line can be read by all.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from sqlalchemy.engine import URL

from service.records.errors import CanNot


class ToolFailed(CanNot):
    """One of PostgreSQL's programs is missing or refused; the text says why."""


def dump(url: URL, file: Path, *, snapshot: str) -> None:
    """The database as an exported snapshot shows it. Raises ToolFailed."""
    _run("pg_dump", url, "--format=custom", f"--snapshot={snapshot}", f"--file={file}")


def restore(url: URL, file: Path) -> None:
    """Bring a dump into an empty database, all or nothing. Raises ToolFailed."""
    _run("pg_restore", url, "--single-transaction", "--exit-on-error", str(file))


def _run(program: str, url: URL, *arguments: str) -> None:
    where = shutil.which(program)
    if where is None:
        raise ToolFailed(f"{program} is not installed; it comes with PostgreSQL's client programs")
    address = url.set(drivername="postgresql", password=None).render_as_string(hide_password=False)
    environment = {**os.environ, **({"PGPASSWORD": str(url.password)} if url.password else {})}
    # Who owns what is the new server's business.
    command = [where, "--no-owner", "--no-privileges", f"--dbname={address}", *arguments]
    ended = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)  # noqa: S603
    if ended.returncode:
        raise ToolFailed(f"{program}: {ended.stderr.strip().splitlines()[0] if ended.stderr else 'refused'}")
