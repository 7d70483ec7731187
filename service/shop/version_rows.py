"""Versions of the shop's description on record."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.records.tables import CatalogueVersion


def find(session: Session, version: str) -> CatalogueVersion | None:
    """The files of one version, if it was ever in force here."""
    return session.get(CatalogueVersion, version)
