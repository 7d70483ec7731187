"""What was done with the shop itself: keys, callbacks, test cards, measured plates, its description, and lots
by the owner. A part of history that stays small, newest first."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from service.records.ids import LOT, public
from service.records.tables import History
from service.records.who import SWEEP, Role

#: What is said of these in history is an act, whoever did it.
SUBJECTS = ("key", "callback", "card", "plate", "shop")
#: So many are on the owner's page.
SHOWN = 200
_BY_OWNER = (
    History.subject == "lot",
    History.who.startswith(f"{Role.OWNER.value}:"),
    History.who != f"{Role.OWNER.value}:{SWEEP.name}",
)


def listed(session: Session, *, before_id: int | None = None, limit: int) -> Sequence[History]:
    """The newest acts, or those before one of them."""
    query = select(History).where(or_(History.subject.in_(SUBJECTS), and_(*_BY_OWNER)))
    if before_id is not None:
        query = query.where(History.id < before_id)
    return session.scalars(query.order_by(History.id.desc()).limit(limit)).all()


def details(row: History) -> str:
    """Which thing, and why where that was said."""
    return f"{public(LOT, row.subject_id)}: {row.why}" if row.subject == "lot" else row.why
