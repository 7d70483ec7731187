"""What a change of the description would do to units that wait: each line's words checked under the old and
under the new one, its frozen marks judged where they may lie in the new one.

Lines are looked at some at a time, so that a long list is worked through behind the requests; what of the
shop a line has nothing to do with is not looked at again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import Field

from layout.check.feasibility import CheckResult
from layout.pictures.proof import face_svg
from layout.shop.findings import Severity, Verdict
from layout.shop.inscriptions import Inscription
from layout.shop.shop import Policy, Shop
from service.changes import waiting_lines_rows as rows
from service.intake import as_before, homeless
from service.intake import check as checks
from service.intake import order_rows as marks
from service.loads.load import mark_value
from service.loads.waiting_rows import Waiting, waiting_of
from service.records.errors import CheckTooSlow, NotFound
from service.records.ids import LOT, ORDER, number, public
from service.records.states import JobState
from service.records.tables import OrderLine
from service.requests.answers import AnswerBody
from service.shop import catalogue
from service.shop.geometry_workers import InForce
from service.shop.tools import Tools

#: So many lines are named of each sort; all are counted.
MOST_NAMED = 200
_LINES_A_STEP = 20
#: Policy that has nothing to say about whether words can be engraved.
_NO_MATTER: Mapping[str, Any] = {
    name: getattr(Policy(), name)
    for name in (
        "time_zone",
        "days_off",
        "shifts",
        "handling",
        "pickups",
        "shelves",
        "inserts",
        "shop_name",
        "assembly",
        "plan",
    )
}


class ChangedLine(AnswerBody):
    """A line of an order with units that wait, and what the change would do to it."""

    order: str = Field(description="The order.", examples=["O17"])
    order_ref: str = Field(description="Its store's own reference.", examples=["W-2041"])
    line_ref: str = Field(description="The store's own name of the line.", examples=["1"])
    sku: str = Field(description="The product.", examples=["AQ-PARER-OAK"])
    units: int = Field(description="Units of the line that wait.", examples=[2])
    loaded: int = Field(
        description="Of these, units in a load, which goes on under the description it was claimed under.",
        examples=[0],
    )
    was: str = Field(
        description="What a check of its words says now: `accept`, `review` or `refuse`.", examples=["accept"]
    )
    becomes: str = Field(description="What it would say.", examples=["refuse"])
    why: str = Field(
        description="Why, in words.", examples=["The text does not fit at the smallest size allowed there."]
    )


class ChangedLot(AnswerBody):
    """A lot of bare blades that wait for their mark, which would be judged differently."""

    lot: str = Field(description="The lot.", examples=["LOT3"])
    sku: str = Field(description="The product.", examples=["AQ-PARER-BARE"])
    blades: int = Field(description="Blades that wait.", examples=[40])
    becomes: str = Field(description="What a check of its mark would say.", examples=["refuse"])
    why: str = Field(
        description="Why, in words.", examples=["The mark does not fit at the smallest size allowed there."]
    )


class WhatChanges(AnswerBody):
    """What a change would do to units that wait, as far as it was looked at."""

    lines: int = Field(description="Lines with units that wait.", examples=[84])
    looked_at: int = Field(description="Lines that were looked at so far.", examples=[84])
    is_whole: bool = Field(description="Whether all were.", examples=[True])
    lost_units: int = Field(
        description="Accepted units that could not be engraved any more: they would be held.", examples=[2]
    )
    lost: tuple[ChangedLine, ...] = Field(description="Their lines, 200 at the most.")
    differently_units: int = Field(
        description="Units whose words would be judged differently, and that can still be engraved.",
        examples=[5],
    )
    differently: tuple[ChangedLine, ...] = Field(description="Their lines, 200 at the most.")
    unknown: int = Field(description="Lines and lots that took too long to be judged.", examples=[0])
    lots: tuple[ChangedLot, ...] = Field(
        default=(),
        description="Lots whose mark would not be accepted any more; looked at once all lines were.",
    )
    after: int = Field(default=0, exclude=True)


NOTHING_LOOKED_AT = WhatChanges(
    lines=0,
    looked_at=0,
    is_whole=False,
    lost_units=0,
    lost=(),
    differently_units=0,
    differently=(),
    unknown=0,
)


@dataclass(frozen=True, slots=True)
class New:
    """A description that may come in force, judged: the shop, and where workers read it."""

    shop: Shop
    source: Path


def tried(tools: Tools, content: Mapping[str, str]) -> New:
    """A description to be tried. Raises CatalogueError. It is parsed once, however often it is asked for."""
    return _tried(tools.settings.kept_shops / "tried", catalogue.text_digest_of(content), _Content(content))


class _Content:
    """All files' texts, handed past the cache: the digest beside it says which they are."""

    def __init__(self, files: Mapping[str, str]) -> None:
        self.files = files

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Content)

    def __hash__(self) -> int:
        return 0


@lru_cache(maxsize=4)
def _tried(folder: Path, text: str, content: _Content) -> New:
    shop = catalogue.parse(content.files)
    return New(shop, catalogue.keep(content.files, folder / f"{text}.json", forget_others=True))


def look_on(tools: Tools, new: New, so_far: WhatChanges = NOTHING_LOOKED_AT) -> WhatChanges:
    """Look at some more lines. Beginning from nothing, it ends when `is_whole`."""
    with tools.database.reading() as session:
        of = rows.count(session)
        lines = rows.next_lines(session, after=so_far.after, limit=_LINES_A_STEP)
        seen = [_seen(line) for line in lines if line.order.erased_at is None]
        in_force = checks.in_force(session)
    old = tools.catalogue.current
    concerned = [line for line in seen if _concerns(old, new.shop, line.sku, line.inscriptions)]
    lost = _lost(tools, new.shop, concerned)
    judged = [_judged(tools, new, line, in_force, lost.get(line.number, "")) for line in concerned]
    found = [line for line in judged if line is not None]
    gone = [one for line, one in zip(concerned, judged, strict=True) if one and line.number in lost]
    other = [
        one
        for line, one in zip(concerned, judged, strict=True)
        if one and line.number not in lost and one.was != one.becomes
    ]
    lots, unknown_lots = _lots(tools, new, in_force) if len(lines) < _LINES_A_STEP else ((), 0)
    return WhatChanges(
        lines=max(of, so_far.looked_at + len(lines)),
        looked_at=so_far.looked_at + len(lines),
        is_whole=len(lines) < _LINES_A_STEP,
        lost_units=so_far.lost_units + sum(one.units for one in gone),
        lost=(*so_far.lost, *gone)[:MOST_NAMED],
        differently_units=so_far.differently_units + sum(one.units for one in other),
        differently=(*so_far.differently, *other)[:MOST_NAMED],
        unknown=so_far.unknown + len(judged) - len(found) + unknown_lots,
        lots=lots,
        after=lines[-1].id if lines else so_far.after,
    )


def picture(tools: Tools, content: Mapping[str, str], identity: str, line_ref: str) -> str:
    """The approved marks of a line on its blade as it would be, as SVG; as it is now where the change leaves
    no such face. Raises NotFound."""
    new = tried(tools, content)
    with tools.database.reading() as session:
        line = rows.line_of(session, number(ORDER, identity), line_ref)
        if line is None or line.order.erased_at is not None:
            raise NotFound("there is nothing approved to show here", id=identity)
        shown = [mark_value(mark) for mark in marks.marks(session, line.id, line.words_revision)]
    for shop in (new.shop, tools.catalogue.current):
        for face in dict.fromkeys(mark.face for mark in shown):
            with suppress(KeyError):
                return face_svg(shop, line.sku, face, [mark for mark in shown if mark.face == face])
    raise NotFound("there is nothing approved to show here", id=identity)


@dataclass(frozen=True, slots=True)
class _Line:
    """What is looked at of a line, read in one go."""

    number: int
    order: str
    order_ref: str
    line_ref: str
    sku: str
    inscriptions: tuple[Inscription, ...]
    units: tuple[Waiting, ...]
    is_accepted: bool
    loaded: int
    verdict: str


def _seen(line: OrderLine) -> _Line:
    waiting = [job for job in line.jobs if JobState(job.state) in rows.WAITING]
    return _Line(
        line.id,
        public(ORDER, line.order_id),
        line.order.order_ref,
        line.line_ref,
        line.sku,
        tuple(as_before.on_their_own(line)),
        tuple(waiting_of(job) for job in waiting),
        line.verdict != "refuse",
        sum(job.state == JobState.LOADED.value for job in waiting),
        line.verdict,
    )


def _lots(tools: Tools, new: New, in_force: InForce) -> tuple[tuple[ChangedLot, ...], int]:
    """Lots with blades that wait whose mark would not be accepted, as it was when they were opened; and how
    many took too long."""
    with tools.database.reading() as session:
        waiting = [(lot.id, lot.waiting, lot.sku, tuple(as_before.of_lot(lot))) for lot in rows.lots(session)]
    changed, unknown = [], 0
    for identity, blades, sku, inscriptions in waiting:
        if not _concerns(tools.catalogue.current, new.shop, sku, inscriptions):
            continue
        try:
            result = tools.geometry.of(new.source).check(sku, inscriptions, in_force=in_force)
        except CheckTooSlow:
            unknown += 1
            continue
        if result.verdict is not Verdict.ACCEPT:
            changed.append(
                ChangedLot(
                    lot=public(LOT, identity),
                    sku=sku,
                    blades=blades,
                    becomes=result.verdict.value,
                    why=_why(result),
                )
            )
    return tuple(changed[:MOST_NAMED]), unknown


def _concerns(old: Shop, new: Shop, sku: str, inscriptions: Sequence[Inscription]) -> bool:
    """Whether anything that can matter to these marks on a product is another in the new description."""
    then, now = (_of(shop, sku, inscriptions) for shop in (old, new))
    return any(one != other for one, other in zip(then, now, strict=True))


def _of(shop: Shop, sku: str, inscriptions: Sequence[Inscription]) -> Iterator[object]:
    product = shop.products.get(sku)
    yield product
    yield shop.blades.get(product.blade) if product is not None else None
    yield shop.plates
    yield shop.stations
    yield shop.processes
    yield replace(shop.policy, **_NO_MATTER)
    yield [shop.fonts.get(str(getattr(one, "font", ""))) for one in inscriptions]
    yield [shop.artworks.get(str(getattr(one, "artwork", ""))) for one in inscriptions]
    yield [shop.artworks.get(str(getattr(one, "frame", ""))) for one in inscriptions]


def _lost(tools: Tools, shop: Shop, lines: Sequence[_Line]) -> dict[int, str]:
    """By line, why units of it that were accepted fit nowhere any more."""
    units = {unit.id: line.number for line in lines if line.is_accepted for unit in line.units}
    waiting = [unit for line in lines if line.is_accepted for unit in line.units]
    lost: dict[int, str] = {}
    for misfit in homeless.misfits(tools, shop, waiting):
        lost.setdefault(units[misfit.job], misfit.why)
    return lost


def _judged(tools: Tools, new: New, line: _Line, in_force: InForce, lost: str) -> ChangedLine | None:
    """The line, judged under both descriptions; None where that took too long."""
    try:
        was = tools.geometry.check(line.sku, line.inscriptions, in_force=in_force)
        becomes = tools.geometry.of(new.source).check(line.sku, line.inscriptions, in_force=in_force)
    except CheckTooSlow:
        return None
    return ChangedLine(
        order=line.order,
        order_ref=line.order_ref,
        line_ref=line.line_ref,
        sku=line.sku,
        units=len(line.units),
        loaded=line.loaded,
        was=was.verdict.value,
        becomes=becomes.verdict.value,
        why=lost or _why(becomes),
    )


def _why(result: CheckResult) -> str:
    """The first thing that a check has against the words; empty where it has nothing."""
    against = [finding for finding in result.findings if finding.severity is not Severity.NOTE]
    first = next((finding for finding in against if finding.severity is Severity.REFUSE), None)
    return (first or against[0]).message if against else ""
