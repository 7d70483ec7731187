"""Photos of marks on pages: what was taken of a unit, with the approved outline over it, and what to look
at."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.photos import photo_rows as rows
from service.photos import photos
from service.photos.overlay import overlay_svg
from service.photos.photo_answers import PhotoAnswer, photo_answer
from service.records.ids import JOB, public
from service.records.tables import Order


@dataclass(frozen=True, slots=True)
class Shown:
    """A photo and, as SVG, the approved outline over it."""

    photo: PhotoAnswer
    overlay: str


def of_jobs(session: Session, job_ids: Collection[int]) -> Mapping[str, tuple[Shown, ...]]:
    """By unit its photos, newest first."""
    found: dict[str, tuple[Shown, ...]] = {}
    for row in rows.of_jobs(session, job_ids):
        photo = photo_answer(row)
        overlay = overlay_svg(photo, photos.outline_of(session, row), photo.picture)
        found[photo.job] = (Shown(photo, overlay), *found.get(photo.job, ()))
    return found


def of_order(session: Session, order: Order) -> Mapping[str, tuple[Shown, ...]]:
    """By line the photos of its units, newest first of each; none of an order that was erased."""
    if order.erased_at is not None:
        return {}
    found = of_jobs(session, [job.id for line in order.lines for job in line.jobs])
    return {
        line.line_ref: tuple(shown for job in line.jobs for shown in found.get(public(JOB, job.id), ()))
        for line in order.lines
    }


def shared(session: Session, order: Order) -> Mapping[str, tuple[PhotoAnswer, ...]]:
    """By line the photos that its buyer may see."""
    return {
        line_ref: tuple(one.photo for one in shown if one.photo.shared_at is not None)
        for line_ref, shown in of_order(session, order).items()
    }
