"""`ricasso` on the command line. An error is one line on standard error and exit code 1 (2 for a command that
is written wrongly).

Each module holds the commands of one noun and imports what it needs inside the command, so that `ricasso
--help` answers at once.
"""

from __future__ import annotations

from service.cli.main import app, main

__all__ = ["app", "main"]
