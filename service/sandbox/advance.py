"""An order of the sandbox moved on, as far as it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from enum import StrEnum
from itertools import pairwise
from types import MappingProxyType
from typing import Literal

from sqlalchemy.orm import Session

from service.bench import inspection
from service.intake import line_holds, orders
from service.intake.line_holds import BUYER, CHANGE, FINDINGS, LATE, REVIEW
from service.plan import promises
from service.records.announcements import tell_order, tell_unit
from service.records.errors import MoveNotAllowed, NotFound
from service.records.moves import move_job, write_history
from service.records.states import JobState, OrderState, StockChange
from service.records.tables import Job, Order
from service.records.who import By, Who
from service.shop.tools import Tools
from service.stock import holds
from service.stock import reservations as stock

J = JobState


class To(StrEnum):
    """Where an order can be moved: along its way, aside from it, or to another promise."""

    READY = "ready"
    LOADED = "loaded"
    ENGRAVED = "engraved"
    PASSED = "passed"
    RELEASED = "released"
    HANDED_OVER = "handed_over"
    SHORT = "short"
    DOUBTFUL = "doubtful"
    SCRAPPED = "scrapped"
    PROMISED = "promised"


_NEXT = MappingProxyType(
    {
        OrderState.HELD: To.READY,
        OrderState.SHORT: To.READY,
        OrderState.READY: To.LOADED,
        OrderState.LOADED: To.ENGRAVED,
        OrderState.DOUBTFUL: To.ENGRAVED,
        OrderState.ENGRAVED: To.PASSED,
        OrderState.PASSED: To.RELEASED,
        OrderState.RELEASED: To.HANDED_OVER,
    }
)
_ALONG = (J.READY, J.LOADED, J.ENGRAVED, J.PASSED, J.RELEASED)
_BEFORE = dict(pairwise(reversed(_ALONG)))
#: Who says yes, and to what of that for which a line waits.
_SAY_YES: tuple[tuple[Literal["buyer", "desk"], frozenset[str]], ...] = (
    ("buyer", frozenset({CHANGE, BUYER})),
    ("desk", frozenset({REVIEW, LATE})),
)


def advance(session: Session, tools: Tools, identity: str, to: To | None, *, who: Who) -> Order:
    """Move an order to a state, through all that lie between; without `to`, to its next. Asked for the state
    that it is in, it stays.

    Raises NotFound outside the sandbox and for another store's order, MoveNotAllowed where it can't get
    there.
    """
    if not tools.is_sandbox:
        raise NotFound("no such order in the sandbox, which a test key leads to", id=identity)
    order, by = orders.changeable(session, identity, "*", who=who), tools.by(who)
    wanted = to or _NEXT.get(order.state)
    if wanted is None or (order.handed_over_at is not None and wanted is not To.HANDED_OVER):
        raise MoveNotAllowed(f"{identity} is {order.state.value}; it goes no further", order=identity)
    aside = _ASIDE.get(wanted)
    if aside is not None:
        aside(session, order, by)
    else:
        _along(session, order, J.RELEASED if wanted is To.HANDED_OVER else J(wanted.value), by=by)
        if wanted is To.HANDED_OVER:
            _hand_over(session, order, by=by)
    session.flush()
    return order


# --- along its way ---


def _along(session: Session, order: Order, goal: JobState, *, by: By) -> None:
    _let_go_on(session, order, by=by)
    if not order.units:
        raise MoveNotAllowed("nothing is left of the order")
    was_released = order.state is OrderState.RELEASED
    for state in _ALONG[: _ALONG.index(goal) + 1]:
        for job in order.units:
            _step(session, job, state, by=by)
    if order.state is OrderState.RELEASED and not was_released:
        tell_order(session, "order.released", order, now=by.at)


def _let_go_on(session: Session, order: Order, *, by: By) -> None:
    """What the buyer and the desk would say yes to. Raises MoveNotAllowed where only other words help."""
    for line in order.lines:
        if not line.units:
            continue
        if FINDINGS in line_holds.reasons(order, line):
            raise MoveNotAllowed(
                f"line {line.line_ref} can't be engraved; amend or cancel it", line_ref=line.line_ref
            )
        for approver, ends in _SAY_YES:
            if ends.intersection(line_holds.reasons(order, line)):
                orders.approve(
                    session, order, [line.line_ref], approver=approver, said_by="the sandbox", by=by
                )
    for job in order.units:
        if J(job.state) is J.SHORT and stock.reserve(session, job):
            move_job(session, job, J.READY, by=by, why="a unit is boxed")


def _step(session: Session, job: Job, to: JobState, *, by: By) -> None:
    """The step of a unit to a state, where that is its next. A plain unit has only one: from its bin."""
    state = J(job.state)
    before = J.READY if job.is_plain and to is J.RELEASED else _BEFORE.get(to)
    is_plain_at_the_bench = job.is_plain and to is J.LOADED
    if (state is not before and not (state is J.DOUBTFUL and to is J.ENGRAVED)) or is_plain_at_the_bench:
        return
    if state is J.READY:
        stock.take_out(session, [job], by=by)
    if to is J.ENGRAVED:
        job.faces_done = list(job.faces)
    if to is J.RELEASED:
        job.unit_in_hand = False
    move_job(session, job, to, by=by)
    if to is J.ENGRAVED:
        tell_unit(session, "job.engraved", job, now=by.at)


def _hand_over(session: Session, order: Order, *, by: By) -> None:
    if order.handed_over_at is not None:
        return
    for job in order.units:
        job.gathered_at = by.at
    order.handed_over_at, order.handed_over_by = by.at, by.who.name[:100]
    order.version += 1
    write_history(session, "order", order.id, "handed_over", by=by)
    tell_order(session, "order.handed_over", order, now=by.at)


# --- aside ---


def _first(order: Order, *states: JobState) -> Job:
    """The first unit that is in one of the states. Raises MoveNotAllowed."""
    found = next((job for job in order.units if J(job.state) in states), None)
    if found is None:
        named = " or ".join(state.value for state in states)
        raise MoveNotAllowed(f"no unit of the order is {named}")
    return found


def _short(session: Session, order: Order, by: By) -> None:
    job = _first(order, J.READY)
    stock.write_off(session, job, StockChange.MISSING, by=by)
    holds.go_short(session, job, "missing", by=by, why="missing in its bin")


def _doubtful(session: Session, order: Order, by: By) -> None:
    move_job(session, _first(order, J.LOADED), J.DOUBTFUL, by=by, why="the burn was interrupted")


def _scrapped(session: Session, order: Order, by: By) -> None:
    job = _first(order, J.LOADED, J.ENGRAVED, J.PASSED, J.DOUBTFUL)
    job.unit_in_hand = False
    move_job(session, job, J.SCRAPPED, by=by, why="spoiled")
    inspection.replace(session, job, by=by)
    session.refresh(job.line, ["jobs"])


def _promised(session: Session, order: Order, by: By) -> None:
    """A promise, a day before the order must leave; asked for again, a day later each time, which is told."""
    promises.promise_by_hand(session, order, first=order.ship_by - timedelta(days=1), now=by.at)


_ASIDE: MappingProxyType[To, Callable[[Session, Order, By], None]] = MappingProxyType(
    {To.SHORT: _short, To.DOUBTFUL: _doubtful, To.SCRAPPED: _scrapped, To.PROMISED: _promised}
)
