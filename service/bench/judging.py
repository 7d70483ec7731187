"""The judge's verdict on a load before its files leave: what he refuses, and which units are to blame."""

from dataclasses import dataclass, replace
from typing import NoReturn

import structlog
from sqlalchemy.orm import Session

from layout.shop.findings import Finding
from layout.shop.loads import LoadLayout
from layout.shop.shop import Shop
from service.bench.burns import Judged
from service.bench.verdicts import Refused, judged_findings, refused_units
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


def judge(tools: Tools, load_id: int) -> Judged:
    """The judge's findings on everything the load would still burn."""
    view = view_load(tools, load_id)
    findings = tools.geometry.work(judged_findings, without_fonts(view.shop), view.layout, view.burned)
    return Judged(load_id, view.load.fence, view.load.revision, findings)


def refused(tools: Tools, view: LoadView) -> Refused:
    """Which units of a refused load are to blame."""
    return tools.geometry.work(refused_units, without_fonts(view.shop), view.layout, view.burned)


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
