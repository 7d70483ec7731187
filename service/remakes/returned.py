"""What becomes of a unit that another was made for."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.records.errors import BadRequest, MoveNotAllowed, NotFound
from service.records.ids import JOB, REMAKE, number, public
from service.records.moves import move_return
from service.records.states import ReturnState, StockChange
from service.records.tables import Remake
from service.records.who import By, Who
from service.remakes import remake_rows as rows
from service.remakes.remake_answers import RemakeAnswer, must_be_polished, remake_answer
from service.shop.tools import Tools
from service.stock import reservations as stock
from service.stock import stock_rows


def say_once(tools: Tools, identity: str, to: ReturnState, bin_name: str | None, *, who: Who) -> RemakeAnswer:
    """`say` in a transaction of its own, as both doors do it."""

    def work(session: Session) -> RemakeAnswer:
        said = say(session, identity, to, bin_name, by=tools.by(who))
        session.flush()
        return remake_answer(session, said.id, client=None)

    return tools.database.write(work)


def say(session: Session, identity: str, to: ReturnState, bin_name: str | None, *, by: By) -> Remake:
    """Say where the first unit went. Saying the same again changes nothing.

    Inspected and good, it is counted in a bin (the one that it came from, where none is named) and goes to a
    job that waits for one; never with a mark on it: an engraved unit is polished first.

    Raises NotFound, BadRequest, MoveNotAllowed.
    """
    remake = rows.lock(session, number(REMAKE, identity))
    if remake is None:
        raise NotFound("there is no such remake", id=identity)
    if to is not ReturnState.STOCKED and bin_name is not None:
        raise BadRequest("only a unit that goes back to stock has a bin", field="bin")
    if ReturnState(remake.state) is to and bin_name in {None, remake.bin}:
        return remake
    if to is ReturnState.STOCKED:
        _into_stock(session, remake, bin_name, by=by)
    else:
        move_return(session, remake, to, by=by)
    return remake


def _into_stock(session: Session, remake: Remake, bin_name: str | None, *, by: By) -> None:
    job = rows.first_unit(session, remake)
    if must_be_polished(remake, job):
        raise MoveNotAllowed(
            f"{public(JOB, job.id)} has its mark on it: it is polished first, or scrapped",
            job=public(JOB, job.id),
            state=remake.state,
        )
    into = bin_name or job.pulled_from
    if into is None or stock_rows.one_bin(session, into) is None:
        raise BadRequest(f"no bin named {into}" if into else "say into which bin it goes", field="bin")
    move_return(session, remake, ReturnState.STOCKED, by=by, why=f"into {into}", bin=into)
    stock.put_in(session, into, job.sku, StockChange.RETURNED, by=by, job_id=job.id)
    session.flush()
    stock.serve_short(session, job.sku, by=by)
