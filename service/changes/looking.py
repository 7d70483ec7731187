"""The draft looked over behind the requests: what it would do to units that wait, some lines at a time, with
how far it is kept in its row. An edit, or another description in force, begins it anew.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.changes.what_changes import NOTHING_LOOKED_AT, WhatChanges, look_on, tried
from service.records.errors import NotFound
from service.shop import catalogue, drafts, version_rows
from service.shop.tools import Tools

#: So long is worked at one go, so that others that use the same workers have their turn.
_SECONDS = 4.0


@dataclass(frozen=True, slots=True)
class Looked:
    """How far a draft was looked over: None before anybody has asked, `found` as far as it is."""

    found: WhatChanges | None


def ask(session: Session) -> None:
    """Have the draft looked over as it is now; asked again, it goes on. Raises NotFound."""
    row = version_rows.draft(session, to_write=True)
    if row is None:
        raise NotFound("there is no draft any more: it was dropped, or put in force", id="draft")
    if row.looked is None:
        row.looked = {}


def looked(session: Session) -> Looked:
    """How far it is."""
    row = version_rows.draft(session)
    if row is None or row.looked is None:
        return Looked(None)
    return Looked(_read(row.looked, version_rows.newest_number(session)))


def look_over(tools: Tools) -> int:
    """Go on looking, for some seconds; returns how many lines were looked at."""
    with tools.database.reading() as session:
        row = version_rows.draft(session)
        draft = drafts.find(session) if row is not None and row.looked is not None else None
    if row is None or row.looked is None or draft is None:
        return 0
    before = row.looked
    found = _read(before, draft.in_force)
    if found.is_whole or tools.catalogue.described.number != draft.in_force:
        return 0
    try:
        new = tried(tools, draft.content)
    except catalogue.CatalogueError:
        return 0  # its page shows what is wrong; an edit asks anew
    begun, first = time.monotonic(), found.looked_at
    while not found.is_whole and time.monotonic() < begun + _SECONDS:
        found = look_on(tools, new, found)
    kept = {"in_force": draft.in_force, "after": found.after, "found": found.model_dump(mode="json")}

    def note(session: Session) -> None:
        now = version_rows.draft(session, to_write=True)
        if now is not None and now.version == draft.version and now.looked == before:
            now.looked = kept

    tools.database.write(note)
    return found.looked_at - first


def what_changes(tools: Tools, content: Mapping[str, str], *, seconds: float) -> WhatChanges:
    """What a description would do to units that wait, as far as that is known within so many seconds. Raises
    CatalogueError."""
    new, found, begun = tried(tools, content), NOTHING_LOOKED_AT, time.monotonic()
    while not found.is_whole and time.monotonic() < begun + seconds:
        found = look_on(tools, new, found)
    return found


def _read(looked: dict[str, object], in_force: int) -> WhatChanges:
    if looked.get("in_force") != in_force:
        return NOTHING_LOOKED_AT
    return WhatChanges.model_validate({**looked["found"], "after": looked["after"]})  # type: ignore[dict-item]
