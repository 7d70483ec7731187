"""Units held for the desk or short of stock after their order was accepted; the store is told which and why.
Orders held on arrival are told by `service.intake.taking`."""

from __future__ import annotations

from sqlalchemy.orm import Session

from layout.shop.findings import Finding
from service.records.announcements import tell_unit
from service.records.ids import JOB, public
from service.records.moves import move_job
from service.records.states import JobState
from service.records.tables import Job
from service.records.who import By

#: Why the bench, the judge or the catalogue holds a unit of an accepted line.
DOES_NOT_FIT, JUDGE_REFUSED, NO_PLACE_LEFT = "does_not_fit", "judge_refused", "no_place_left"
#: The shop's description has changed, and the judge refuses the mark in every place that was accepted.
NO_LONGER_FITS = "no_longer_fits"
#: All of them; the first may be tried again, the others nobody may override.
OF_UNITS = frozenset({DOES_NOT_FIT, JUDGE_REFUSED, NO_PLACE_LEFT, NO_LONGER_FITS})


def judged(job: int, finding: Finding) -> str:
    """What is noted of a unit that the judge refuses: the finding's code stands in brackets before its
    sentence, so that a page can say it in its reader's language."""
    return f"{public(JOB, job)} was refused by the judge ({finding.code}): {finding.message}"


def no_longer_fitting(job: int, finding: Finding) -> str:
    """What is noted of a unit whose mark the changed shop refuses everywhere; see `judged`."""
    return f"{public(JOB, job)} no longer fits ({finding.code}): {finding.message}"


def hold(session: Session, job: Job, reason: str, *, by: By, why: str) -> None:
    """Hold a ready unit for the desk, and tell its store."""
    move_job(session, job, JobState.HELD, by=by, why=why, hold_reason=reason)
    tell_unit(session, "order.held", job, now=by.at, state=job.state, reason=reason)


def go_short(session: Session, job: Job, reason: str, *, by: By, why: str) -> None:
    """Let a job whose unit is gone wait for stock, and tell its store."""
    move_job(session, job, JobState.SHORT, by=by, why=why)
    tell_unit(session, "order.held", job, now=by.at, state=job.state, reason=reason)
