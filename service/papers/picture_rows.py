"""What a picture of a planned load shows of its jobs."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import Job, Lot, Order, OrderLine
from service.requests.check_answers import stored_checked, words_on_metal


@dataclass(frozen=True, slots=True)
class Shown:
    """A job as a picture names it: `texts` by face."""

    blade: str
    order_ref: str
    texts: dict[str, list[str]]


def jobs_shown(session: Session, job_ids: Collection[int]) -> dict[int, Shown]:
    """The jobs by number; unknown ones are left out."""
    rows = session.execute(
        select(Job.id, Job.blade, Order.order_ref, OrderLine.checked)
        .join(OrderLine, OrderLine.id == Job.line_id)
        .join(Order, Order.id == Job.order_id)
        .where(Job.id.in_(sorted(job_ids)))
    )
    return {row.id: Shown(row.blade, row.order_ref, _texts(row.checked)) for row in rows}


def lot_blades(session: Session, lot_ids: Collection[int]) -> dict[int, str]:
    """Blades of lots."""
    rows = session.execute(select(Lot.id, Lot.blade).where(Lot.id.in_(sorted(lot_ids))))
    return {row.id: row.blade for row in rows}


def _texts(stored: list[dict[str, Any]]) -> dict[str, list[str]]:
    texts: dict[str, list[str]] = {}
    for checked in map(stored_checked, stored):
        if checked.face and (words := words_on_metal(checked)):
            texts.setdefault(checked.face, []).append(words.replace("\n", " / "))
    return texts
