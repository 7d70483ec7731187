"""The bench: take a load, pull, seat, burn, inspect, release. A reload brings every step back."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from service.bench import acts as bench
from service.bench import delivery, doubts, inspection, mounting, pulls, seating
from service.bench.acts import Change
from service.doorway import AtHand
from service.loads import contents, leases, load_rows, pull_rows, repeats
from service.pages import scanning, steps
from service.pages.gate import BenchVisitor, Form, HouseVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.plan import board_rows as rows
from service.records.errors import BadRequest, NotFound, Refusal
from service.records.ids import JOB, LOAD, number
from service.records.tables import Load
from service.records.who import By
from service.shop.tools import Tools
from service.stock import put_backs

router = APIRouter(include_in_schema=False, route_class=PageRoute)

SCRAP_REASONS = (
    "faint mark",
    "wrong place",
    "double mark",
    "scratched",
    "stained",
    "interrupted burn",
    "other",
)
AGAIN_REASONS = ("faint mark", "interrupted burn")
LEAVE_REASONS = ("good enough", "was lifted", "the laser can't burn now", "other")


@router.get("/bench")
def get_bench(request: Request, tools: AtHand, visitor: HouseVisitor) -> Response:
    """The stations with what is in hand there, and the queue of units to pull."""
    return _bench(request, tools, visitor)


@router.post("/bench/next")
def post_next(request: Request, tools: AtHand, visitor: BenchVisitor, form: Form) -> Response:
    """Take the next load of a station, or go back to the one already held."""
    return _next(request, tools, visitor, str(form.get("station", "")))


@router.post("/bench/put-back")
def post_put_back(request: Request, tools: AtHand, visitor: BenchVisitor, form: Form) -> Response:
    """A unit of a cancelled order stands in a bin again."""
    job, bin_name = str(form.get("job", "")), str(form.get("bin", "")).strip()[:30] or None
    try:
        tools.database.write(
            lambda session: put_backs.put_back(session, number(JOB, job), bin_name, by=tools.by(visitor.who))
        )
    except Refusal as refusal:
        return _bench(request, tools, visitor, refused=refusal)
    return RedirectResponse("/bench", 303)


@router.get("/bench/loads/{identity}")
def get_load(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor) -> Response:
    """The load, at the step where it is."""
    return _load(request, tools, identity, visitor)


@router.get("/bench/loads/{identity}/interrupted")
def get_interrupted(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor) -> Response:
    """What is on the metal? Asked before it is recorded that a burn was interrupted."""
    return _load(request, tools, identity, visitor, is_stopped=True)


@router.post("/bench/loads/{identity}/scan")
def post_scan(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """What a scanner read, or a person typed: taken for the step where the load is, or refused loudly."""
    code = str(form.get("code", ""))
    try:
        seen = bench.seen(tools, number(LOAD, identity))
        turn = seen["current_turn"]
        scanned = scanning.read(tools.catalogue.current, seen, code)
        if scanned.step == "pulled":
            _change(
                tools,
                identity,
                form,
                lambda session, load, now: pulls.pulled(
                    session, load, {scanned.job: "found"}, {}, by=By(visitor.who, now)
                ),
            )
        elif scanned.step == "seated":
            _change(
                tools,
                identity,
                form,
                lambda session, load, now: seating.seated(
                    session, load, turn, {scanned.slot: "seated"}, by=By(visitor.who, now)
                ),
            )
        elif scanned.step == "plate":
            _mount(tools, identity, visitor, form, scanned.name, "scanned")
        elif scanned.step == "start":
            _start(tools, identity, visitor, form, code)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _load(request, tools, identity, visitor, scanned=scanned)


@router.post("/bench/loads/{identity}/pulled")
def post_pulled(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Units found, missing or blemished; bare blades counted."""
    what: Any = _one_of(form, "what", ("found", "missing", "blemished"), "found")
    jobs = {str(job): what for job in form.getlist("job")}
    lots = {
        name.removeprefix("lot-"): _count(value) for name, value in form.items() if name.startswith("lot-")
    }
    return _step(
        request,
        tools,
        identity,
        visitor,
        form,
        lambda session, load, now: pulls.pulled(session, load, jobs, lots, by=By(visitor.who, now)),
    )


@router.post("/bench/loads/{identity}/fetched")
def post_fetched(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Units of a kind, counted at their bin: so many found, missing or blemished."""
    what: Any = _one_of(form, "what", ("found", "missing", "blemished"), "found")
    bin_name, sku = str(form.get("bin", "")), str(form.get("sku", ""))
    count, seen = _count(form.get("count", "1")), _count(form.get("round", "0"))
    bins: pulls.Bins = {bin_name: {sku: {what: count}}}
    named: list[str] = []

    def work(session: Session, load: Load, now: datetime) -> None:
        if what != "found" and pull_rows.rounds(session, load) != seen:
            return  # said before, on this same page
        jobs = pulls.jobs_of_bins(load, load_rows.jobs(session, contents.active_jobs(load)), bins)
        named.extend(jobs)
        pulls.pulled(session, load, jobs, {}, by=By(visitor.who, now))

    try:
        _change(tools, identity, form, work)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    if what == "found":
        return _to_load(identity)
    return _load(request, tools, identity, visitor, put_aside=steps.PutAside(what, tuple(named)))


@router.post("/bench/loads/{identity}/blemished")
def post_blemished(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """A unit at the bench is not good; or (`keep`) units are, after all. Pressed again it changes nothing."""
    jobs = [str(job) for job in form.getlist("job")]

    def work(session: Session, load: Load, now: datetime) -> None:
        by = By(visitor.who, now)
        for job in jobs:
            if form.get("keep"):
                pulls.keep_after_all(session, load, job, by=by)
            elif contents.is_in_hand(load, job):
                pulls.pulled(session, load, {job: "blemished"}, {}, by=by)

    try:
        _change(tools, identity, form, work)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    if form.get("keep"):
        return _to_load(identity)
    return _load(request, tools, identity, visitor, put_aside=steps.PutAside("blemished", tuple(jobs)))


@router.post("/bench/loads/{identity}/mounted")
def post_mounted(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Which copy of the plate is mounted, said by hand."""
    try:
        _mount(tools, identity, visitor, form, str(form.get("copy", "")), "by_hand")
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _to_load(identity)


@router.get("/bench/loads/{identity}/turn-over")
def get_turn_over(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor) -> Response:
    """The marks of the turn before were looked at: the units are moved."""
    return _load(request, tools, identity, visitor, is_looked_at=True)


@router.post("/bench/loads/{identity}/seated")
def post_seated(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Units that sit in their slots, or that do not fit."""
    what: Any = _one_of(form, "what", ("seated", "does_not_fit"), "seated")
    slots = {str(slot): what for slot in form.getlist("slot")}
    turn = _count(form.get("turn", "0"))
    try:
        _change(
            tools,
            identity,
            form,
            lambda session, load, now: seating.seated(session, load, turn, slots, by=By(visitor.who, now)),
        )
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal, is_looked_at=turn > 1)
    still = bench.seen(tools, number(LOAD, identity))["state"] == "turning"
    return RedirectResponse(f"/bench/loads/{identity}{'/turn-over' if still else ''}", 303)


@router.post("/bench/loads/{identity}/send")
def post_send(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Put the turn's file into the station's folder."""
    try:
        sent = delivery.deliver(
            tools,
            number(LOAD, identity),
            _count(form.get("turn", "0")),
            str(form.get("format", "")),
        )
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _load(request, tools, identity, visitor, sent=sent)


@router.post("/bench/loads/{identity}/start")
def post_start(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Burn: only when the code that the laser's own screen shows is that of this load's file."""
    try:
        _start(tools, identity, visitor, form, str(form.get("code", "")))
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _to_load(identity)


@router.post("/bench/loads/{identity}/finish")
def post_finish(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """The laser has come to the end of the file."""
    try:
        bench.finish(
            tools,
            number(LOAD, identity),
            _etag(form),
            _count(form.get("turn", "0")),
            who=visitor.who,
        )
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _to_load(identity)


@router.post("/bench/loads/{identity}/resolve")
def post_resolve(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """After an interruption: what is on the metal, slot by slot."""
    jobs: dict[str, dict[str, Any]] = {}
    lots: dict[str, dict[Any, int]] = {}
    for name, value in form.items():
        what, _, rest = name.partition("|")
        unit, _, last = rest.partition("|")
        if what == "job":
            jobs.setdefault(unit, {})[last] = _known(str(value), ("clean", "partial", "complete"))
        elif what == "lot":
            lots.setdefault(unit, {})[_known(last, ("clean", "partial", "complete"))] = _count(value)
    return _step(
        request,
        tools,
        identity,
        visitor,
        form,
        lambda session, load, now: doubts.resolve(session, load, jobs, lots, by=By(visitor.who, now)),
    )


@router.post("/bench/loads/{identity}/again")
def post_again(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Burn a faint or partial mark again, in the same seating; or take that back before its start."""
    jobs = [str(job) for job in form.getlist("job")]
    turn, reason = _count(form.get("turn", "0")), str(form.get("reason", ""))[:200].strip()
    if not jobs or not reason:
        return _load(
            request, tools, identity, visitor, refused=BadRequest("say which mark, and why", field="reason")
        )
    work = repeats.withdraw if form.get("withdraw") else repeats.burn_again
    return _step(
        request,
        tools,
        identity,
        visitor,
        form,
        lambda session, load, now: work(session, load, turn, jobs, reason, by=By(visitor.who, now)),
    )


@router.post("/bench/loads/{identity}/inspect")
def post_inspect(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Pass, or scrap with a reason."""
    what: Any = _one_of(form, "what", ("pass", "scrap"), "")
    reason = " ".join(str(form.get("reason", "")).split())[:100]
    note = " ".join(str(form.get("note", "")).split())[:90]
    said = f"{reason}: {note}" if reason and note else reason or note
    jobs = {str(job): inspection.Inspected(what, said) for job in form.getlist("job")}
    lots = {}
    for lot in form.getlist("lot"):
        counts = inspection.BladesInspected(_count(form.get("pass", "0")), _count(form.get("scrap", "0")))
        lots[str(lot)] = counts
    return _step(
        request,
        tools,
        identity,
        visitor,
        form,
        lambda session, load, now: inspection.inspect(session, load, jobs, lots, by=By(visitor.who, now)),
    )


@router.post("/bench/loads/{identity}/release")
def post_release(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Hand over to packing what was wiped, bagged and boxed; and take the next load, if that is asked for."""
    try:
        _change(
            tools,
            identity,
            form,
            lambda session, load, now: inspection.release(session, load, by=By(visitor.who, now)),
        )
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    if form.get("then") == "next":
        return _next(request, tools, visitor, bench.seen(tools, number(LOAD, identity))["station"])
    return _to_load(identity)


@router.post("/bench/loads/{identity}/drop")
def post_drop(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Give an unstarted load back to the queue."""
    return _step(
        request,
        tools,
        identity,
        visitor,
        form,
        lambda session, load, now: leases.drop(session, load, by=By(visitor.who, now)),
    )


# --- how a step is done and shown ---


def _step(
    request: Request, tools: Tools, identity: str, visitor: Visitor, form: Form, work: Change
) -> Response:
    try:
        _change(tools, identity, form, work)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _to_load(identity)


def _change(tools: Tools, identity: str, form: Form, work: Change) -> None:
    bench.change(tools, number(LOAD, identity), _etag(form), work)


def _mount(tools: Tools, identity: str, visitor: Visitor, form: Form, copy: str, how: mounting.How) -> None:
    turn = bench.seen(tools, number(LOAD, identity))["current_turn"]
    bench.mounted(tools, number(LOAD, identity), _etag(form), turn, copy, how, who=visitor.who)


def _start(tools: Tools, identity: str, visitor: Visitor, form: Form, code: str) -> None:
    """Raises BadRequest when the code is not that of the turn's file, and what `bench.start` raises."""
    load = bench.seen(tools, number(LOAD, identity))
    turn = steps.turn_of(load)
    if not scanning.is_code_of(turn, code):
        raise BadRequest("that is not the code of this load's file", field="code")
    bench.start(
        tools, number(LOAD, identity), _etag(form), turn["turn"], turn["file_sha256"], who=visitor.who
    )


def _next(request: Request, tools: Tools, visitor: Visitor, station: str) -> Response:
    try:
        found = bench.next_load(tools, station, visitor.who.name, who=visitor.who)
    except Refusal as refusal:
        return _bench(request, tools, visitor, refused=refusal)
    if found is None:
        return _bench(request, tools, visitor, nothing_at=station)
    return _to_load(f"L{found[0].id}")


def _to_load(identity: str) -> Response:
    return RedirectResponse(f"/bench/loads/{identity}", 303)


def _load(
    request: Request,
    tools: Tools,
    identity: str,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    **values: Any,
) -> Response:
    view = steps.view_of(tools, number(LOAD, identity))
    if refused is not None and isinstance(refused, NotFound):
        raise refused
    shown = {
        "is_stopped": False,
        "is_looked_at": False,
        "scanned": None,
        "sent": None,
        "put_aside": None,
        **values,
    }
    return page(
        request,
        "load.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        view=view,
        scrap_reasons=SCRAP_REASONS,
        again_reasons=AGAIN_REASONS,
        leave_reasons=LEAVE_REASONS,
        **shown,
    )


def _bench(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    nothing_at: str | None = None,
) -> Response:
    shop = tools.catalogue.current
    with tools.database.reading() as session:
        loads = rows.active_loads(session)
        units = rows.units_in(session, [load.id for load in loads])
        queue = pulls.queue(session, shop, now=tools.clock())
        going_back = put_backs.listed(session)
        in_hand, lots = rows.in_hand(session), rows.open_lots(session)
    return page(
        request,
        "bench.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        stations=list(shop.stations.values()),
        loads=loads,
        units=units,
        queue=queue,
        products=shop.products,
        going_back=going_back,
        in_hand=in_hand,
        lots=lots,
        nothing_at=nothing_at,
    )


# --- what forms say ---


def _etag(form: Form) -> str:
    return str(form.get("etag", ""))


def _count(value: Any) -> int:
    text = str(value).strip()
    if not (text.isascii() and text.isdecimal() and len(text) < 7):
        raise BadRequest("a count is a whole number", field="count")
    return int(text)


def _one_of(form: Form, name: str, known: tuple[str, ...], default: str) -> str:
    return _known(str(form.get(name, default)), known)


def _known(value: str, known: tuple[str, ...]) -> str:
    if value not in known:
        raise BadRequest(f"must be {' or '.join(known)}", field="what")
    return value
