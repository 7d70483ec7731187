"""The judge's verdict on a load before its files leave: what he refuses, and which units are to blame."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import NoReturn

import structlog
from sqlalchemy.orm import Session

from layout.judge.load import verify
from layout.shop.findings import Finding
from layout.shop.loads import LoadLayout, SlotFill, Turn
from layout.shop.shop import Shop
from service.bench.building import build
from service.bench.burns import Judged
from service.loads import load as loads
from service.loads import load_rows as rows
from service.proving import test_cards
from service.records.errors import LoadRefused
from service.records.ids import LOAD, public
from service.records.tables import Load, TurnFile
from service.requests.check_answers import findings_answer
from service.shop.tools import Tools

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class LoadView:
    """A load as read: what its files are built from, and the revision they are good for."""

    load: Load
    shop: Shop
    layout: LoadLayout
    burned: frozenset[tuple[str, str]]
    files: tuple[TurnFile, ...]  # on record for this revision


@dataclass(frozen=True, slots=True)
class Refused:
    """Units that the judge refuses wherever they are alone, and those it refuses only beside the others.

    A unit is (job, None) or (None, slot of a lot's blade). `first` is the judge's first finding on each
    that is refused alone.
    """

    alone: frozenset[tuple[str | None, str | None]]
    together: frozenset[tuple[str | None, str | None]]
    first: Mapping[tuple[str | None, str | None], Finding] = field(default_factory=dict)


def judge(tools: Tools, load_id: int) -> Judged:
    """The judge's findings on everything the load would still burn."""
    view = view_load(tools, load_id)
    findings = tools.geometry.work(judged_findings, without_fonts(view.shop), view.layout, view.burned)
    return Judged(load_id, view.load.fence, view.load.revision, findings)


def refused(tools: Tools, view: LoadView) -> Refused:
    """Which units of a refused load are to blame."""
    return tools.geometry.work(refused_units, without_fonts(view.shop), view.layout, view.burned)


def judged_findings(
    shop: Shop, layout: LoadLayout, burned: frozenset[tuple[str, str]]
) -> tuple[Finding, ...]:
    """The judge's findings; a turn with nothing left in it is left out."""
    turns = tuple(turn for turn in layout.turns if turn.fills)
    return verify(shop, replace(layout, turns=turns), burned=burned)


def refused_units(shop: Shop, layout: LoadLayout, burned: frozenset[tuple[str, str]]) -> Refused:
    """Which units of a refused load are to blame; none when the mounting itself is refused."""
    if judged_findings(shop, replace(layout, turns=()), burned):
        return Refused(frozenset(), frozenset())
    units = list(dict.fromkeys(_unit(fill) for turn in layout.turns for fill in turn.fills))
    findings = {unit: _against(shop, _only(layout, {unit}), burned) for unit in units}
    alone = {unit: against[0] for unit, against in findings.items() if against}
    kept: set[tuple[str | None, str | None]] = set()
    for unit in units:
        if unit not in alone and not judged_findings(shop, _only(layout, kept | {unit}), burned):
            kept.add(unit)
    return Refused(frozenset(alone), frozenset(set(units) - set(alone) - kept), alone)


def _against(shop: Shop, layout: LoadLayout, burned: frozenset[tuple[str, str]]) -> tuple[Finding, ...]:
    """What the judge has against some units: against the load, and if nothing, against their files."""
    findings = judged_findings(shop, layout, burned)
    if findings:
        return findings
    preferred = shop.stations[layout.station].formats[0]
    turns = [turn.turn for turn in layout.turns if turn.fills]
    return tuple(finding for turn in turns for finding in build(shop, layout, turn, preferred).findings)


def _unit(fill: SlotFill) -> tuple[str | None, str | None]:
    return (fill.job, None) if fill.job is not None else (None, fill.slot)


def _only(layout: LoadLayout, units: Collection[tuple[str | None, str | None]]) -> LoadLayout:
    turns = tuple(
        Turn(turn.turn, tuple(fill for fill in turn.fills if _unit(fill) in units)) for turn in layout.turns
    )
    return replace(layout, turns=turns)


def without_fonts(shop: Shop) -> Shop:
    """The shop without the bytes of its fonts and artwork: frozen outlines need neither."""
    return replace(shop, fonts={}, artworks={})


def view_load(tools: Tools, load_id: int) -> LoadView:
    """A load as it is now. Raises NotFound."""
    with tools.database.reading() as session:
        return view_in(tools, session, loads.find(session, load_id))


def view_in(tools: Tools, session: Session, load: Load) -> LoadView:
    """A load as the transaction that has read it sees it; what is done with it outside needs no second
    look-up."""
    jobs = loads.jobs_of(session, load)
    return LoadView(
        load,
        test_cards.proven(session, tools.catalogue.at(session, load.catalogue_version)),
        loads.layout_of(session, load, jobs=jobs),
        loads.burned_already(session, load, jobs),
        tuple(rows.files(session, load.id, revision=load.revision)),
    )


def refuse_load(tools: Tools, view: LoadView) -> None:
    """Raises LoadRefused when the judge finds anything against the load."""
    findings = tools.geometry.work(judged_findings, without_fonts(view.shop), view.layout, view.burned)
    if findings:
        refuse_with(view, findings)


def refuse_with(view: LoadView, findings: tuple[Finding, ...]) -> NoReturn:
    """Raise LoadRefused with what the judge found."""
    codes = sorted({finding.code for finding in findings})
    log.warning("load_refused", load=public(LOAD, view.load.id), codes=codes)
    raise LoadRefused("this load may not be burned", findings=findings_answer(findings))
