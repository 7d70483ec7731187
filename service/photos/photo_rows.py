"""Photos of marks on record."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from service.records.tables import BurnStart, Job, Load, MarkPhoto


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


def shares_picture(session: Session, photo: MarkPhoto) -> bool:
    """Whether another photo of its unit is kept as the same picture."""
    return bool(
        session.scalar(
            select(
                exists().where(
                    MarkPhoto.job_id == photo.job_id,
                    MarkPhoto.sha256 == photo.sha256,
                    MarkPhoto.id != photo.id,
                )
            )
        )
    )


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
