"""The papers there are, each read from the rows and drawn."""

from __future__ import annotations

from service.assembly import work_order_rows
from service.bench import acts as bench
from service.intake import order_rows as rows
from service.intake import orders, proofs
from service.loads import load as loads
from service.packing import scans
from service.packing.pick_ups import PickUps
from service.papers import labels, packing_lists
from service.papers import load_sheet as sheets
from service.papers import proof_sheets as papers
from service.papers.buyers_pictures import picture_pdf
from service.papers.voice import Voice
from service.records.errors import NotFound
from service.records.ids import JOB, UNIT, WORK_ORDER, number, public
from service.records.states import ENDED_UNITS, UnitState
from service.records.who import Who
from service.shop.tools import Tools
from service.stock import stock_rows


def load_sheet(tools: Tools, load_id: int, voice: Voice) -> bytes:
    """The sheet that goes with a load. Raises NotFound."""
    with tools.database.reading() as session:
        load = loads.find(session, load_id)
        shop = tools.catalogue.at(session, load.catalogue_version)
        layout = loads.layout_of(session, load, whole=True)
    return sheets.load_sheet(shop, layout, bench.load_now(tools, load_id), voice)


def unit_labels(tools: Tools, load_id: int, voice: Voice) -> bytes:
    """Labels for the units of a load. Raises NotFound."""
    with tools.database.reading() as session:
        load = loads.find(session, load_id)
        shop = tools.catalogue.at(session, load.catalogue_version)
        layout = loads.layout_of(session, load, whole=True)
    return papers.unit_labels(shop.products, layout, bench.load_now(tools, load_id), voice)


def bin_labels(tools: Tools, voice: Voice) -> bytes:
    """A label for every bin, in walking order."""
    with tools.database.reading() as session:
        bins = stock_rows.bins(session)
    return labels.bin_labels(bins, voice)


def built_unit_labels(tools: Tools, identity: str, voice: Voice) -> bytes:
    """Labels of a work order and of its units that may still go into a bin. Raises NotFound."""
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        order = work_order_rows.find(session, number(WORK_ORDER, identity))
        if order is None:
            raise NotFound("there is no such work order", id=identity)
        units = [
            (public(UNIT, unit.id), unit.number)
            for unit in work_order_rows.units(session, order.id)
            if UnitState(unit.state) not in ENDED_UNITS
        ]
        name = shop.products[order.sku].name if order.sku in shop.products else order.sku
    return labels.built_unit_labels(identity, name, units, voice)


def packing_list(tools: Tools, identity: str, voice: Voice) -> bytes:
    """What goes into an order's parcel. Raises NotFound."""
    shop_now = tools.catalogue.current
    with tools.database.reading() as session:
        order = scans.found(session, identity)
        units = order.units
        lines = []
        for line in order.lines:
            shop = tools.catalogue.at(session, line.catalogue_version)
            here = tuple(public(JOB, job.id) for job in units if job.line_id == line.id)
            marks = [loads.mark_value(mark) for mark in rows.marks(session, line.id, line.words_revision)]
            name = shop.products[line.sku].name if line.sku in shop.products else line.sku
            if here:
                lines.append(packing_lists.PackedLine(line.line_ref, name, here, tuple(marks)))
        return packing_lists.packing_list(
            packing_lists.Parcel(
                order=identity,
                order_ref=order.order_ref,
                buyer=order.buyer,
                gift_note=order.gift_note,
                is_erased=order.erased_at is not None,
                leaves_by=PickUps.of(shop_now, now=tools.clock()).last_before(order.ship_by),
                zone=shop_now.policy.time_zone,
                lines=tuple(lines),
                inserts=shop_now.policy.inserts,
            ),
            voice,
        )


def proof_sheet(
    tools: Tools, identity: str, *, line_ref: str | None, is_measured: bool, who: Who, voice: Voice
) -> bytes:
    """Every face of an order (or of one line) that has something approved to show: the buyer's picture, or
    the measured drawing. Raises NotFound."""
    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=who)
        shown = proofs.approved(tools, session, order, line_ref=line_ref)
    return papers.proof_sheet(shown, voice) if is_measured else picture_pdf(shown, voice)
