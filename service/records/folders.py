"""The data folder is the service's alone: it holds customers' words and the secret that signs."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import IO

from sqlalchemy import make_url

_FOLDER, _FILE = 0o700, 0o600
#: May be gone through, not looked into: stations' folders inside are read by the lasers' own computers.
_WAY_THROUGH = 0o711
STATIONS = "stations"


class InUse(Exception):
    """Another process serves from the same database file."""


def be_private() -> None:
    """Whatever this process makes from now on is its user's alone."""
    os.umask(0o077)


def keep_private(data: Path) -> None:
    """Make the data folder if there is none, and take from others what they had of it, all but the stations'
    folders. Files that belong to somebody else are left to them."""
    data.mkdir(parents=True, exist_ok=True)
    _set(data, _WAY_THROUGH)
    for path in data.iterdir():
        if not path.is_symlink() and path.name != STATIONS:
            _set(path, _FOLDER if path.is_dir() else _FILE)


def open_to_stations(folder: Path) -> None:
    """Make a station's folder if there is none, and let the laser's computer read it."""
    for path in (folder.parent, folder):
        if not path.exists():
            path.mkdir(parents=True)
            _set(path, 0o755)


def serve_alone(url: str) -> IO[bytes] | None:
    """Hold a SQLite file for this process until what is given is closed; nothing for another database, which
    several processes may serve from. Raises InUse."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite" or not parsed.database:
        return None
    lock = Path(f"{parsed.database}.serving").open("wb")  # noqa: SIM115  held as long as the process serves
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        lock.close()
        raise InUse(parsed.database) from None
    return lock


def _set(path: Path, mode: int) -> None:
    status = path.stat()
    if status.st_uid == os.getuid() and status.st_mode & 0o777 != mode:
        path.chmod(mode)
