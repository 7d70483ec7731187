"""Descriptions of the shop that were put in force: none is missing, and each is what it was."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.audit.damage_rows import Found
from service.records.tables import CatalogueInForce
from service.shop import catalogue
from service.shop import version_rows as rows


def differing(session: Session) -> Iterator[Found]:
    """One whose files are not those that were put in force, or do not mean what its version says."""
    for row in session.scalars(select(CatalogueInForce).order_by(CatalogueInForce.number)):
        content = rows.content_of(session, row)
        if (catalogue.text_digest_of(content), catalogue.digest_of(content)) != (row.text, row.version):
            yield {"number": row.number}


def missing(session: Session) -> Iterator[Found]:
    """One whose forerunner is not there: numbers have no gap."""
    numbers = session.scalars(select(CatalogueInForce.number).order_by(CatalogueInForce.number)).all()
    for before, number in zip((0, *numbers), numbers, strict=False):
        if number != before + 1:
            yield {"number": number, "before": number - 1}
