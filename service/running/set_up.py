"""Is the service set up so that it can start, and if not: what mends it? Nothing is changed by looking."""

from __future__ import annotations

import os
import shutil
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kombu.connection import Connection
from kombu.exceptions import OperationalError
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from service.records import folders, schema
from service.records.db import Database, open_engine
from service.shop import catalogue, folder_in, version_rows
from service.shop.catalogue import troubles_in
from service.shop.catalogue.files import read_all
from service.shop.settings import Settings

#: Below this a release day's files and pictures may not find room.
LEAST_FREE_BYTES = 500_000_000
_BROKER_SECONDS = 2.0
_MOST_TROUBLES = 3


@dataclass(frozen=True, slots=True)
class Look:
    """One thing looked at: what was seen, and what mends it where it is broken (None: all is well)."""

    what: str
    seen: str
    mend: str | None = None


def look(settings: Settings, *, host: str, port: int) -> list[Look]:
    """Everything that a start needs, one after another."""
    return [
        *_shop(settings),
        *_data(settings.data),
        *_database(settings),
        *_broker(settings),
        _port(host, port),
    ]


def _shop(settings: Settings) -> Iterator[Look]:
    folder = settings.shop_folder
    if not folder.is_dir():
        yield Look(
            "shop", f"{folder}: no such folder", f"`ricasso init {folder}` makes one, or set RICASSO_FIXTURES"
        )
        return
    troubles = troubles_in(folder)
    missing = sorted({t.reason.split("/")[0] for t in troubles if t.reason.endswith("is not installed")})
    if missing:
        packages = " ".join(name.replace("_", "-") for name in missing)
        yield Look(
            "fonts", f"not installed: {', '.join(missing)}", f"pip install {packages}, or take the fonts out"
        )
    rest = [t for t in troubles if not t.reason.endswith("is not installed")]
    if rest:
        shown = "; ".join(map(str, rest[:_MOST_TROUBLES]))
        more = f"; and {len(rest) - _MOST_TROUBLES} more" if len(rest) > _MOST_TROUBLES else ""
        yield Look("shop", f"{shown}{more}", f"`ricasso catalogue check --fixtures {folder}` says all of it")
    elif not missing:
        made_up = "" if settings.fixtures else " (the made-up shop; yours: RICASSO_FIXTURES or --fixtures)"
        yield Look("shop", f"{folder}{made_up}")


def _data(data: Path) -> Iterator[Look]:
    standing = data
    while not standing.exists() and standing != standing.parent:
        standing = standing.parent
    if not standing.is_dir():
        yield Look("data", f"{standing} is no folder", "choose another --data, or move the file away")
        return
    if not _writable(standing):
        yield Look(
            "data", f"{standing} can't be written to", f"give it to this user: chown {_user()} {standing}"
        )
        return
    others = [path for path in (data, *_inside(data)) if path.exists() and path.stat().st_uid != os.getuid()]
    if others and os.getuid() != 0:
        mend = f"stop the service of that user, then: chown -R {_user()} {data}"
        yield Look("data", f"{others[0]} belongs to another user", mend)
        return
    free = shutil.disk_usage(standing).free
    if free < LEAST_FREE_BYTES:
        yield Look(
            "data",
            f"{free // 1_000_000} MB are free beside {standing}",
            "make room, or choose another --data",
        )
        return
    there = data.resolve() if data.exists() else f"{data} (made at the first start)"
    yield Look("data", f"{there}, {free // 1_000_000_000} GB free")


def _writable(folder: Path) -> bool:
    return os.access(folder, os.W_OK | os.X_OK)


def _inside(data: Path) -> list[Path]:
    return [path for path in data.iterdir() if path.name != folders.STATIONS] if data.is_dir() else []


def _database(settings: Settings) -> Iterator[Look]:
    file = settings.database_file
    if file is not None and not file.is_file():
        yield Look("database", f"{file} (made at the first start)")
        return
    engine = open_engine(settings.url)
    shown = engine.url.render_as_string(hide_password=True)
    try:
        revision = schema.revision_of(engine)
        if revision is None:
            yield Look("database", f"{shown} is empty (filled at the first start)")
        elif revision == schema.head():
            yield Look("database", shown)
            yield from _in_force(settings, engine)
        elif revision in schema.revisions():
            yield Look("database", f"{shown} is of an older Ricasso (brought up to date at the next start)")
        else:
            mend = (
                "install that version again, or restore a copy that was made before it was brought up to date"
            )
            yield Look("database", f"{shown} is of a newer Ricasso (revision {revision})", mend)
    except SQLAlchemyError as error:
        reason = str(getattr(error, "orig", None) or error).strip().splitlines()[0]
        mend = (
            "start the database server, or set RICASSO_DATABASE_URL right"
            if settings.database_url
            else "restore a copy of the file, or choose another --data"
        )
        yield Look("database", f"{shown} can't be used: {reason}", mend)
    finally:
        engine.dispose()


def _in_force(settings: Settings, engine: Engine) -> Iterator[Look]:
    """The shop's description in force, and what a start makes of the folder."""
    with Database(engine).reading() as session:
        row = version_rows.in_force(session)
        if row is None:
            return
        shown = f"number {row.number}, version {row.version[:12]}, by {row.by.partition(':')[2]}"
        try:
            catalogue.parse(version_rows.content_of(session, row))
        except catalogue.CatalogueError as error:
            mend = (
                "`ricasso catalogue export DIR`, mend the files, `ricasso catalogue publish --fixtures DIR`"
            )
            yield Look("in force", f"{shown} can't be used: {error.troubles[0]}", mend)
            return
        content, _ = read_all(settings.fixtures) if settings.fixtures is not None else ({}, [])
        if not content or settings.fixtures is None:
            yield Look("in force", shown)
            return
        found = folder_in.beside(session, content)
    says = {
        folder_in.Says.SAME: "as in the folder",
        folder_in.Says.EARLIER: "the folder is as an earlier one was, and is not read",
        folder_in.Says.CHANGED: "the folder was changed: it is put in force at the next start",
        folder_in.Says.BOTH_CHANGED: "and so was the folder: both were changed",
    }
    both = found.says is folder_in.Says.BOTH_CHANGED
    ways_out = found.both_ways_out(settings.fixtures) if both else None
    yield Look("in force", f"{shown}; {says[found.says]}", ways_out)


def _broker(settings: Settings) -> Iterator[Look]:
    if not settings.broker_url:
        yield Look("broker", "none: tasks run in the service itself")
        return
    broker: Any = Connection(settings.broker_url, connect_timeout=_BROKER_SECONDS)  # type: ignore[no-untyped-call]
    with broker as connection:
        shown = connection.as_uri()
        try:
            connection.ensure_connection(max_retries=1, interval_start=0, timeout=_BROKER_SECONDS)
        except (OSError, OperationalError, *connection.connection_errors) as error:
            mend = "start the broker, or set RICASSO_BROKER_URL right (empty: tasks run in the service)"
            yield Look("broker", f"{shown} can't be reached: {error}", mend)
            return
    yield Look("broker", shown)


def _port(host: str, port: int) -> Look:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((host, port))
        except OSError as error:
            mend = "a service may be running already: stop it, or choose another --port"
            return Look("port", f"{host} port {port}: {error.strerror or error}", mend)
    return Look("port", f"{host} port {port} is free")


def _user() -> str:
    return str(os.getuid())
