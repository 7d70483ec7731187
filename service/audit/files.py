"""Burn files, built again from what is on record: the same values must give the same bytes."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy.orm import Session

from service.audit import file_rows as rows
from service.bench.building import build
from service.loads import load as loads
from service.records.errors import Refusal
from service.shop.versions import Versions


def differing(session: Session, shelf: Versions) -> Iterator[str]:
    """For each burned file that is built again: what is wrong with it, nothing where it is the same.

    Left out are files from before their plate was measured again (the load keeps the newest calibration
    only), and those with marks that were erased.
    """
    for load, turn, file, slots in rows.burned_files(session):
        if file.calibration not in {None, load.calibration["calibration"]}:
            continue
        if rows.has_erased_marks(session, slots):
            continue
        named = f"load L{load.id}, turn {turn}: {file.name}"
        try:
            shop = shelf.at(session, load.catalogue_version)
            layout = loads.layout_of_slots(session, load, slots)
            built = build(shop, layout, turn, file.format)
        except (Refusal, LookupError, ValueError, TypeError) as error:
            yield f"{named} can't be built again ({type(error).__name__})"
            continue
        yield "" if built.sha256 == file.sha256 else f"{named} comes out differently when built again"
