"""`ricasso` on the command line. What goes wrong is said in one line on standard error, exit code 1
(2 for a command that is written wrongly)."""

from __future__ import annotations

from service.cli.main import app, main

__all__ = ["app", "main"]
