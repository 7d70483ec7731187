"""The bench: take a load, pull, seat, burn, inspect, release. A reload brings every step back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Literal, TypeVar

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.datastructures import UploadFile

from service.bench import acts, delivery, doubts, inspection, pulls, seating
from service.doorway import AtHand
from service.loads import load_rows
from service.loads.load_answers import LoadAnswer
from service.pages import live, scanning, steps
from service.pages.fields import count_of
from service.pages.gate import BenchVisitor, Form, HouseVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.photos import photos
from service.plan import board_rows as rows
from service.records.errors import BadRequest, NotFound, Refusal
from service.records.ids import JOB, LOAD, number
from service.records.states import LoadState
from service.routines import due
from service.routines.routine_answers import RoutineAnswer
from service.shop.tools import Tools
from service.stock import put_backs
from service.supplies import supplies

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

#: Where a form with a photo goes, and how large it may be with its other fields.
PHOTO_ADDRESS = "/bench/loads/{identity}/photo"
LARGEST_PHOTO_FORM = photos.LARGEST_PHOTO + 4096
#: What forms may say.
_SEATED: tuple[seating.Seated, ...] = ("seated", "does_not_fit")
_RESULTS: tuple[Literal["pass", "scrap"], ...] = ("pass", "scrap")

_Choice = TypeVar("_Choice", bound=str)


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
    """A unit of a cancelled order is back in a bin."""
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
    """What is on the metal? Asked before the interruption is recorded."""
    return _load(request, tools, identity, visitor, is_stopped=True)


@router.post("/bench/loads/{identity}/scan")
def post_scan(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """What a scanner read, or a person typed: done if it belongs to the load's step, otherwise refused
    loudly."""
    held, code = _held(identity, visitor, form), str(form.get("code", ""))
    before = str(form.get("before", ""))[:200]
    try:
        load = acts.load_now(tools, held.load_id)
        scanned = scanning.read(tools.catalogue.current, load, code, before)
        if scanned.step == "pulled":
            acts.pulled(tools, held, {scanned.job: "found"}, {})
        elif scanned.step == "seated":
            acts.seated(tools, held, load.current_turn, {scanned.slot: "seated"})
        elif scanned.step == "plate":
            acts.mounted(tools, held, load.current_turn, scanned.name, "scanned")
        elif scanned.step == "start":
            _start(tools, held, load, code)
        elif scanned.step == "boxed":
            acts.boxed(tools, held, scanned.job)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal, before=before)
    before = code.strip() if scanned.step in {"unit", "box"} else ""
    return _load(request, tools, identity, visitor, scanned=scanned, before=before)


@router.post("/bench/loads/{identity}/pulled")
def post_pulled(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Units found, missing or blemished; bare blades counted."""
    what = _one_of(pulls.FETCHED, form.get("what", "found"))
    jobs = {str(job): what for job in form.getlist("job")}
    lots = {
        name.removeprefix("lot-"): count_of(value) for name, value in form.items() if name.startswith("lot-")
    }
    return _step(request, tools, identity, visitor, form, acts.pulled, jobs, lots)


@router.post("/bench/loads/{identity}/fetched")
def post_fetched(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Units of one product counted at their bin: found, missing or blemished."""
    what = _one_of(pulls.FETCHED, form.get("what", "found"))
    try:
        jobs = acts.fetched(
            tools,
            _held(identity, visitor, form),
            str(form.get("bin", "")),
            str(form.get("sku", "")),
            what,
            count=count_of(form.get("count", "1")),
            seen_rounds=count_of(form.get("round", "0")),
        )
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    if what == "found":
        return _to_load(identity)
    return _load(request, tools, identity, visitor, put_aside=steps.PutAside(what, jobs))


@router.post("/bench/loads/{identity}/blemished")
def post_blemished(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Units at the bench are blemished; or (`keep`) they are good after all. Pressing again changes
    nothing."""
    jobs = [str(job) for job in form.getlist("job")]
    if form.get("keep"):
        return _step(request, tools, identity, visitor, form, acts.kept_after_all, jobs)
    try:
        acts.blemished(tools, _held(identity, visitor, form), jobs)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _load(request, tools, identity, visitor, put_aside=steps.PutAside("blemished", tuple(jobs)))


@router.post("/bench/loads/{identity}/mounted")
def post_mounted(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Which copy of the plate is mounted, chosen by hand."""
    turn = acts.load_now(tools, number(LOAD, identity)).current_turn
    copy = str(form.get("copy", ""))
    return _step(request, tools, identity, visitor, form, acts.mounted, turn, copy, "by_hand")


@router.get("/bench/loads/{identity}/turn-over")
def get_turn_over(request: Request, tools: AtHand, identity: str, visitor: HouseVisitor) -> Response:
    """The marks of the turn before have been looked at: now the units are turned over."""
    return _load(request, tools, identity, visitor, is_looked_at=True)


@router.post("/bench/loads/{identity}/seated")
def post_seated(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Units that are seated, or that do not fit."""
    what = _one_of(_SEATED, form.get("what", "seated"))
    slots = {str(slot): what for slot in form.getlist("slot")}
    turn = count_of(form.get("turn", "0"))
    try:
        load = acts.seated(tools, _held(identity, visitor, form), turn, slots)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal, is_looked_at=turn > 1)
    still = "/turn-over" if load.state is LoadState.TURNING else ""
    return RedirectResponse(f"/bench/loads/{identity}{still}", 303)


@router.post("/bench/loads/{identity}/send")
def post_send(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Put the turn's file into the station's folder."""
    try:
        sent = delivery.deliver(
            tools,
            number(LOAD, identity),
            count_of(form.get("turn", "0")),
            str(form.get("format", "")),
        )
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _load(request, tools, identity, visitor, sent=sent)


@router.post("/bench/loads/{identity}/start")
def post_start(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Burn, but only if the code on the laser's own screen is that of this load's file."""
    held = _held(identity, visitor, form)
    try:
        _start(tools, held, acts.load_now(tools, held.load_id), str(form.get("code", "")))
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _to_load(identity)


@router.post("/bench/loads/{identity}/finish")
def post_finish(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Burn finished."""
    return _step(request, tools, identity, visitor, form, acts.finish, count_of(form.get("turn", "0")))


@router.post("/bench/loads/{identity}/resolve")
def post_resolve(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """After an interruption: what is on the metal, slot by slot."""
    jobs: dict[str, dict[str, doubts.Outcome]] = {}
    lots: dict[str, dict[doubts.Outcome, int]] = {}
    for name, value in form.items():  # job|J5|mark_side: complete; lot|LOT2|complete: 3
        what, _, rest = name.partition("|")
        unit, _, last = rest.partition("|")
        if what == "job":
            jobs.setdefault(unit, {})[last] = _one_of(doubts.OUTCOMES, value)
        elif what == "lot":
            lots.setdefault(unit, {})[_one_of(doubts.OUTCOMES, last)] = count_of(value)
    return _step(request, tools, identity, visitor, form, acts.resolve, jobs, lots)


@router.post("/bench/loads/{identity}/again")
def post_again(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Burn a faint or partial mark again in the same seating; or take that back before it starts."""
    jobs = [str(job) for job in form.getlist("job")]
    turn, reason = count_of(form.get("turn", "0")), str(form.get("reason", ""))[:200].strip()
    if not jobs or not reason:
        return _load(
            request, tools, identity, visitor, refused=BadRequest("say which mark, and why", field="reason")
        )
    act = acts.not_again if form.get("withdraw") else acts.again
    return _step(request, tools, identity, visitor, form, act, turn, jobs, reason)


@router.post("/bench/loads/{identity}/inspect")
def post_inspect(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Pass, or scrap with a reason."""
    what = _one_of(_RESULTS, form.get("what"))
    reason = " ".join(str(form.get("reason", "")).split())[:100]
    note = " ".join(str(form.get("note", "")).split())[:90]
    reason_given = f"{reason}: {note}" if reason and note else reason or note
    jobs = {str(job): inspection.Inspected(what, reason_given) for job in form.getlist("job")}
    lots = {}
    for lot in form.getlist("lot"):
        counts = inspection.BladesInspected(count_of(form.get("pass", "0")), count_of(form.get("scrap", "0")))
        lots[str(lot)] = counts
    return _step(request, tools, identity, visitor, form, acts.inspect, jobs, lots)


@router.post(PHOTO_ADDRESS, max_body_size=LARGEST_PHOTO_FORM)
def post_photo(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """A photo of a mark, from the tablet's camera."""
    file, job = form.get("photo"), str(form.get("job", ""))
    try:
        if not isinstance(file, UploadFile) or not file.filename:
            raise BadRequest("take a photo first", field="photo")
        face, zone = str(form.get("face", "")), str(form.get("zone", ""))
        photos.take(tools, job, file.file.read(), face=face, zone=zone, who=visitor.who)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _to_load(identity)


@router.post("/bench/loads/{identity}/photo-away")
def post_photo_away(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """A photo is deleted; pressed twice, it is gone all the same."""
    with suppress(NotFound):
        photos.take_away(tools, str(form.get("photo", "")), who=visitor.who)
    return _to_load(identity)


@router.post("/bench/loads/{identity}/boxed")
def post_boxed(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """A unit is in its box with its label on, confirmed by hand."""
    return _step(request, tools, identity, visitor, form, acts.boxed, str(form.get("job", "")))


@router.post("/bench/loads/{identity}/release")
def post_release(
    request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form
) -> Response:
    """Hand over to packing what is wiped, bagged and boxed; then take the next load, if asked to."""
    try:
        load = acts.release(tools, _held(identity, visitor, form))
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    if form.get("then") == "next":
        return _next(request, tools, visitor, load.station)
    return _to_load(identity)


@router.post("/bench/loads/{identity}/drop")
def post_drop(request: Request, tools: AtHand, identity: str, visitor: BenchVisitor, form: Form) -> Response:
    """Give an unstarted load back to the queue."""
    return _step(request, tools, identity, visitor, form, acts.drop)


# --- how a step is done and shown ---


def _held(identity: str, visitor: Visitor, form: Form) -> acts.Held:
    """The load of a page's form, as the page showed it."""
    return acts.Held(number(LOAD, identity), _etag(form), visitor.who)


def _step(
    request: Request,
    tools: Tools,
    identity: str,
    visitor: Visitor,
    form: Form,
    act: Callable[..., object],
    *what: object,
) -> Response:
    """Do one act with the form's load, then show its page, with the refusal if there is one."""
    try:
        act(tools, _held(identity, visitor, form), *what)
    except Refusal as refusal:
        return _load(request, tools, identity, visitor, refused=refusal)
    return _to_load(identity)


def _start(tools: Tools, held: acts.Held, load: LoadAnswer, code: str) -> None:
    """Raises BadRequest when the code is not that of the turn's file, and what `acts.start` raises."""
    turn = steps.turn_of(load)
    if not scanning.is_code_of_file(code, turn):
        raise BadRequest("that is not the code of this load's file", field="code")
    acts.start(tools, held, turn.turn, turn.file_sha256 or "")


def _next(request: Request, tools: Tools, visitor: Visitor, station: str) -> Response:
    try:
        granted = acts.next_load(tools, station, visitor.who.name, who=visitor.who)
    except Refusal as refusal:
        return _bench(request, tools, visitor, refused=refusal)
    if granted is None:
        return _bench(request, tools, visitor, nothing_at=station)
    return _to_load(f"L{granted[0].id}")


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
    seen = live.signature_of(tools, identity)  # before it is read: what changes meanwhile has it drawn anew
    view = steps.view_of(tools, number(LOAD, identity))
    if refused is not None and isinstance(refused, NotFound):
        raise refused
    shown = {
        "is_stopped": False,
        "is_looked_at": False,
        "scanned": None,
        "sent": None,
        "put_aside": None,
        "before": "",
        **values,
    }
    return page(
        request,
        "load.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        seen=seen,
        view=view,
        due=_due_for(tools, view.load),
        scrap_reasons=SCRAP_REASONS,
        again_reasons=AGAIN_REASONS,
        leave_reasons=LEAVE_REASONS,
        **shown,
    )


def _due_for(tools: Tools, load: LoadAnswer) -> list[RoutineAnswer]:
    """Routine checks that are due before the turn that is seated may burn, or is better looked at."""
    if load.state is not LoadState.SEATED:
        return []
    shop = tools.catalogue.current
    if load.station not in shop.stations:
        return []
    with tools.database.reading() as session:
        files = load_rows.files(session, number(LOAD, load.id), revision=load.revision)
        processes = load_rows.processes_of(file for file in files if file.turn == load.current_turn)
        return due.due_at(session, shop, load.station, now=tools.clock(), processes=processes)


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
        fetching = pulls.pulls_answer(session, shop, now=tools.clock())
        in_hand, lots = rows.in_hand(session), rows.open_lots(session)
        routines = {name: due.due_at(session, shop, name, now=tools.clock()) for name in shop.stations}
        low = [one for one in supplies.supplies(session, shop).supplies if one.is_low]
    elsewhere: Counter[str] = Counter()
    for pull in fetching.pulls:
        if nothing_at and pull.planned and pull.station not in {None, nothing_at}:
            elsewhere[pull.station or ""] += pull.quantity
    return page(
        request,
        "bench.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        stations=list(shop.stations.values()),
        loads=loads,
        units=units,
        queue=fetching.pulls,
        products=shop.products,
        going_back=fetching.put_backs,
        in_hand=in_hand,
        lots=lots,
        routines=routines,
        low=low,
        nothing_at=nothing_at,
        elsewhere=sum(elsewhere.values()),
        elsewhere_names=[shop.stations[name].name for name in sorted(elsewhere)],
    )


# --- what forms say ---


def _etag(form: Form) -> str:
    return str(form.get("etag", ""))


def _one_of(choices: tuple[_Choice, ...], value: object) -> _Choice:
    for choice in choices:
        if choice == value:
            return choice
    raise BadRequest(f"must be {' or '.join(choices)}", field="what")
