"""Photos of marks that no act of the service leaves behind."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from service.audit.damage_rows import BATCH, Found, every
from service.records.ids import JOB, PHOTO, public
from service.records.tables import BurnStart, FrozenMark, Job, MarkPhoto, Order


def of_nothing(session: Session) -> Iterator[Found]:
    """A photo of a mark that the unit doesn't have, or of an attempt that never was."""
    marked = exists().where(
        FrozenMark.line_id == Job.line_id,
        FrozenMark.face == MarkPhoto.face,
        FrozenMark.zone == MarkPhoto.zone,
    )
    burned = exists().where(
        BurnStart.job_id == MarkPhoto.job_id,
        BurnStart.face == MarkPhoto.face,
        BurnStart.attempt == MarkPhoto.attempt,
    )
    query = select(MarkPhoto.id.label("photo"), Job.id.label("job")).join(Job, Job.id == MarkPhoto.job_id)
    yield from every(session, query.where(~marked | ~burned))


def files_unlike(session: Session, folder: Path) -> Iterator[str]:
    """Of the pictures in the data folder: those that are lost or changed, and those that belong to nobody,
    or to an order that was erased."""
    query = select(MarkPhoto, Order.erased_at).join(Job, Job.id == MarkPhoto.job_id)
    known: set[Path] = set()
    for photo, erased_at in session.execute(
        query.join(Order, Order.id == Job.order_id).execution_options(yield_per=BATCH)
    ):
        if erased_at is not None:
            continue
        file = folder / public(JOB, photo.job_id) / f"{photo.sha256}.jpg"
        known.add(file)
        data = file.read_bytes() if file.is_file() else b""
        if hashlib.sha256(data).hexdigest() != photo.sha256:
            yield f"photo {public(PHOTO, photo.id)} is lost, or not as it was"
    for file in sorted(folder.rglob("*.jpg")):
        if file not in known:
            yield f"{file.relative_to(folder)} belongs to no photo on record"
