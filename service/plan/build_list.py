"""What the assembly bench should build so that short jobs are filled: by product, how many, by when.

A unit is needed when its load must be seated at the latest for the order to leave in time: its ship-by time
less what burning takes (in one open stretch of a station) and seating takes, in the shop's hours, several
loads one after another. Ready units are taken to be burned before; see `layout.plan.build_by`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from layout.plan.build_by import latest_boxed
from layout.shop.shop import Shop
from service.plan import build_list_rows as rows
from service.plan import plan_rows as plans
from service.plan.backlog import backlog_of_some
from service.plan.build_list_answers import (
    BladesAnswer,
    BuildListAnswer,
    ForOrderAnswer,
    ToBuildAnswer,
)
from service.plan.plan_rows import Timed
from service.records.ids import JOB, ORDER, public
from service.requests.sheet_files import csv_text
from service.shop.tools import Tools

#: Blades handed over so lately are shown: nobody tells this service when they have become knives.
HANDED_OVER_DAYS = 14


def build_list(tools: Tools) -> BuildListAnswer:
    """The list as it is now."""
    shop, now = tools.catalogue.current, tools.clock()
    with tools.database.reading() as session:
        wanted = _unserved(plans.waiting_for_stock(session), rows.free_units(session))
        return BuildListAnswer(
            made_at=now,
            rows=tuple(_rows(session, shop, wanted, now=now)),
            blades=tuple(
                BladesAnswer(**asdict(blades))
                for blades in rows.blades_in_lots(session, since=now - timedelta(days=HANDED_OVER_DAYS))
            ),
        )


def _unserved(short: Sequence[Timed], free: dict[str, int]) -> list[Timed]:
    """Short jobs, most urgent first, without those that get a free unit at the next sweep."""
    left = []
    for unit in short:
        if free.get(unit.waiting.sku, 0) > 0:
            free[unit.waiting.sku] -= 1
        else:
            left.append(unit)
    return left


def _rows(session: Session, shop: Shop, wanted: Sequence[Timed], *, now: datetime) -> list[ToBuildAnswer]:
    engraved = [unit for unit in wanted if unit.faces]  # the others are only packed: by their ship-by time
    backlog, clock = backlog_of_some(session, shop, engraved, now=now)
    latest = latest_boxed(backlog)
    refs = rows.order_refs(session, {unit.waiting.order_id for unit in wanted})
    groups: dict[tuple[datetime, str], list[Timed]] = {}
    for unit in wanted:
        # What no station takes any more is needed at its ship-by time: the plan says what is wrong with it.
        seconds = latest.get(public(JOB, unit.waiting.id))
        needed = unit.waiting.ship_by if seconds is None else clock.moment(seconds // 60 * 60)
        groups.setdefault((needed, unit.waiting.sku), []).append(unit)
    made: list[ToBuildAnswer] = []
    so_far: dict[str, int] = {}
    for (needed, sku), units in sorted(groups.items(), key=lambda group: group[0]):
        so_far[sku] = so_far.get(sku, 0) + len(units)
        product = shop.products.get(sku)
        made.append(
            ToBuildAnswer(
                sku=sku,
                name=product.name if product else sku,
                needed_by=needed,
                is_late=needed < now,
                quantity=len(units),
                cumulative=so_far[sku],
                built_from=product.built_from if product else None,
                orders=_orders(units, refs),
            )
        )
    return made


def _orders(units: Sequence[Timed], refs: dict[int, str]) -> tuple[ForOrderAnswer, ...]:
    counts: dict[tuple[datetime, int], int] = {}
    for unit in units:
        key = (unit.waiting.ship_by, unit.waiting.order_id)
        counts[key] = counts.get(key, 0) + 1
    return tuple(
        ForOrderAnswer(order=public(ORDER, order_id), order_ref=refs[order_id], units=count, ship_by=ship_by)
        for (ship_by, order_id), count in sorted(counts.items())
    )


# --- as CSV ---

CSV_COLUMNS = (
    "needed_by",
    "late",
    "sku",
    "name",
    "quantity",
    "cumulative",
    "orders",
    "built_from",
    "blades_to_mark",
    "blades_marked",
    "blades_handed_over",
)


def build_list_csv(listed: BuildListAnswer) -> str:
    """A row for each product and time, for a spreadsheet program; no cell is run as a formula."""
    rows = []
    for row in listed.rows:
        blades = listed.blades_of(row.built_from)
        counts = (blades.waiting + blades.loaded, blades.marked, blades.handed_over) if blades else ("",) * 3
        orders = "; ".join(f"{order.order_ref} x{order.units}" for order in row.orders)
        late = "late" if row.is_late else ""
        rows.append(
            (
                row.needed_by.isoformat(),
                late,
                row.sku,
                row.name,
                row.quantity,
                row.cumulative,
                orders,
                row.built_from or "",
                *counts,
            )
        )
    return csv_text(CSV_COLUMNS, rows)
