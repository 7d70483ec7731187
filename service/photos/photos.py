"""Take a photo of a mark, show it, share it with the buyer, take it away."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import structlog
from sqlalchemy.orm import Session

from layout.shop.loads import Mark
from layout.shop.outline import Outline
from service.bench.burn_files import keep_or_ask_again
from service.intake import order_rows, orders
from service.loads.load import mark_value
from service.photos import photo_rows as rows
from service.photos.develop import MOST_PIXELS, Approved, Developed, develop
from service.photos.photo_answers import PhotoAnswer, photo_answer
from service.records.errors import (
    BadRequest,
    CheckersBusy,
    CheckTooSlow,
    DatabaseBusy,
    MoveNotAllowed,
    NotFound,
)
from service.records.ids import JOB, ORDER, PHOTO, number, public
from service.records.moves import write_history
from service.records.outgoing import ask_for
from service.records.tables import Job, Load, MarkPhoto
from service.records.who import Who
from service.shop.tools import Tools

log = structlog.get_logger(__name__)

#: In the data folder, a folder for each job.
FOLDER = "photos"
#: A tablet's photo has 3 to 8 MB.
LARGEST_PHOTO = 15 * 2**20
#: Of one unit. Whoever wants more may take others away.
MOST_PHOTOS = 20
#: Longest that a photo is looked at; a search over the whole picture takes a few seconds on a busy machine.
_LOOK_SECONDS = 30.0


def take(tools: Tools, job: str, data: bytes, *, face: str = "", zone: str = "", who: Who) -> PhotoAnswer:
    """Keep a photo of a mark of a unit, as its last attempt burned it, and look at it.

    `face`, `zone`: which mark; may be left empty where there is only one. The same file sent again is the
    same photo, and brings back its picture where that was lost. Where nobody has time to look at it, it is
    kept all the same.

    Raises NotFound (also where its order was erased), BadRequest (no picture, too large, which mark?),
    MoveNotAllowed (nothing burned, too many), CheckersBusy.
    """
    if not data or len(data) > LARGEST_PHOTO:
        raise BadRequest(f"a photo has up to {LARGEST_PHOTO // 2**20} MB", field="photo")
    job_id, sent = number(JOB, job), hashlib.sha256(data).hexdigest()
    with tools.database.reading() as session:
        meant = _meant(tools, session, job_id, face, zone)
        known = rows.same(session, _row(meant, sent, who, tools))
        if known is not None and _read(tools, known) is not None:
            return photo_answer(known)
    developed = _developed(tools, data, meant.approved)
    sha256 = hashlib.sha256(developed.data).hexdigest()

    def record(session: Session) -> PhotoAnswer:
        _lock(session, meant.order_id)
        row = _row(meant, sent, who, tools)
        known = rows.same(session, row)
        if known is not None and _read(tools, known) is not None:
            return photo_answer(known)
        if known is None and rows.count_of(session, job_id) >= MOST_PHOTOS:
            raise MoveNotAllowed(f"there are {MOST_PHOTOS} photos of this unit; take one away first", job=job)
        row = known or row
        row.sha256, row.width, row.height = sha256, developed.width, developed.height
        row.look = developed.look
        keep_or_ask_again(path_of(tools, row), developed.data, sha256)
        rows.add(session, row)
        return photo_answer(row)

    return tools.database.write(record)


def share(tools: Tools, photo: str, *, shared: bool, who: Who) -> PhotoAnswer:
    """Let the buyer see a photo, or no longer. Saying it again changes nothing. Raises NotFound."""

    def work(session: Session) -> PhotoAnswer:
        row, job = _find(session, photo)
        _lock(session, job.order_id)
        session.refresh(row)
        if shared != (row.shared_at is not None):
            by = tools.by(who)
            row.shared_at, row.shared_by = (by.at, who.name) if shared else (None, None)
            what = "photo_shared" if shared else "photo_not_shared"
            write_history(session, "order", job.order_id, what, by=by, why=photo)
            session.flush()
        return photo_answer(row)

    return tools.database.write(work)


def take_away(tools: Tools, photo: str, *, who: Who) -> None:
    """Delete a photo: of something else, or with more on it than the mark. Raises NotFound.

    Its picture goes when its row is gone for good: a process that is killed in between leaves a picture
    without a row, which the task takes away, and never a row without its picture.
    """

    def work(session: Session) -> tuple[int, str]:
        row, job = _find(session, photo)
        _lock(session, job.order_id)
        meant = row.job_id, row.sha256
        rows.remove(session, row)
        by = tools.by(who)
        write_history(session, "order", job.order_id, "photo_deleted", by=by, why=photo)
        ask_for(session, "drop_picture", now=by.at, job=meant[0], sha256=meant[1])
        return meant

    job_id, sha256 = tools.database.write(work)
    with suppress(DatabaseBusy):  # then the task does it
        drop_picture(tools, job=job_id, sha256=sha256)


def drop_picture(tools: Tools, *, job: int, sha256: str) -> None:
    """Remove a picture of a unit of which no photo is on record any more; another face's or attempt's may
    have been made of the same file, and the file may have been sent again since."""

    def work(session: Session) -> None:
        rows.lock_unit(session, job)
        if not rows.has_picture(session, job, sha256):
            _file(tools, job, sha256).unlink(missing_ok=True)

    tools.database.write(work)


def find(session: Session, photo: str) -> MarkPhoto:
    """Raises NotFound."""
    return _find(session, photo)[0]


def picture(tools: Tools, row: MarkPhoto) -> bytes:
    """A photo's picture as JPEG. Raises NotFound where its file is lost, or not as it was."""
    data = _read(tools, row)
    if data is None:
        raise NotFound("this picture is not here any more", id=public(PHOTO, row.id))
    return data


def _read(tools: Tools, row: MarkPhoto) -> bytes | None:
    """A photo's picture; None where it is lost, or not as it was."""
    try:
        data = path_of(tools, row).read_bytes()
    except FileNotFoundError:
        return None
    return data if hashlib.sha256(data).hexdigest() == row.sha256 else None


def outline_of(session: Session, row: MarkPhoto) -> Outline:
    """The approved outline of the mark that a photo shows; an empty one where it was erased."""
    job = order_rows.job(session, row.job_id, client=None)
    marks = [] if job is None else order_rows.marks(session, job.line_id, job.words_revision)
    shown = (mark_value(mark).outline for mark in marks if (mark.face, mark.zone) == (row.face, row.zone))
    return next(shown, Outline())


def of_job(session: Session, job: str) -> list[MarkPhoto]:
    """Raises NotFound."""
    job_id = number(JOB, job)
    if order_rows.job(session, job_id, client=None) is None:
        raise NotFound("no such job", id=job)
    return list(rows.of_jobs(session, [job_id]))


def folder_of(tools: Tools, job_id: int) -> Path:
    """Where the pictures of a unit lie."""
    return tools.settings.data / FOLDER / public(JOB, job_id)


def path_of(tools: Tools, row: MarkPhoto) -> Path:
    return _file(tools, row.job_id, row.sha256)


def _file(tools: Tools, job_id: int, sha256: str) -> Path:
    return folder_of(tools, job_id) / f"{sha256}.jpg"


# --- which mark is meant ---


@dataclass(frozen=True, slots=True)
class _Meant:
    """A mark of a unit, as one attempt burned it."""

    job_id: int
    order_id: int
    attempt: int
    approved: Approved


def _meant(tools: Tools, session: Session, job_id: int, face: str, zone: str) -> _Meant:
    job = order_rows.job(session, job_id, client=None)
    if job is None:
        raise NotFound("no such job", id=public(JOB, job_id))
    orders.must_have_words(job.line.order)
    stored = order_rows.marks(session, job.line_id, job.words_revision)
    marks = [mark_value(mark) for mark in stored]
    named = [mark for mark in marks if face in {"", mark.face} and zone in {"", mark.zone}]
    if not named:
        raise BadRequest("this unit has no such mark", field="zone", job=public(JOB, job_id))
    if len(named) > 1:
        zones = ", ".join(f"{mark.face} {mark.zone}" for mark in named)
        raise BadRequest(f"say which mark it is of: {zones}", field="zone", job=public(JOB, job_id))
    mark = named[0]
    burned = rows.last_start(session, job.id, mark.face)
    if burned is None:
        raise MoveNotAllowed(
            f"nothing is burned on {public(JOB, job_id)}, {mark.face}, yet", job=public(JOB, job_id)
        )
    start, load = burned
    return _Meant(job.id, job.order_id, start.attempt, _approved(tools, session, job, mark, marks, load))


def _approved(
    tools: Tools, session: Session, job: Job, mark: Mark, marks: list[Mark], load: Load
) -> Approved:
    shop = tools.catalogue.at(session, load.catalogue_version)
    face = shop.blades[job.blade].face(mark.face)
    others = [other.outline for other in marks if other.face == mark.face and other is not mark]
    polygons = [polygon for outline in others for polygon in outline.areas]
    lines = [stroke.buffer(0.1) for outline in others for stroke in outline.strokes]
    keep_outs = [keep_out.polygon for keep_out in face.keep_outs]
    process = shop.recipe_for(load.station, mark.surface)
    return Approved(mark, process, face.silhouette, (*polygons, *lines, *keep_outs))


def _developed(tools: Tools, data: bytes, approved: Approved) -> Developed:
    try:
        made = tools.geometry.work(develop, data, approved, seconds=_LOOK_SECONDS)
    except (CheckTooSlow, CheckersBusy) as late:
        log.warning("photo_not_compared", why=type(late).__name__)
        made = tools.geometry.work(develop, data, None)
    if isinstance(made, Developed):
        return made
    if made == "too_many_pixels":
        raise BadRequest(f"a photo has up to {MOST_PIXELS // 1_000_000} million pixels", field="photo")
    raise BadRequest("this is no JPEG, PNG or WebP picture, or a torn one", field="photo")


def _row(meant: _Meant, sent: str, who: Who, tools: Tools) -> MarkPhoto:
    return MarkPhoto(
        job_id=meant.job_id,
        face=meant.approved.mark.face,
        zone=meant.approved.mark.zone,
        attempt=meant.attempt,
        sent_sha256=sent,
        taken_by=who.name,
        taken_at=tools.clock(),
    )


def _find(session: Session, photo: str) -> tuple[MarkPhoto, Job]:
    found = rows.find(session, number(PHOTO, photo))
    if found is None:
        raise NotFound("there is no such photo", id=photo)
    return found


def _lock(session: Session, order_id: int) -> None:
    """Its order, so that it is not erased meanwhile. Raises NotFound where it was."""
    order = order_rows.lock(session, order_id, client=None)
    if order is None:
        raise NotFound("no such order", id=public(ORDER, order_id))
    orders.must_have_words(order)
