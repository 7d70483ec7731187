"""The form of a backup: one compressed tar file with a list of what is in it.

    manifest.json       version, revision of the database, when, rows by table, SHA-256 of every other file
    database.sqlite3    the whole database; or database.dump, in PostgreSQL's own form
    session.secret      signs sessions and proof links; without it all of them end
    imports/...         files of orders that were handed in, and the reports on them
    photos/...          photos of marks, a folder for each unit

Burn files are not in it: they are built again from the rows, to the same digest.
"""

from __future__ import annotations

import hashlib
import os
import tarfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import TypeAdapter, ValidationError

from service.records.errors import CanNot

MANIFEST = "manifest.json"
#: By kind of database, the member that holds it.
DATABASES = {"sqlite": "database.sqlite3", "postgresql": "database.dump"}


class NoBackup(CanNot):
    """A file is not a whole backup; the text says why."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself."""

    ricasso: str
    revision: str
    made_at: str
    database: str
    rows: dict[str, int]
    sha256: dict[str, str]


_MANIFEST = TypeAdapter(Manifest)


def write(path: Path, manifest: Mapping[str, Any], members: Mapping[str, Path]) -> Manifest:
    """Write a backup with these files by name; what `manifest` lacks are their digests.

    The name appears when all is on the disk: a kill in between leaves no half backup under it.
    """
    whole = Manifest(**manifest, sha256={name: _digest(file) for name, file in members.items()})
    scratch = path.with_name(f".{path.name}.writing")
    try:
        with scratch.open("wb") as file:
            with tarfile.open(fileobj=file, mode="w:gz", compresslevel=5) as tar:
                note = scratch.with_name(f"{scratch.name}.manifest")
                note.write_bytes(_MANIFEST.dump_json(whole, indent=1))
                tar.add(note, MANIFEST)
                note.unlink()
                for name, member in members.items():
                    tar.add(member, name, recursive=False)
            file.flush()
            os.fsync(file.fileno())
        os.replace(scratch, path)
    finally:
        scratch.unlink(missing_ok=True)
    return whole


def read(path: Path, folder: Path) -> Manifest:
    """Unpack a backup into an empty folder, and look whether all of it is as it was. Raises NoBackup."""
    try:
        with tarfile.open(path, "r:gz") as tar:
            tar.extractall(folder, filter="data")
        manifest = _MANIFEST.validate_json((folder / MANIFEST).read_bytes())
    except (tarfile.TarError, EOFError, ValidationError, FileNotFoundError, OSError) as error:
        if not path.exists():
            raise NoBackup(f"there is no file {path}") from error
        raise NoBackup(f"{path} is no backup, or a torn one: {error}") from error
    for name, digest in manifest.sha256.items():
        file = folder / PurePosixPath(name)
        if not file.is_file() or _digest(file) != digest:
            raise NoBackup(f"{path} is damaged: {name} is not what was put into it")
    if DATABASES.get(manifest.database) not in manifest.sha256:
        raise NoBackup(f"{path} has no database in it")
    return manifest


def _digest(file: Path) -> str:
    with file.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()
