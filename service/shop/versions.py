"""The shop's description in force, and every older one that a load may still be locked to.

What is in force is the newest row of `catalogue_in_force`. A process reads it when it starts and follows it
from then on (`Shelf.follow`): it takes up another description without being started again. What a request or
a task works with is fixed when it begins (`Tools.pinned`), so that one order is checked and written under
one version.
"""

from __future__ import annotations

import copy
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib import metadata
from pathlib import Path

import structlog
from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.records.counters import SHOPS_NOT_TAKEN_UP
from service.records.errors import CatalogueMissing, NotFound, ShopRefused, StaleVersion
from service.records.moves import write_history
from service.records.states import Origin
from service.records.tables import CatalogueInForce
from service.records.who import By
from service.shop import catalogue
from service.shop import version_rows as rows
from service.shop.catalogue import CatalogueError

log = structlog.get_logger(__name__)

#: So many older versions are kept opened; others are opened again from their rows.
_MOST_OPEN = 16


@dataclass(frozen=True, slots=True)
class Described:
    """A description as a process works with it: its number (0: it was never put in force), the shop, and
    where its workers read it (a folder, or a file that `catalogue.keep` wrote)."""

    number: int
    shop: Shop
    source: Path


class Versions:
    """Shops by version, opened once from their rows."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._by_version: dict[str, Shop] = {}

    def at(self, session: Session, version: str) -> Shop:
        """The shop at a version. Raises CatalogueMissing."""
        with self._lock:
            kept = self._by_version.get(version)
        if kept is not None:
            return kept
        row = rows.find(session, version)
        if row is None:
            raise CatalogueMissing("this catalogue version is not on record", version=version)
        shop = catalogue.reopen(row.content)
        self._remember(shop)
        return shop

    def _remember(self, shop: Shop) -> None:
        with self._lock:
            self._by_version.pop(shop.version, None)
            self._by_version[shop.version] = shop
            while len(self._by_version) > _MOST_OPEN:
                del self._by_version[next(iter(self._by_version))]


class Shelf(Versions):
    """What a process takes for the shop's description in force, and the older ones. May be used from any
    thread."""

    def __init__(self, folder: Path) -> None:
        """The description of a folder, or of a file that `catalogue.keep` wrote. Raises CatalogueError."""
        self._open(Described(0, catalogue.load(folder), folder))

    @classmethod
    def of(cls, described: Described) -> Shelf:
        """A shelf with this description, read and judged before."""
        shelf = cls.__new__(cls)
        shelf._open(described)
        return shelf

    def _open(self, described: Described) -> None:
        super().__init__()
        self._described = described
        self._not_taken_up = 0
        self._told: list[Callable[[Described], None]] = []
        self._followed: Shelf = self
        self._remember(described.shop)

    @property
    def current(self) -> Shop:
        """The shop's description in force."""
        return self._described.shop

    @property
    def described(self) -> Described:
        """The same, with its number and where workers read it."""
        return self._described

    def pinned(self) -> Shelf:
        """The same shelf, with what is in force now staying so."""
        view = copy.copy(self)
        view._followed = self._followed
        return view

    def tell(self, listener: Callable[[Described], None]) -> None:
        """Call `listener` whenever another description is taken up."""
        self._followed._told.append(listener)

    def follow(self, session: Session, kept: Path) -> bool:
        """Take up what is in force by now; says whether it was another. `kept`: folder for what workers read.

        One that can't be used here (a font is not installed) is left alone, and the log says so once.
        """
        shelf = self._followed
        number = rows.newest_number(session)
        if number in {0, shelf._described.number, shelf._not_taken_up}:
            return False
        try:
            described = opened(session, kept)
        except CatalogueError as error:
            shelf._not_taken_up = number
            SHOPS_NOT_TAKEN_UP.inc()
            log.error("shop_not_taken_up", number=number, troubles=[str(t) for t in error.troubles][:5])
            return False
        shelf._remember(described.shop)
        shelf._described = described
        log.info("shop_taken_up", number=described.number, version=described.shop.version[:12])
        for listener in shelf._told:
            listener(described)
        return True

    def keep_current(self, session: Session, *, now: datetime) -> None:
        """Have the current version's files on record in this database, too: the sandbox's, or a test's."""
        rows.keep(session, self.current.version, catalogue.read(self._described.source), now=now)


def kept_file(kept: Path, text: str) -> Path:
    """Where in the folder `kept` a description with this digest of its text lies that was judged, by this
    version of the program: another one may refuse it."""
    return kept / f"{text}-{metadata.version('ricasso')}.json"


def opened(session: Session, kept: Path) -> Described:
    """What is in force, read, and judged where it is not kept as judged. Raises CatalogueError;
    CatalogueMissing where nothing is."""
    row = rows.in_force(session)
    if row is None:
        raise CatalogueMissing("nothing was put in force yet", version="")
    content = rows.content_of(session, row)
    file = kept_file(kept, row.text)
    shop = catalogue.parse(content, is_judged=file.exists())
    return Described(row.number, shop, catalogue.keep(content, file))


@dataclass(frozen=True, slots=True)
class Judged:
    """A description that can be used (`judged` and `judged_by_line` make these), and its digests: of what it
    means (`version`), and of its text as it stands there."""

    content: Mapping[str, str]
    version: str
    text: str


def judged(content: Mapping[str, str]) -> Judged:
    """Judge a description; takes most of a second. Raises ShopRefused."""
    try:
        return judged_by_line(content)
    except CatalogueError as error:
        raise ShopRefused(
            "the shop's description is refused; nothing was changed",
            troubles=[str(trouble) for trouble in error.troubles],
        ) from None


def judged_by_line(content: Mapping[str, str]) -> Judged:
    """The same for a console: raises CatalogueError, which says each trouble on a line of its own."""
    if troubles := catalogue.troubles_of_files(content):
        raise CatalogueError(troubles)
    return Judged(content, catalogue.digest_of(content), catalogue.text_digest_of(content))


def put_in_force(
    session: Session,
    new: Judged,
    *,
    came_from: int,
    by: By,
    why: str,
    origin: Origin,
    back_to: int | None = None,
) -> CatalogueInForce:
    """Put a description in force that was made from number `came_from` (0: from nothing); of two made from
    the same one the second is refused. What is in force already is left as it is. Raises StaleVersion."""
    now_in_force = rows.in_force(session)
    number = now_in_force.number if now_in_force is not None else 0
    if now_in_force is not None and now_in_force.text == new.text:
        return now_in_force  # a finger that taps twice, or nothing to change
    if number != came_from:
        raise StaleVersion(
            f"the shop's description was changed meanwhile: number {number} is in force, this was made from "
            f"number {came_from}",
            in_force=number,
            came_from=came_from,
        )
    kept = rows.keep(session, new.version, new.content, now=by.at)
    row = CatalogueInForce(
        number=number + 1,
        version=new.version,
        text=new.text,
        content=None if catalogue.text_digest_of(kept.content) == new.text else dict(new.content),
        origin=origin.value,
        back_to=back_to,
        at=by.at,
        by=f"{by.who.role.value}:{by.who.name}"[:100],
        why=why[:300],
    )
    session.add(row)
    session.flush()
    said = f"number {row.number}, version {new.version[:12]}" + (f": {why}" if why else "")
    write_history(session, "shop", row.number, "described", by=by, why=said)
    return row


def content_at(session: Session, number: int) -> dict[str, str]:
    """All files' text of a number. Raises NotFound."""
    row = rows.numbered(session, number)
    if row is None:
        raise NotFound("no such description was ever in force", id=str(number))
    return rows.content_of(session, row)
