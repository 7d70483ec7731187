"""What a scan at assembly means: a unit's label, a bin's, a work order's, the barcode of a product.

A unit's label names that very unit, so that scanning it again changes nothing; a bin is said once for one
unit, or held open for many. Only a unit that passed goes into a bin.
"""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field
from sqlalchemy.orm import Session

from layout.shop.shop import Shop
from service.assembly import built_units, work_orders
from service.assembly import work_order_rows as rows
from service.assembly.work_order_answers import BuiltUnitAnswer, built_unit_answer
from service.records.errors import NotFound, WrongBox
from service.records.ids import BIN, UNIT, WORK_ORDER, number, public, shown
from service.records.states import UnitState
from service.records.who import By
from service.requests.answers import AnswerBody, OrLeftOut
from service.stock import counting

_NUMBERED = re.compile(rf"({UNIT}|{WORK_ORDER})\d{{1,18}}", re.ASCII)

What = Literal["inspect", "back", "passed", "stocked", "stocked_before", "bin", "work_order"]


class AssemblyScanAnswer(AnswerBody):
    """What a scan at assembly meant."""

    what: What = Field(
        description="`inspect`: a unit to be inspected; `back`: back from rework, to be inspected again;"
        " `passed`: it waits for a bin to be scanned; `stocked`: it stands in the bin and is counted there;"
        " `stocked_before`: it was, nothing was changed; `bin`: units that are scanned next go there;"
        " `work_order`: what is to be built, nothing was changed.",
        examples=["stocked"],
    )
    unit: OrLeftOut[BuiltUnitAnswer] = Field(default=None, description="The unit.")
    points: tuple[str, ...] = Field(
        description="What is to be looked at on the unit.", examples=[["Handle without gaps"]]
    )
    usual_bin: OrLeftOut[str] = Field(
        default=None, description="The bin that holds most of its product.", examples=["A-01"]
    )
    bin: OrLeftOut[str] = Field(default=None, description="The bin that was scanned.", examples=["A-01"])
    work_order: OrLeftOut[str] = Field(default=None, description="The work order.", examples=["W5"])


def scan(
    session: Session, typed: str, *, unit: str | None, bin_name: str | None, shop: Shop, by: By
) -> AssemblyScanAnswer:
    """Do what a scan asks for. `unit` is the one that the tablet has open, `bin_name` the bin.

    Raises WrongBox, NotFound for what is open and not there, MoveNotAllowed.
    """
    code = typed.strip()
    numbered = _NUMBERED.fullmatch(code.upper())
    kind = numbered[1] if numbered is not None else ""
    if kind == UNIT:
        return _unit(session, code.upper(), bin_name, shop=shop, by=by)
    if kind == WORK_ORDER:
        return _work_order(session, code.upper())
    if (product := shop.product_of(code)) is not None:
        order = rows.first_open(session, product.sku)
        if order is None:
            raise WrongBox(f"no work order asks for {product.name}", scanned=code)
        return _work_order(session, public(WORK_ORDER, order.id))
    if code.upper().startswith(BIN):
        return _bin(session, code, unit, shop=shop, by=by)
    if not code:
        raise WrongBox("nothing was read; scan again", scanned=code)
    raise WrongBox(f"{shown(code)} is no unit, bin or work order of assembly", scanned=code)


def said_of(
    session: Session, what: What, identity: str, *, shop: Shop, bin_name: str | None = None
) -> AssemblyScanAnswer:
    """An answer about a unit. Raises NotFound."""
    unit = rows.unit(session, number(UNIT, identity))
    order = None if unit is None else rows.find(session, unit.work_order_id)
    if unit is None or order is None:
        raise NotFound("there is no such unit", id=identity)
    return AssemblyScanAnswer(
        what=what,
        unit=built_unit_answer(unit, order.sku),
        points=built_units.points_of(shop, order.sku),
        usual_bin=rows.usual_bin(session, order.sku),
        bin=bin_name,
        work_order=public(WORK_ORDER, order.id),
    )


def _unit(session: Session, code: str, bin_name: str | None, *, shop: Shop, by: By) -> AssemblyScanAnswer:
    unit = rows.unit(session, number(UNIT, code))
    if unit is None:
        raise WrongBox(f"there is no unit {code}", scanned=code)
    what: What = "inspect"
    match UnitState(unit.state):
        case UnitState.GIVEN_UP | UnitState.CANCELLED as over:
            said = "given up" if over is UnitState.GIVEN_UP else "cancelled"
            raise WrongBox(f"{code} was {said}; put it aside", scanned=code, state=unit.state)
        case UnitState.REWORK:
            built_units.come_back(session, code, by=by)
            what = "back"
        case UnitState.STOCKED:
            what = "stocked_before"
        case UnitState.PASSED:
            what = "passed"
            if bin_name is not None:
                _, is_new = built_units.put_in(session, code, bin_name, by=by)
                what = "stocked" if is_new else "stocked_before"
        case _:
            if bin_name is not None:
                raise WrongBox(
                    f"{code} has not passed inspection; it does not go into a bin yet", scanned=code
                )
    return said_of(session, what, code, shop=shop, bin_name=bin_name)


def _bin(session: Session, code: str, unit: str | None, *, shop: Shop, by: By) -> AssemblyScanAnswer:
    known = counting.bin_of(session, code)
    if unit is None:
        return AssemblyScanAnswer(what="bin", points=(), bin=known)
    _, is_new = built_units.put_in(session, unit, known, by=by)
    return said_of(session, "stocked" if is_new else "stocked_before", unit, shop=shop, bin_name=known)


def _work_order(session: Session, code: str) -> AssemblyScanAnswer:
    order = work_orders.locked(session, number(WORK_ORDER, code))
    return AssemblyScanAnswer(what="work_order", points=(), work_order=public(WORK_ORDER, order.id))
