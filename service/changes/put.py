"""A description put in force: judged first, then written, then taken up at once by this very process."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy.orm import Session

from service.changes import waiting_lines_rows as rows
from service.records.db import Database
from service.records.errors import NotFound
from service.records.states import Origin
from service.records.tables import CatalogueInForce
from service.records.who import By, Who
from service.shop import drafts, version_rows, versions
from service.shop.drafts import Draft
from service.shop.tools import Tools
from service.shop.versions import Judged


def put_in_force(
    tools: Tools,
    content: Mapping[str, str],
    *,
    came_from: int,
    why: str,
    origin: Origin,
    who: Who,
    back_to: int | None = None,
) -> CatalogueInForce:
    """Put a description in force that was made from number `came_from`. Raises ShopRefused, StaleVersion."""
    row = put_written(
        tools.database,
        versions.judged(content),
        came_from=came_from,
        why=why,
        origin=origin,
        by=tools.by(who),
        back_to=back_to,
    )
    return _taken_up(tools, row)


def put_written(
    database: Database,
    new: Judged,
    *,
    came_from: int,
    why: str,
    origin: Origin,
    by: By,
    back_to: int | None = None,
) -> CatalogueInForce:
    """Write what was judged; processes take it up. Raises StaleVersion."""

    def work(session: Session) -> CatalogueInForce:
        row = versions.put_in_force(
            session, new, came_from=came_from, by=by, why=why, origin=origin, back_to=back_to
        )
        return _soon(session, row)

    return database.write(work)


def put_draft(tools: Tools, *, if_version: int, why: str, who: Who) -> CatalogueInForce:
    """Put the draft in force as it is at `if_version`; a second time changes nothing. Raises NotFound,
    ShopRefused, StaleVersion."""
    with tools.database.reading() as session:
        draft: Draft | None = drafts.find(session)
        done = version_rows.in_force(session) if version_rows.last_act(session) == "described" else None
    if draft is None and done is not None:
        return done  # a finger that taps twice
    if draft is None:
        raise NotFound("there is no draft any more: it was dropped, or put in force", id="draft")
    new = versions.judged(draft.content)

    def work(session: Session) -> CatalogueInForce:
        by = tools.by(who)
        return _soon(session, drafts.put_in_force(session, new, if_version=if_version, by=by, why=why))

    return _taken_up(tools, tools.database.write(work))


def _soon(session: Session, row: CatalogueInForce) -> CatalogueInForce:
    rows.look_at_places_soon(session)
    return row


def _taken_up(tools: Tools, row: CatalogueInForce) -> CatalogueInForce:
    tools.follow()
    return row
