"""What is left of each supply, and how that came."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import SupplyChange, SupplyLeft


def lock(session: Session, supply: str) -> SupplyLeft | None:
    """Its row as it is now, locked; None where it was never counted."""
    return session.get(SupplyLeft, supply, with_for_update=True, populate_existing=True)


def left(session: Session, supply: str) -> SupplyLeft | None:
    return session.get(SupplyLeft, supply)


def changes(session: Session, supply: str, *, limit: int) -> list[SupplyChange]:
    """Its last changes, newest first."""
    return list(
        session.scalars(
            select(SupplyChange)
            .where(SupplyChange.supply == supply)
            .order_by(SupplyChange.id.desc())
            .limit(limit)
        )
    )
