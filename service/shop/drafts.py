"""The draft of the shop's next description: edited file by file, judged as often as wanted, and put in force
or dropped. There is one for the whole shop; its version guards it, so that of two owners who write the same
file the second is told.

A draft holds its edits only, above the description in force that it was begun from. When another one was put
in force meanwhile, `brought_up_to_date` takes the edits over to it, unless both changed the same file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.records.errors import BadRequest, NotFound, StaleVersion
from service.records.moves import write_history
from service.records.states import Origin
from service.records.tables import CatalogueDraft, CatalogueInForce
from service.records.who import By
from service.shop import catalogue, versions
from service.shop import version_rows as rows
from service.shop.catalogue import Trouble
from service.shop.catalogue.files import misnamed


@dataclass(frozen=True, slots=True)
class Draft:
    """A draft as it is now. `base` and `content` are all files' texts: of what it was begun from, and with
    its edits; `version` goes up with every edit; `in_force` is the number that is in force now."""

    version: int
    based_on: int
    in_force: int
    back_to: int | None
    base: Mapping[str, str]
    content: Mapping[str, str]

    @property
    def edited(self) -> tuple[str, ...]:
        """Files that it adds, changes or takes out."""
        names = sorted(self.base.keys() | self.content.keys())
        return tuple(name for name in names if self.base.get(name) != self.content.get(name))

    @property
    def is_behind(self) -> bool:
        """Whether another description was put in force since it was begun."""
        return self.in_force != self.based_on


def find(session: Session) -> Draft | None:
    """The draft, if owners are at one."""
    row = rows.draft(session)
    return _draft(session, row) if row is not None else None


def opened(session: Session, *, by: By) -> Draft:
    """The draft, begun now where there is none. Raises NotFound where nothing is in force."""
    row = rows.draft(session)
    return _draft(session, row if row is not None else _begin(session, {}, by=by))


def opened_back(session: Session, number: int, *, by: By) -> Draft:
    """A draft that brings an earlier description back. Raises NotFound; BadRequest while owners are at
    another draft."""
    wanted = versions.content_at(session, number)
    row = rows.draft(session)
    if row is not None and row.back_to == number:
        return _draft(session, row)
    if row is not None:
        raise BadRequest("owners are at another draft: put it in force or drop it first", field="draft")
    base = _content_in_force(session)
    edits = {
        name: wanted.get(name) for name in base.keys() | wanted.keys() if base.get(name) != wanted.get(name)
    }
    return _draft(session, _begin(session, edits, by=by, back_to=number))


def write_file(session: Session, draft: Draft, name: str, text: str, *, if_version: int, by: By) -> Draft:
    """Add a file or change its text; photos come as base64. Raises BadRequest for what can be no file,
    StaleVersion where the draft is no longer at `if_version`, NotFound where there is none any more."""
    if troubles := misnamed({**draft.content, name: text}):
        raise BadRequest(str(troubles[0]), field="name")
    return _edited(session, {name: text}, if_version=if_version, by=by)


def remove_file(session: Session, draft: Draft, name: str, *, if_version: int, by: By) -> Draft:
    """Take a file out. Raises NotFound, StaleVersion."""
    if name not in draft.content:
        raise NotFound("the draft has no such file", id=name)
    return _edited(session, {name: None}, if_version=if_version, by=by)


def troubles(draft: Draft) -> tuple[Trouble, ...]:
    """Everything that is wrong with the draft, with file and line; empty when it can be put in force. Takes
    most of a second."""
    return catalogue.troubles_of_files(draft.content)


def drop(session: Session, *, if_version: int, by: By) -> None:
    """Throw the draft away. Dropping it again changes nothing. Raises StaleVersion."""
    row = rows.draft(session, to_write=True)
    if row is not None:
        _must_be_at(row, if_version)
        session.delete(row)
        write_history(session, "shop", row.based_on, "dropped", by=by, why=f"draft of number {row.based_on}")


def put_in_force(
    session: Session, new: versions.Judged, *, if_version: int, by: By, why: str
) -> CatalogueInForce:
    """Put the draft in force, judged before as it is at `if_version`. A second time changes nothing.

    Raises StaleVersion, NotFound for a draft that was dropped.
    """
    row = rows.draft(session, to_write=True)
    if row is None:
        now_in_force = rows.in_force(session)
        if now_in_force is not None and now_in_force.text == new.text:
            return now_in_force  # a finger that taps twice
        raise NotFound("the draft was dropped, or put in force", id="draft")
    _must_be_at(row, if_version)
    put = versions.put_in_force(
        session,
        new,
        came_from=row.based_on,
        by=by,
        why=why,
        origin=Origin.DRAFT if row.back_to is None else Origin.BACK,
        back_to=row.back_to,
    )
    session.delete(row)
    return put


def brought_up_to_date(session: Session, *, if_version: int, by: By) -> Draft:
    """Take the edits over to what is in force by now. Raises StaleVersion where both changed a file, or the
    draft was edited meanwhile; NotFound where there is none."""
    row = _row(session)
    _must_be_at(row, if_version)
    base, now = versions.content_at(session, row.based_on), _content_in_force(session)
    both = sorted(name for name in row.edits if base.get(name) != now.get(name) != row.edits[name])
    if both:
        raise StaleVersion(
            f"{', '.join(both)} was changed by what is in force now, too: look at both, then drop this draft",
            files=both,
        )
    row.based_on, row.back_to = rows.newest_number(session), None
    _sign(row, by=by)
    session.flush()
    return _draft(session, row)


def _begin(
    session: Session, edits: Mapping[str, str | None], *, by: By, back_to: int | None = None
) -> CatalogueDraft:
    number = rows.newest_number(session)
    if number == 0:
        raise NotFound("nothing was put in force yet", id="catalogue")
    row = CatalogueDraft(
        id=1,
        based_on=number,
        edits=dict(edits),
        version=1,
        back_to=back_to,
        begun_at=by.at,
        begun_by=_signed(by),
        changed_at=by.at,
        changed_by=_signed(by),
    )
    session.add(row)
    session.flush()
    return row


def _edited(session: Session, edits: Mapping[str, str | None], *, if_version: int, by: By) -> Draft:
    row = _row(session)
    _must_be_at(row, if_version)
    base = versions.content_at(session, row.based_on)
    together = {**row.edits, **edits}
    row.edits = {name: text for name, text in together.items() if base.get(name) != text}
    _sign(row, by=by)
    session.flush()
    return _draft(session, row)


def _row(session: Session) -> CatalogueDraft:
    row = rows.draft(session, to_write=True)
    if row is None:
        raise NotFound("there is no draft any more: it was dropped, or put in force", id="draft")
    return row


def _must_be_at(row: CatalogueDraft, version: int) -> None:
    if row.version != version:
        name = row.changed_by.partition(":")[2]
        raise StaleVersion(
            f"{name} has changed the draft meanwhile: look at it again, nothing of yours was written",
            version=row.version,
        )


def _sign(row: CatalogueDraft, *, by: By) -> None:
    row.version += 1
    row.changed_at, row.changed_by, row.looked = by.at, _signed(by), None


def _signed(by: By) -> str:
    return f"{by.who.role.value}:{by.who.name}"[:100]


def _content_in_force(session: Session) -> dict[str, str]:
    row = rows.in_force(session)
    return rows.content_of(session, row) if row is not None else {}


def _draft(session: Session, row: CatalogueDraft) -> Draft:
    base = versions.content_at(session, row.based_on)
    content = {name: text for name, text in {**base, **row.edits}.items() if text is not None}
    return Draft(row.version, row.based_on, rows.newest_number(session), row.back_to, base, content)
