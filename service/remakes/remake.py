"""Make a released unit once more: from the outlines that were approved, or with other words.

The outlines are taken over as they were frozen. Before that the judge looks whether the shop, as it is
described now, still burns them well at one of their places; where it doesn't, the new unit is held with that
reason and nothing is changed in silence. Other words are checked like any, and are shown to the buyer first
where the order asked for that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.inscriptions import Inscription
from service.bench import inspection
from service.intake import as_before, homeless, order_rows, orders
from service.intake import check as checks
from service.intake.as_before import Frozen
from service.intake.homeless import Misfit
from service.intake.take_order import check_lines
from service.intake.taking import take
from service.records import new_rows
from service.records.announcements import tell_unit
from service.records.errors import BadRequest, MoveNotAllowed, NotFound, RemadeAlready
from service.records.ids import JOB, ORDER, REMAKE, number, public
from service.records.moves import move_job, write_history
from service.records.states import JobState, ReturnState
from service.records.tables import Job, Order, OrderLine, Remake
from service.records.who import By, Who
from service.remakes import remake_rows as rows
from service.remakes.remake_answers import remake_answer
from service.remakes.remake_in import RemakeIn
from service.requests.idempotency import Answer, answer_once, created, fingerprint_of, key_of
from service.requests.order_in import LineWanted, Notes, OrderWanted
from service.shop.tools import Tools
from service.stock import holds
from service.stock import reservations as stock


@dataclass(frozen=True, slots=True)
class _Prepared:
    """Worked out outside the transaction: what the unit bears, whether the shop still takes that, and the
    check of other words."""

    job: int
    first: Frozen
    lost: Misfit | None
    check: CheckResult | None


def remake(tools: Tools, identity: str, wanted: RemakeIn, header: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/orders/{id}/remakes` once per key.

    Raises NotFound, WordsErased, MoveNotAllowed for a unit that is not released, RemadeAlready, BadRequest,
    OrderRefTaken, and what a check raises.
    """

    def prepare() -> _Prepared:
        tools.rates.order(who.client, 1)
        return _prepared(tools, identity, wanted, who=who)

    def work(session: Session, prepared: _Prepared) -> Answer:
        made = _remake(tools, session, identity, wanted, prepared, by=tools.by(who))
        session.flush()
        answer = remake_answer(session, made.id, client=who.sees_client)
        return created(answer, {"Location": f"/v1/remakes/{answer.id}"})

    return answer_once(
        tools.database,
        tools.clock,
        client=who.client,
        route=route_of(identity),
        key=key_of(header),
        fingerprint=fingerprint_of(wanted.model_dump(mode="json")),
        prepare=prepare,
        work=work,
    )


def route_of(identity: str) -> str:
    """Under which name answers about an order's remakes are kept."""
    return f"POST /v1/orders/{identity}/remakes"


def _prepared(tools: Tools, identity: str, wanted: RemakeIn, *, who: Who) -> _Prepared:
    with tools.database.reading() as session:
        order = orders.visible(session, identity, who=who)
        line = orders.line_of(order, wanted.line_ref)
        job = _released(session, line, wanted.unit)
        first = as_before.frozen(tools, session, line, job)
        job_id, line_wanted = job.id, _line_wanted(line, _words(wanted))
        asked = _order_wanted(order, line_wanted, order_ref="", ship_by=order.ship_by)
    if wanted.inscriptions is not None:
        (check,) = check_lines(tools, asked, checks.in_force_now(tools), who=who)
        return _Prepared(job_id, first, None, check)
    lost = homeless.misfits(tools, tools.catalogue.current, [first.unit])
    return _Prepared(job_id, first, lost[0] if lost else None, None)


def _remake(
    tools: Tools, session: Session, identity: str, wanted: RemakeIn, prepared: _Prepared, *, by: By
) -> Remake:
    order = order_rows.lock(session, number(ORDER, identity), client=by.who.sees_client)
    if order is None:
        raise NotFound("there is no such order", id=identity)
    line = orders.line_of(order, wanted.line_ref)
    job = _released(session, line, wanted.unit)
    if job.id != prepared.job:
        raise MoveNotAllowed("the unit has changed meanwhile; ask again", job=public(JOB, job.id))
    as_before.must_have_words(order)
    attempt = len(rows.of_unit(session, job.id)) + 1
    if order.handed_over_at is None:
        made = _in_its_order(tools, session, order, job, wanted, prepared, by=by)
    else:
        made = _in_a_new_order(tools, session, order, job, wanted, prepared, by=by)
    remake = Remake(
        order_id=order.id,
        job_id=job.id,
        attempt=attempt,
        replacement_id=made.id,
        reason=wanted.reason,
        note=" ".join(wanted.note.split()),
        pays=wanted.pays,
        is_reworded=wanted.inscriptions is not None,
        created_at=by.at,
        state=ReturnState.AWAITED.value,
    )
    session.add(remake)
    order.version += 1
    session.flush()
    named = f"{public(JOB, job.id)} → {public(JOB, made.id)}"
    write_history(session, "remake", remake.id, remake.state, by=by, why=wanted.reason)
    write_history(session, "order", order.id, "remade", by=by, why=named)
    tell_unit(
        session,
        "order.remade",
        job,
        now=by.at,
        remake=public(REMAKE, remake.id),
        replacement=public(JOB, made.id),
        replacement_order=public(ORDER, made.order_id),
        replacement_order_ref=made.line.order.order_ref,
    )
    return remake


def _released(session: Session, line: OrderLine, unit: int) -> Job:
    """The unit of a line, as it was released last and was not made again since. Raises NotFound,
    MoveNotAllowed, RemadeAlready."""
    takes = [job for job in line.jobs if job.unit == unit]
    if not takes:
        raise NotFound(f"line {line.line_ref} has no unit {unit}", line_ref=line.line_ref, unit=unit)
    job = max(takes, key=lambda one: one.take)
    for before in takes:
        for remake, made in rows.of_unit(session, before.id):
            # One made in its own order, and released since, is a unit like any other.
            if rows.is_made(session, made) and (made.line_id != line.id or job.state != JobState.RELEASED):
                raise RemadeAlready(
                    f"{public(JOB, made.id)} is made for {public(JOB, before.id)} already",
                    remake=public(REMAKE, remake.id),
                    order=public(ORDER, made.order_id),
                )
    if JobState(job.state) is not JobState.RELEASED:
        raise MoveNotAllowed(
            f"{public(JOB, job.id)} is {job.state}; only a released unit is made again",
            job=public(JOB, job.id),
            state=job.state,
        )
    return job


def _in_its_order(
    tools: Tools,
    session: Session,
    order: Order,
    job: Job,
    wanted: RemakeIn,
    prepared: _Prepared,
    *,
    by: By,
) -> Job:
    """The unit has not left: it is scrapped at packing, and its order waits for another."""
    move_job(session, job, JobState.SCRAPPED, by=by, why=wanted.reason, gathered_at=None)
    made = inspection.replace(session, job, by=by)
    if prepared.check is not None:
        orders.amend(
            session,
            order,
            wanted.line_ref,
            _words(wanted),
            prepared.check,
            shop=tools.catalogue.current,
            by=by,
        )
    elif prepared.lost is not None:
        stock.unreserve(session, made)
        holds.hold(session, made, prepared.lost.reason, by=by, why=_why(prepared.lost, made))
    return made


def _in_a_new_order(
    tools: Tools,
    session: Session,
    order: Order,
    job: Job,
    wanted: RemakeIn,
    prepared: _Prepared,
    *,
    by: By,
) -> Job:
    """The unit has left: what is made for it is an order of its own."""
    if wanted.ship_by is None:
        raise BadRequest("say by when the new unit must be handed over", field="ship_by")
    if prepared.check is not None:
        line = _line_wanted(job.line, _words(wanted))
        check = prepared.check
    else:
        lost = prepared.lost
        before = replace(
            prepared.first.as_before, is_settled=True, held_why=(lost.reason, lost.why) if lost else None
        )
        line = replace(_line_wanted(job.line, prepared.first.inscriptions), as_before=before)
        check = before.result
    ref = wanted.order_ref or rows.free_ref(session, order.client, order.order_ref)
    asked = _order_wanted(order, line, order_ref=ref, ship_by=wanted.ship_by)
    shop = tools.catalogue.current
    taken = take(session, asked, [check], [None], shop=shop, by=by, client=order.client)
    new_rows.put_all(session, taken.rows)
    new = order_rows.find(session, taken.order.id, client=None)
    assert new is not None, "it was written a moment ago"
    (made,) = new.lines[0].jobs
    made.replaces, made.priority = job.id, inspection.REPLACEMENT_PRIORITY
    session.flush()
    return made


def _words(wanted: RemakeIn) -> tuple[Inscription, ...]:
    return tuple(inscription.value() for inscription in wanted.inscriptions or ())


def _line_wanted(line: OrderLine, inscriptions: tuple[Inscription, ...]) -> LineWanted:
    return LineWanted(line.line_ref, line.sku, 1, inscriptions)


def _order_wanted(order: Order, line: LineWanted, *, order_ref: str, ship_by: datetime) -> OrderWanted:
    return OrderWanted(
        order_ref=order_ref,
        ship_by=ship_by,
        priority=order.priority,
        refuse_unengravable=False,
        proof="buyer" if order.proof == "buyer" else "none",
        lines=(line,),
        buyer=order.buyer,
        notes=Notes(gift=order.gift_note, bench=order.bench_note),
    )


def _why(lost: Misfit, made: Job) -> str:
    """What was found about the first unit, said of the one that is made for it."""
    return lost.why.replace(public(JOB, lost.job), public(JOB, made.id), 1)
