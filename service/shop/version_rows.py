"""Versions of the shop's description on record, and the order in which they were put in force."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.records.tables import CatalogueDraft, CatalogueInForce, CatalogueVersion, History


def find(session: Session, version: str) -> CatalogueVersion | None:
    """The files of one version, if it was ever in force here."""
    return session.get(CatalogueVersion, version)


def keep(session: Session, version: str, content: Mapping[str, str], *, now: datetime) -> CatalogueVersion:
    """Keep the files of a version, once: the first that came with it."""
    kept = find(session, version)
    if kept is None:
        kept = CatalogueVersion(version=version, loaded_at=now, content=dict(content))
        session.add(kept)
        session.flush()
    return kept


def newest_number(session: Session) -> int:
    """The number of what is in force; 0 where nothing was put in force yet."""
    return session.scalar(select(func.max(CatalogueInForce.number))) or 0


def in_force(session: Session) -> CatalogueInForce | None:
    """What is in force."""
    return session.scalar(select(CatalogueInForce).order_by(CatalogueInForce.number.desc()).limit(1))


def numbered(session: Session, number: int) -> CatalogueInForce | None:
    return session.get(CatalogueInForce, number)


def listed(session: Session, *, before: int | None, limit: int) -> Sequence[CatalogueInForce]:
    """What was put in force, the newest first, without the files."""
    query = select(CatalogueInForce).order_by(CatalogueInForce.number.desc()).limit(limit)
    if before is not None:
        query = query.where(CatalogueInForce.number < before)
    return session.scalars(query).all()


def with_text(session: Session, text: str) -> CatalogueInForce | None:
    """The newest that has exactly this text."""
    query = select(CatalogueInForce).where(CatalogueInForce.text == text)
    return session.scalar(query.order_by(CatalogueInForce.number.desc()).limit(1))


def content_of(session: Session, row: CatalogueInForce) -> dict[str, str]:
    """All files' text as it was put in force."""
    if row.content is not None:
        return dict(row.content)
    kept = find(session, row.version)
    return dict(kept.content) if kept is not None else {}


def last_act(session: Session) -> str | None:
    """What was done last with the description: `described`, or a draft was `dropped`."""
    query = select(History.move_to).where(History.subject == "shop")
    return session.scalar(query.order_by(History.subject_id.desc(), History.id.desc()).limit(1))


def draft(session: Session, *, to_write: bool = False) -> CatalogueDraft | None:
    """The draft that owners are at, read anew; `to_write`: nobody else writes it until this is done."""
    query = select(CatalogueDraft).execution_options(populate_existing=True)
    return session.scalar(query.with_for_update() if to_write else query)
