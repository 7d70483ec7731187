"""Links by which a buyer sees a proof and answers: signed, for a few days, for the words as they are now.

A link names an order and the wording of each of its lines. Words that change make it void, as they make an
approval void; the shop may withdraw all links of an order. It reads and answers; it can do nothing else.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime, timedelta

from itsdangerous import BadData, URLSafeSerializer
from sqlalchemy.orm import Session

from service.intake import line_holds
from service.intake import order_rows as rows
from service.intake.line_holds import BUYER, CHANGE
from service.intake.orders import CHANGE_ASKED, approve
from service.intake.orders import wish as wish_for
from service.records.errors import BadRequest, MoveNotAllowed, NotFound, Refusal
from service.records.ids import ORDER, public
from service.records.moves import write_history
from service.records.outgoing import tell
from service.records.states import JobState
from service.records.tables import Order, OrderLine
from service.records.who import By, Role, Who

LASTS = timedelta(days=14)
LONGEST_WISH = 280
#: Of one order. Whoever wants more than that is better called.
MOST_WISHES = 10
_WITHDRAWN = "links_withdrawn"


class LinkOver(Refusal):
    """The link has expired, was withdrawn, or the words were changed after it was sent."""


@dataclass(frozen=True, slots=True)
class Opened:
    """An order as a link shows it."""

    order: Order
    until: datetime


def make(session: Session, order: Order, *, secret: bytes, now: datetime) -> tuple[str, datetime]:
    """A link's token, and when it expires."""
    until = (now + LASTS).replace(microsecond=0)
    signed = _signer(secret).dumps(
        [order.id, _words(order), int(until.timestamp()), rows.count_of(session, order.id, _WITHDRAWN)]
    )
    return str(signed), until


def withdraw(session: Session, order: Order, *, by: By) -> None:
    """Make every link of the order void that was made so far."""
    write_history(session, "order", order.id, _WITHDRAWN, by=by)


def open_link(session: Session, token: str, *, secret: bytes, now: datetime) -> Opened:
    """The order of a link. Raises NotFound for a link that the service never made, and LinkOver."""
    try:
        order_id, words, ends, withdrawals = _signer(secret).loads(token)
    except BadData:
        raise NotFound("there is no such proof") from None
    order = rows.find(session, order_id, client=None)
    if order is None:
        raise NotFound("there is no such proof")
    if ends <= now.timestamp():
        raise LinkOver("the time of this link is over; ask the shop for another")
    if withdrawals != rows.count_of(session, order.id, _WITHDRAWN):
        raise LinkOver("this link was withdrawn; ask the shop for another")
    if words != _words(order):
        raise LinkOver("the words were changed after this link was sent; ask the shop for another")
    return Opened(order, datetime.fromtimestamp(ends, tz=now.tzinfo))


def agree(session: Session, token: str, *, secret: bytes, now: datetime) -> None:
    """The buyer's yes to every line that waits for it. Raises MoveNotAllowed when none does, and what
    `open_link` raises."""
    order = _locked(session, token, secret=secret, now=now)
    waiting = [
        line.line_ref
        for line in order.lines
        if {BUYER, CHANGE} & set(line_holds.reasons(order, line)) and may_agree(line)
    ]
    if not waiting:
        raise MoveNotAllowed("nothing of this order waits for your yes")
    approve(session, order, waiting, approver="buyer", said_by="by proof link", by=By(_buyer(order), now))


def may_agree(line: OrderLine) -> bool:
    """Whether units of the line still wait for a yes; what is engraved needs none."""
    return any(JobState(job.state) is JobState.HELD for job in line.jobs)


def ask_for_change(session: Session, token: str, wish: str, *, secret: bytes, now: datetime) -> None:
    """Put the buyer's request for a change before the desk. Raises BadRequest, MoveNotAllowed."""
    wanted = " ".join(wish.split())
    if not wanted or len(wanted) > LONGEST_WISH:
        raise BadRequest(f"say what you would like changed, in up to {LONGEST_WISH} characters", field="wish")
    order = _locked(session, token, secret=secret, now=now)
    if rows.count_of(session, order.id, CHANGE_ASKED) >= MOST_WISHES:
        raise MoveNotAllowed("the shop has your wishes; call it for anything more")
    wish_for(session, order, wanted, by=By(_buyer(order), now))
    tell(
        session,
        "order.change_asked",
        client=order.client,
        now=now,
        order=public(ORDER, order.id),
        order_ref=order.order_ref,
    )


def _locked(session: Session, token: str, *, secret: bytes, now: datetime) -> Order:
    linked = open_link(session, token, secret=secret, now=now).order
    order = rows.lock(session, linked.id, client=None)
    if order is None:
        raise NotFound("there is no such proof")
    return order


def _buyer(order: Order) -> Who:
    return Who(role=Role.STORE, client=order.client, name="the buyer, by proof link")


def _words(order: Order) -> str:
    """A digest of which wording each line has."""
    revisions = json.dumps([[line.line_ref, line.words_revision] for line in order.lines])
    return hashlib.sha256(revisions.encode()).hexdigest()[:16]


def _signer(secret: bytes) -> URLSafeSerializer:
    """What it has not signed is never read."""
    return URLSafeSerializer(
        secret, salt="proof link", signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256}
    )
