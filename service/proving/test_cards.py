"""Test cards: what makes a process usable, and what withdraws it.

A card on record proves one recipe; another recipe needs another card. A withdrawal (the laser was serviced,
its lens changed) counts until the next card. Until then new checks refuse what only that process could burn,
its units wait in the queue (they stay accepted and go on by themselves once there is a card), and no file of
them leaves.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from datetime import date
from urllib.parse import quote

from sqlalchemy.orm import Session

from layout.shop import proven_recipes as layout_proven
from layout.shop.blades import Surface
from layout.shop.findings import Finding, Severity
from layout.shop.loads import SlotFill
from layout.shop.proven_recipes import Proof, recipe_digest
from layout.shop.shop import Shop
from layout.shop.stations import Process, TestCard
from service.loads import contents, load_rows
from service.loads import load as loads
from service.loads import proving_rows as rows
from service.loads import waiting_rows as claims
from service.proving.test_card_answers import ProcessAnswer, new_card_record_answer, process_answer
from service.records.errors import BadRequest, TestCardRefused
from service.records.ids import JOB, LOT, number, public
from service.records.moves import write_history
from service.records.states import LoadState
from service.records.tables import Load, TestCardRecord
from service.records.who import By, Who
from service.requests.check_answers import findings_answer
from service.requests.idempotency import Answer, create_once, created
from service.shop.tools import Tools

#: The line that a card shows may differ from the recipe's by so much: every check reckons with the recipe's.
LINE_TOLERANCE = 0.1


@dataclass(frozen=True, slots=True)
class Card:
    """A burned card: when, by whom, and what was measured on it (mm)."""

    burned_on: date
    by: str
    note: str
    line_width_mm: float | None = None
    spot_mm: float | None = None


@dataclass(frozen=True, slots=True)
class CardRequest:
    """A card to be recorded, or (no card) a process to be withdrawn, with the reason."""

    process: str
    card: Card | None
    why: str = ""


def take(tools: Tools, request: CardRequest, idempotency_key: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/test-cards` once per key. Raises as `record` and `withdraw`."""
    shop = tools.catalogue.current

    def work(session: Session) -> Answer:
        by = tools.by(who)
        if request.card is not None:
            row = record(session, shop, request.process, request.card, by=by)
            body = new_card_record_answer(row)
        else:
            row, taken = withdraw(session, shop, request.process, request.why, by=by)
            body = new_card_record_answer(row, taken_out=taken)
        return created(body, {"Location": f"/v1/test-cards?process={quote(row.process)}"})

    return create_once(
        tools.database,
        tools.clock,
        client=who.client,
        route="POST /v1/test-cards",
        header=idempotency_key,
        body=asdict(request),
        work=work,
    )


def proofs(session: Session) -> tuple[Proof, ...]:
    """The whole record as values, oldest first."""
    return tuple(_proof(row) for row in rows.test_cards(session))


def proven(session: Session, shop: Shop) -> Shop:
    """The shop with its processes proven or not as the record has it now."""
    return layout_proven.proven(shop, proofs(session))


def record(session: Session, shop: Shop, process: str, card: Card, *, by: By) -> TestCardRecord:
    """Record a card burned with the current recipe and looked at: the process is usable from now on.

    Raises BadRequest for a process that is not there or a day to come, TestCardRefused with its findings when
    the card shows another line than the recipe says.
    """
    recipe = _process(shop, process)
    if card.burned_on > by.at.date():
        raise BadRequest("a card can't have been burned on a day to come", field="burned_on")
    findings = _line_findings(recipe, card)
    if findings:
        raise TestCardRefused(
            "this card does not prove the recipe; nothing was changed", findings=findings_answer(findings)
        )
    claims.lock_station(session, recipe.station)
    row = TestCardRecord(
        process=process,
        station=recipe.station,
        recipe=recipe_digest(recipe),
        withdrawn=False,
        burned_on=card.burned_on,
        line_width_mm=card.line_width_mm,
        spot_mm=card.spot_mm,
        by=card.by,
        note=card.note,
        at=by.at,
        recorded_by=by.who.name,
    )
    _write(session, row, "proven", by=by)
    return row


def withdraw(
    session: Session, shop: Shop, process: str, why: str, *, by: By
) -> tuple[TestCardRecord, tuple[str, ...]]:
    """Withdraw a process's proof. Returns the record, and the jobs and lots taken out of unstarted loads.

    Units of a load that has started stay in it: files made before are stale, and the judge lets no further
    turn of them burn until there is a card. A turn that burns is left alone.
    Raises BadRequest for a process that is not there.
    """
    recipe = _process(shop, process)
    # A claim at this station is either over, and seen below, or waits and reads this withdrawal.
    claims.lock_station(session, recipe.station)
    row = TestCardRecord(
        process=process,
        station=recipe.station,
        recipe=recipe_digest(recipe),
        withdrawn=True,
        by=by.who.name,
        note=why,
        at=by.at,
        recorded_by=by.who.name,
    )
    _write(session, row, "withdrawn", by=by)
    taken: list[str] = []
    for load_id in load_rows.active_at(session, recipe.station):
        load = load_rows.lock(session, load_id)
        if load is not None:
            taken += _withdraw_from(session, load, recipe, by=by)
    return row, tuple(taken)


def status(session: Session, shop: Shop) -> tuple[ProcessAnswer, ...]:
    """Every process of the shop: usable or why not, its card, and how many ready units wait for one."""
    now_proven = proven(session, shop)
    newest = {row.process: row for row in rows.test_cards(session)}
    units = Counter(name for names in waiting(session, now_proven).values() for name in names)
    return tuple(
        process_answer(process, newest.get(name), units_waiting=units[name])
        for name, process in sorted(now_proven.processes.items())
    )


def waiting(session: Session, now_proven: Shop, *, only: int | None = None) -> dict[int, tuple[str, ...]]:
    """Ready units (or `only` one) that can be burned nowhere for want of a test card, by job, with the
    processes whose card would help. `now_proven` is the shop as `proven` gives it."""
    unproven = {p.surface for p in now_proven.processes.values() if p.test_card is None}
    waiting_for: dict[int, tuple[str, ...]] = {}
    for unit in claims.ready_on(session, [(s.material, s.finish) for s in unproven], only=only):
        wanted = {
            station: {
                recipe.process
                for surface in unit.surfaces
                if (recipe := now_proven.recipe_for(station, Surface(*surface))) and recipe.test_card is None
            }
            for station in unit.stations
        }
        if wanted and all(wanted.values()):
            waiting_for[unit.job] = tuple(sorted(set().union(*wanted.values())))
    return waiting_for


# --- steps ---


def _process(shop: Shop, name: str) -> Process:
    if name not in shop.processes:
        raise BadRequest(f"there is no process {name}", field="process")
    return shop.processes[name]


def _line_findings(recipe: Process, card: Card) -> list[Finding]:
    shown, says = card.line_width_mm, recipe.line_width_mm
    if shown is None or abs(shown - says) <= LINE_TOLERANCE * says:
        return []
    message = (
        f"The card's line is {shown:.3f} mm wide, the recipe says {says:.3f} mm: correct line_width_mm in "
        "the shop's description first, for every check reckons with it."
    )
    return [
        Finding(
            "line_width_differs",
            Severity.REFUSE,
            message,
            measured=shown,
            unit="mm",
            limit=round((1 + LINE_TOLERANCE if shown > says else 1 - LINE_TOLERANCE) * says, 4),
        )
    ]


def _write(session: Session, row: TestCardRecord, to: str, *, by: By) -> None:
    session.add(row)
    session.flush()
    write_history(
        session,
        "card",
        row.id,
        to,
        by=by,
        why=f"{row.process}: {row.note}",
    )


def _withdraw_from(session: Session, load: Load, recipe: Process, *, by: By) -> list[str]:
    """Units that the process would burn go back to the queue, unless their load has started."""
    layout = loads.layout_of(session, load)
    fills = [fill for turn in layout.turns for fill in turn.fills if _is_burned_by(recipe, fill)]
    jobs = sorted({number(JOB, fill.job) for fill in fills if fill.job is not None})
    lots = sorted({number(LOT, fill.lot) for fill in fills if fill.lot is not None})
    why = f"{recipe.process} has no test card"
    if not contents.is_unstarted(load):
        if fills and LoadState(load.state) is not LoadState.BURNING:
            contents.raise_revision(session, load, by=by, why=why)
        return []
    loads.take_out(session, load, jobs, lots, why=why, by=by)
    return [*(public(JOB, job) for job in jobs), *(public(LOT, lot) for lot in lots)]


def _is_burned_by(recipe: Process, fill: SlotFill) -> bool:
    return any(mark.surface == recipe.surface for mark in fill.marks)


def _proof(row: TestCardRecord) -> Proof:
    # A card proves the recipe it was burned with; one with centre lines has them on its card.
    card = (
        None
        if row.burned_on is None
        else TestCard(row.burned_on.isoformat(), row.by, row.note, isolated_lines=True)
    )
    return Proof(row.process, row.recipe, card)
