"""Erase an order: at somebody's wish, when the shop's time for keeping words is over, or once more after a
backup from before has come back."""

from __future__ import annotations

import json
import os
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import structlog
from sqlalchemy.orm import Session

from service.bench.burn_files import path_of
from service.intake import order_rows, proof_links
from service.intake.import_orders import folder_of as imports_of
from service.photos import photos
from service.privacy import erase_rows as rows
from service.records.errors import MoveNotAllowed, NotFound
from service.records.ids import ORDER, number, public
from service.records.moves import write_history
from service.records.tables import Order
from service.records.who import SWEEP, By
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: The list of what was erased, in the data folder. No backup has it: it is what a backup is cleaned by.
LIST = "erased.jsonl"
_AT_ONCE = 200


def erase(tools: Tools, identity: str, *, by: By, why: str = "") -> None:
    """Erase an order, for good. Doing it again changes nothing.

    The list and the files come before the rows are committed: an order that is erased by its rows is erased
    altogether, and one that was cut off in between is erased by the next try.

    Raises NotFound, MoveNotAllowed (a unit of it may still be engraved).
    """
    order_id = number(ORDER, identity)

    def work(session: Session) -> None:
        order = order_rows.lock(session, order_id, client=None)
        if order is None:
            raise NotFound(f"there is no order {identity}")
        if order.erased_at is not None:
            return
        if not rows.is_over(order):
            raise MoveNotAllowed(
                f"{identity} can't be erased: a unit of it may still be engraved; cancel or finish it first",
                order=identity,
            )
        _note(tools.settings.data / LIST, order, at=by.at)
        for sha256 in rows.burn_files(session, order):
            path_of(tools, sha256).unlink(missing_ok=True)
        for job in rows.jobs(session, order):
            shutil.rmtree(photos.folder_of(tools, job), ignore_errors=True)
        _drop_imports(imports_of(tools), order.order_ref)
        rows.blank(session, order, now=by.at)
        proof_links.withdraw(session, order, by=by)
        write_history(session, "order", order.id, "erased", by=by, why=why)

    tools.database.write(work)


def erase_due(tools: Tools) -> int:
    """Erase orders whose words have been kept as long as the shop keeps them; returns how many."""
    days = tools.settings.keep_words_days
    if not days:
        return 0
    before = tools.clock() - timedelta(days=days)
    with tools.database.reading() as session:
        due = rows.due(session, before=before, limit=_AT_ONCE)
    for order_id in due:
        erase(tools, public(ORDER, order_id), by=tools.by(SWEEP), why=f"kept for {days} days")
    return len(due)


def erase_again(tools: Tools, listed: Path) -> int:
    """Erase once more what a list of erasures names, as after a restored backup; returns how many were."""
    done = 0
    for line in listed.read_text(encoding="utf-8").splitlines():
        entry = json.loads(line)
        with tools.database.reading() as session:
            order = order_rows.by_ref(session, entry["client"], entry["order_ref"])
            wanted = None if order is None or order.erased_at is not None else public(ORDER, order.id)
        if wanted is None:
            continue
        try:
            erase(tools, wanted, by=tools.by(SWEEP), why="erased before the backup came back")
            done += 1
        except MoveNotAllowed:
            log.warning("erase_waits", order=wanted)
    return done


def _note(file: Path, order: Order, *, at: datetime) -> None:
    """Add an order to the list of erasures, on the disk; one that is tried again stands there again."""
    entry = {"client": order.client, "order_ref": order.order_ref, "at": at.isoformat()}
    with file.open("a", encoding="utf-8") as lines:
        lines.write(json.dumps(entry) + "\n")
        lines.flush()
        os.fsync(lines.fileno())


def imports_with(folder: Path, order_ref: str) -> list[Path]:
    """Files that orders were handed in by, and their reports, where the order is in them."""
    files = sorted(folder.glob("*.csv")) if folder.is_dir() else []
    return [file for file in files if order_ref in file.read_text(encoding="utf-8", errors="replace")]


def _drop_imports(folder: Path, order_ref: str) -> None:
    for file in imports_with(folder, order_ref):
        file.unlink(missing_ok=True)
