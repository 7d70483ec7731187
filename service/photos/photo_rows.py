"""Photos of marks on record."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from service.records.tables import BurnStart, Job, Load, MarkPhoto, Order


def find(session: Session, photo_id: int) -> tuple[MarkPhoto, Job] | None:
    """A photo and whose unit it shows."""
    query = select(MarkPhoto, Job).join(Job, Job.id == MarkPhoto.job_id).where(MarkPhoto.id == photo_id)
    row = session.execute(query).one_or_none()
    return None if row is None else (row[0], row[1])


def of_jobs(session: Session, job_ids: Collection[int]) -> Sequence[MarkPhoto]:
    """All photos of some units, oldest first."""
    return session.scalars(
        select(MarkPhoto).where(MarkPhoto.job_id.in_(job_ids)).order_by(MarkPhoto.id)
    ).all()


def same(session: Session, photo: MarkPhoto) -> MarkPhoto | None:
    """The photo that was made of the same file for the same mark and attempt."""
    return session.scalars(
        select(MarkPhoto).where(
            MarkPhoto.job_id == photo.job_id,
            MarkPhoto.face == photo.face,
            MarkPhoto.zone == photo.zone,
            MarkPhoto.attempt == photo.attempt,
            MarkPhoto.sent_sha256 == photo.sent_sha256,
        )
    ).one_or_none()


def has_picture(session: Session, job_id: int, sha256: str) -> bool:
    """Whether a photo of the unit is kept as this picture."""
    kept = exists().where(MarkPhoto.job_id == job_id, MarkPhoto.sha256 == sha256)
    return bool(session.scalar(select(kept)))


def lock_unit(session: Session, job_id: int) -> None:
    """The unit's order, as whoever takes a photo of it locks that."""
    session.scalars(
        select(Order.id).join(Job, Job.order_id == Order.id).where(Job.id == job_id).with_for_update(of=Order)
    ).one()


def count_of(session: Session, job_id: int) -> int:
    """How many photos there are of a unit."""
    return session.scalars(select(func.count()).where(MarkPhoto.job_id == job_id)).one()


def last_start(session: Session, job_id: int, face: str) -> tuple[BurnStart, Load] | None:
    """The last attempt at a face, and the load that it was part of."""
    row = session.execute(
        select(BurnStart, Load)
        .join(Load, Load.id == BurnStart.load_id)
        .where(BurnStart.job_id == job_id, BurnStart.face == face)
        .order_by(BurnStart.attempt.desc())
        .limit(1)
    ).one_or_none()
    return None if row is None else (row[0], row[1])


def add(session: Session, photo: MarkPhoto) -> None:
    session.add(photo)
    session.flush()


def remove(session: Session, photo: MarkPhoto) -> None:
    session.delete(photo)
    session.flush()
