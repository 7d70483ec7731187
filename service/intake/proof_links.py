"""Links by which a buyer sees a proof and answers: signed, for a few days, for the words as they are now.

A link names an order and the wording of each of its lines. Words that change make it void, as they make an
approval void; the shop may withdraw all links of an order. It reads and answers, and asks for a few changes;
it can do nothing else.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from itsdangerous import BadData, URLSafeSerializer
from sqlalchemy.orm import Session

from service.intake import line_holds
from service.intake import order_rows as rows
from service.intake.line_holds import BUYER, CHANGE, DIFFERS
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
#: By one link. Whoever wants more than that is better called.
MOST_WISHES = 3
#: The longest answer to one.
LONGEST_ANSWER = 280
_MADE, _WITHDRAWN, _ANSWERED, _AMENDED = "link_made", "links_withdrawn", "change_answered", "amended"


class LinkOver(Refusal):
    """The link has expired, was withdrawn, or the words were changed after it was sent."""


@dataclass(frozen=True, slots=True)
class Opened:
    """An order as a link shows it; `wishes_left`: how many more changes may be asked for by it."""

    order: Order
    until: datetime
    wishes_left: int = MOST_WISHES


@dataclass(frozen=True, slots=True)
class Asked:
    """A change that the buyer asked for, and what came of it: the shop's own words (empty: none so far), and
    whether the words on the unit were changed since."""

    wish: str
    at: datetime
    answer: str = ""
    is_changed: bool = False


def make(session: Session, order: Order, *, secret: bytes, by: By) -> tuple[str, datetime]:
    """A link's token, and when it expires."""
    until = (by.at + LASTS).replace(microsecond=0)
    wishes, withdrawals = (rows.count_of(session, order.id, what) for what in (CHANGE_ASKED, _WITHDRAWN))
    signed = _signer(secret).dumps([order.id, _words(order), int(until.timestamp()), withdrawals, wishes])
    write_history(session, "order", order.id, _MADE, by=by)
    return str(signed), until


def is_out(session: Session, order: Order) -> bool:
    """Whether a link was made that was not withdrawn since."""
    moves = [move.move_to for move in rows.history(session, "order", order.id)]
    return _MADE in moves and _WITHDRAWN not in moves[len(moves) - moves[::-1].index(_MADE) :]


def asked_for(session: Session, order: Order) -> list[Asked]:
    """The changes that the buyer asked for, oldest first, each with its answer."""
    asked: list[Asked] = []
    for move in rows.history(session, "order", order.id):
        if move.move_to == CHANGE_ASKED:
            asked.append(Asked(move.why, move.at))
        elif move.move_to == _AMENDED:
            asked = [replace(one, is_changed=True) for one in asked]
        elif move.move_to == _ANSWERED and asked:
            asked[-1] = replace(asked[-1], answer=move.why)
    return asked


def answer_change(session: Session, order: Order, answer: str, *, by: By) -> None:
    """The shop's words to the change that was asked for last, for the buyer to read. What the order waits for
    stays: other words end it, or the buyer's yes. Raises BadRequest, MoveNotAllowed."""
    said = " ".join(answer.split())
    if not said or len(said) > LONGEST_ANSWER:
        raise BadRequest(f"say something, in up to {LONGEST_ANSWER} characters", field="answer")
    if not rows.count_of(session, order.id, CHANGE_ASKED):
        raise MoveNotAllowed("the buyer has asked for no change")
    write_history(session, "order", order.id, _ANSWERED, by=by, why=said)


def withdraw(session: Session, order: Order, *, by: By) -> None:
    """Make every link of the order void that was made so far."""
    write_history(session, "order", order.id, _WITHDRAWN, by=by)


def open_link(session: Session, token: str, *, secret: bytes, now: datetime) -> Opened:
    """The order of a link. Raises NotFound for a link that the service never made, and LinkOver."""
    try:
        # Links that were made before wishes were counted by link have four parts.
        order_id, words, ends, withdrawals, *before = _signer(secret).loads(token)
    except BadData:
        raise NotFound("there is no such proof") from None
    order = rows.find(session, order_id, client=None)
    if order is None:
        raise NotFound("there is no such proof")
    if ends <= now.timestamp():
        raise LinkOver("this link has run out; please ask us for another")
    if withdrawals != rows.count_of(session, order.id, _WITHDRAWN):
        raise LinkOver("this link was withdrawn; please ask us for another")
    if words != _words(order):
        raise LinkOver("the words were changed after this link was sent; please ask us for another")
    wishes = rows.count_of(session, order.id, CHANGE_ASKED) - sum(before)
    return Opened(order, datetime.fromtimestamp(ends, tz=now.tzinfo), max(0, MOST_WISHES - wishes))


def agree(session: Session, token: str, *, secret: bytes, now: datetime) -> None:
    """The buyer's yes to every line that waits for it. Raises MoveNotAllowed when none does, and what
    `open_link` raises."""
    order = _locked(session, token, secret=secret, now=now)
    waiting = [
        line.line_ref
        for line in order.lines
        if {BUYER, CHANGE, DIFFERS} & set(line_holds.reasons(order, line)) and may_agree(line)
    ]
    if not waiting:
        raise MoveNotAllowed("nothing in this order needs your approval")
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
    if not open_link(session, token, secret=secret, now=now).wishes_left:
        raise MoveNotAllowed("we have your requests; please call us for anything more")
    wish_for(session, order, wanted, by=By(_buyer(order), now))
    tell(
        session,
        "order.change_requested",
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
