"""Words of an earlier order once more: the outlines that were frozen then, taken over as they are.

What was approved once is engraved alike the second time: a new check of the same words could set them by
another version of a font, or elsewhere. So nothing is set anew while the shop, as it is described now, can
still burn those outlines; the judge says whether it can.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from layout.check.feasibility import Checked, CheckResult
from layout.shop.findings import Verdict
from layout.shop.inscriptions import Inscription
from layout.shop.loads import Place
from service.intake import homeless, orders
from service.intake import order_rows as rows
from service.loads.load import mark_value
from service.loads.waiting_rows import Waiting
from service.records.errors import BadRequest, NotFound, WordsErased
from service.records.ids import ORDER, public
from service.records.tables import Job, Lot, Order, OrderLine
from service.records.who import Who
from service.requests.inscriptions import InscriptionIn
from service.requests.order_in import AsBefore, LineWanted, OrderWanted
from service.shop.stores import shop_for, still_offered
from service.shop.tools import Tools

_STORED: TypeAdapter[list[InscriptionIn]] = TypeAdapter(list[InscriptionIn])


@dataclass(frozen=True, slots=True)
class Frozen:
    """What is frozen of a line: its inscriptions, what was said of them, and a unit for the judge."""

    inscriptions: tuple[Inscription, ...]
    as_before: AsBefore
    unit: Waiting


def frozen(tools: Tools, session: Session, line: OrderLine, job: Job) -> Frozen:
    """What one unit of a line bears. Raises WordsErased, and BadRequest where the shop has no such product
    any more or nothing was accepted."""
    must_have_words(line.order)
    if line.verdict == Verdict.REFUSE.value:
        raise BadRequest(f"line {line.line_ref} was never accepted", field="line_ref")
    product = tools.catalogue.current.products.get(line.sku)
    if product is None:
        raise BadRequest(f"the shop has no product {line.sku} any more", field="sku")
    blade = product.blade if job.faces else ""
    marks = tuple(mark_value(mark) for mark in rows.marks(session, line.id, job.words_revision))
    inscriptions = tuple(on_their_own(line))
    measured = zip(inscriptions, line.checked, strict=False)
    result = CheckResult(
        Verdict(line.verdict),
        (),
        tuple(
            Checked(asked, found.get("face"), tuple(found.get("lines", ())), found.get("height_mm"))
            for asked, found in measured
        ),
        marks,
        frozenset(Place(*place) for place in line.eligible),
        worked_out_s=line.burn_seconds,
    )
    return Frozen(
        inscriptions,
        AsBefore(
            result,
            blade,
            tuple(job.faces),
            tuple(line.findings),
            tuple(line.checked),
            line.catalogue_version,
        ),
        Waiting(
            id=job.id,
            order_id=job.order_id,
            line_id=line.id,
            words_revision=job.words_revision,
            sku=job.sku,
            blade=blade,
            faces=tuple(job.faces),
            priority=job.priority,
            ship_by=job.ship_by,
            replaces=job.replaces,
        ),
    )


def must_have_words(order: Order) -> None:
    """Raises WordsErased."""
    if order.erased_at is not None:
        raise WordsErased(
            f"the words of order {order.order_ref} were erased: nothing of it can be engraved once more",
            order=public(ORDER, order.id),
        )


def on_their_own(line: OrderLine) -> list[Inscription]:
    """A line's inscriptions as they may stand in another order: those that were to be as tall as another
    line's are as tall as they became."""
    alone = []
    for stored, found in zip(line.inscriptions, line.checked, strict=False):
        asked: dict[str, Any] = dict(stored)
        if asked.pop("same_size_as", None) is not None and found.get("height_mm"):
            asked.pop("size", None)
            asked["height_mm"] = found["height_mm"]
        alone.append(asked)
    return [inscription.value() for inscription in _STORED.validate_python(alone)]


def of_lot(lot: Lot) -> list[Inscription]:
    """A lot's inscriptions, as they were asked for."""
    return [inscription.value() for inscription in _STORED.validate_python(lot.inscriptions)]


def looked_up(tools: Tools, wanted: OrderWanted, *, who: Who) -> OrderWanted:
    """An order whose lines that are the same as earlier ones say what these say.

    Raises NotFound for an order that is not there or another store's, BadRequest for another product, and as
    `frozen` does.
    """
    earlier: dict[str, Frozen] = {}
    if not any(line.same_as for line in wanted.lines):
        return wanted
    with tools.database.reading() as session:
        for line in wanted.lines:
            if line.same_as is not None:
                earlier[line.line_ref] = _earlier(tools, session, line, line.same_as, who=who)
    shop = tools.catalogue.current
    lost = {unit.job for unit in homeless.misfits(tools, shop, [one.unit for one in earlier.values()])}
    offered = shop_for(shop, who.sees_client)
    lost |= {
        one.unit.id for one in earlier.values() if not still_offered(offered, one.unit.sku, one.inscriptions)
    }
    return replace(wanted, lines=tuple(_filled(line, earlier, lost) for line in wanted.lines))


def _earlier(
    tools: Tools, session: Session, line: LineWanted, same_as: tuple[str, str], *, who: Who
) -> Frozen:
    identity, line_ref = same_as
    try:
        of_then = orders.line_of(orders.visible(session, identity, who=who), line_ref)
    except NotFound as missing:
        raise BadRequest(
            f"there is no order {identity} with a line {line_ref}", field="lines.same_as"
        ) from missing
    if of_then.sku != line.sku:
        raise BadRequest(
            f"line {line_ref} of {identity} is of another product: {of_then.sku}", field="lines.same_as"
        )
    job = next(job for job in reversed(of_then.jobs) if job.words_revision == of_then.words_revision)
    return frozen(tools, session, of_then, job)


def _filled(line: LineWanted, earlier: Mapping[str, Frozen], lost: set[int]) -> LineWanted:
    found = earlier.get(line.line_ref)
    if found is None:
        return line
    as_before = None if found.unit.id in lost else found.as_before
    return replace(line, inscriptions=found.inscriptions, as_before=as_before)
