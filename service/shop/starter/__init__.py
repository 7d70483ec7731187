"""A small invented shop whose files explain themselves, for `ricasso init`."""

from __future__ import annotations

from pathlib import Path


def files() -> dict[str, str]:
    """The starter shop's files as text, by name."""
    here = Path(__file__).parent
    found = [here / "README.md", *sorted(here.glob("*/*.toml"))]
    return {path.relative_to(here).as_posix(): path.read_text(encoding="utf-8") for path in found}
