"""Loads at the bench: claimed, fetched, seated, burned, inspected, released."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Request, Response
from pydantic import AfterValidator, Field

from service.api import wire
from service.api.security import Bench, House
from service.bench import acts, doubts, mounting, pulls, seating
from service.bench import burn_files as files
from service.bench.inspection import BladesInspected, Inspected
from service.doorway import AtHand
from service.loads.load_answers import LoadAnswer
from service.records.ids import LOAD, number
from service.requests.inscriptions import Name, Strict, Truth, Whole, storable
from service.requests.served import Served

router = APIRouter(tags=["loads"])

Unit = Annotated[str, Field(min_length=2, max_length=24)]
SlotName = Annotated[str, Field(min_length=1, max_length=30)]
BinName = Annotated[str, Field(min_length=1, max_length=30)]
TurnNumber = Annotated[Whole, Field(ge=1, le=9)]
Count = Annotated[Whole, Field(ge=0, le=10_000)]
Operator = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(storable)]
Reason = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)]
ReasonIfAny = Annotated[str, Field(max_length=200), AfterValidator(storable)]


class NextIn(Strict):
    station: Name
    operator: Operator


class MountedIn(Strict):
    turn: TurnNumber
    copy_: Annotated[str, Field(min_length=1, max_length=60, alias="copy")]
    how: mounting.How


class FetchedIn(Strict):
    found: Count = 0
    missing: Count = 0
    blemished: Count = 0


class PulledIn(Strict):
    bins: dict[BinName, dict[Name, FetchedIn]] = Field(default_factory=dict)
    jobs: dict[Unit, pulls.Fetched] = Field(default_factory=dict)
    lots: dict[Unit, Count] = Field(default_factory=dict)


class SeatedIn(Strict):
    turn: TurnNumber
    slots: dict[SlotName, seating.Seated]


class StartIn(Strict):
    turn: TurnNumber
    file_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class FinishIn(Strict):
    turn: TurnNumber


class AgainIn(Strict):
    turn: TurnNumber
    jobs: Annotated[list[Unit], Field(min_length=1, max_length=100)]
    reason: Reason
    withdraw: Truth = False


class BladesResolvedIn(Strict):
    clean: Count = 0
    partial: Count = 0
    complete: Count = 0


class ResolveIn(Strict):
    jobs: dict[Unit, dict[Name, doubts.Outcome]] = Field(default_factory=dict)
    lots: dict[Unit, BladesResolvedIn] = Field(default_factory=dict)


class InspectedIn(Strict):
    result: Literal["pass", "scrap"]
    reason: ReasonIfAny = ""


class BladesInspectedIn(Strict):
    passed: Count = Field(default=0, alias="pass")
    scrap: Count = 0


class InspectIn(Strict):
    jobs: dict[Unit, InspectedIn] = Field(default_factory=dict)
    lots: dict[Unit, BladesInspectedIn] = Field(default_factory=dict)


def _held(identity: str, who: Bench, if_match: wire.IfMatch = None) -> acts.Held:
    return acts.Held(number(LOAD, identity), wire.if_match_of(if_match), who)


Held = Annotated[acts.Held, Depends(_held)]


@router.post(
    "/v1/loads/next",
    status_code=201,
    response_model=LoadAnswer,
    responses={200: {"model": LoadAnswer}, 204: {"description": "There is nothing to do."}},
)
def post_next(tools: AtHand, response: Response, body: NextIn, who: Bench) -> LoadAnswer | Response:
    """The next load of a station: 201 a new one, 200 the one the operator holds, 204 nothing to do."""
    found = acts.next_load(tools, body.station, body.operator, who=who)
    if found is None:
        return Response(status_code=204)
    load, is_new = found
    response.status_code = 201 if is_new else 200
    return _answer(response, acts.seen(tools, load.id))


@router.get("/v1/loads/{identity}")
def get_load(tools: AtHand, response: Response, identity: str, who: House) -> LoadAnswer:
    """One load with its turns, slots, files and pulls."""
    return _answer(response, acts.seen(tools, number(LOAD, identity)))


@router.post("/v1/loads/{identity}/renew")
def post_renew(tools: AtHand, response: Response, held: Held) -> LoadAnswer:
    """Keep the load: its holder is still there."""
    return _answer(response, acts.renew(tools, held))


@router.post("/v1/loads/{identity}/drop")
def post_drop(tools: AtHand, response: Response, held: Held) -> LoadAnswer:
    """Give an unstarted load back to the queue."""
    return _answer(response, acts.drop(tools, held))


@router.post("/v1/loads/{identity}/mounted")
def post_mounted(tools: AtHand, response: Response, held: Held, body: MountedIn) -> LoadAnswer:
    """Which copy of the plate is mounted, said before anything is seated."""
    return _answer(response, acts.mounted(tools, held, body.turn, body.copy_, body.how))


@router.post("/v1/loads/{identity}/pulled")
def post_pulled(tools: AtHand, response: Response, held: Held, body: PulledIn) -> LoadAnswer:
    """What was found in the bins, and what was missing or blemished, by bin and product; bare blades by lot.
    Of a unit that is at the bench already (`jobs`), until the start, that it is blemished."""
    bins: pulls.Bins = {
        bin_name: {sku: counts.model_dump() for sku, counts in products.items()}  # type: ignore[misc]
        for bin_name, products in body.bins.items()
    }
    return _answer(response, acts.pulled(tools, held, body.jobs, body.lots, bins))


@router.post("/v1/loads/{identity}/seated")
def post_seated(tools: AtHand, response: Response, held: Held, body: SeatedIn) -> LoadAnswer:
    """What sits in the slots of a turn, and what does not fit."""
    return _answer(response, acts.seated(tools, held, body.turn, body.slots))


@router.post("/v1/loads/{identity}/start")
def post_start(tools: AtHand, response: Response, held: Held, body: StartIn) -> LoadAnswer:
    """Before the beam is on: this turn burns now, from the file with this digest."""
    return _answer(response, acts.start(tools, held, body.turn, body.file_sha256))


@router.post("/v1/loads/{identity}/finish")
def post_finish(tools: AtHand, response: Response, held: Held, body: FinishIn) -> LoadAnswer:
    """The turn has burned to its end."""
    return _answer(response, acts.finish(tools, held, body.turn))


@router.post("/v1/loads/{identity}/again")
def post_again(tools: AtHand, response: Response, held: Held, body: AgainIn) -> LoadAnswer:
    """Burn faint or partial marks again in the same seating: a new file, those jobs only. `withdraw` takes
    that back before it was started."""
    act = acts.not_again if body.withdraw else acts.again
    return _answer(response, act(tools, held, body.turn, body.jobs, body.reason))


@router.post("/v1/loads/{identity}/resolve")
def post_resolve(tools: AtHand, response: Response, held: Held, body: ResolveIn) -> LoadAnswer:
    """After an interruption: what is on the metal, unit by unit and face by face."""
    lots: dict[str, dict[doubts.Outcome, int]] = {
        lot: {"clean": count.clean, "partial": count.partial, "complete": count.complete}
        for lot, count in body.lots.items()
    }
    return _answer(response, acts.resolve(tools, held, body.jobs, lots))


@router.post("/v1/loads/{identity}/inspect")
def post_inspect(tools: AtHand, response: Response, held: Held, body: InspectIn) -> LoadAnswer:
    """What inspection found: pass, or scrap with a reason. Between turns a unit that passes so far leaves the
    load and waits for another with its other face."""
    jobs = {job: Inspected(found.result, found.reason) for job, found in body.jobs.items()}
    lots = {lot: BladesInspected(count.passed, count.scrap) for lot, count in body.lots.items()}
    return _answer(response, acts.inspect(tools, held, jobs, lots))


@router.post("/v1/loads/{identity}/release")
def post_release(tools: AtHand, response: Response, held: Held) -> LoadAnswer:
    """Hand over to packing what passed, and free the plate."""
    return _answer(response, acts.release(tools, held))


@router.get("/v1/loads/{identity}/turns/{turn}/burn.{kind}")
def get_burn(request: Request, tools: AtHand, identity: str, turn: int, kind: str, who: House) -> Response:
    """A burn file: judged, and what is left to burn in that turn only."""
    return _file(request, files.burn_file(tools, number(LOAD, identity), turn, kind).file, "attachment")


@router.get("/v1/loads/{identity}/turns/{turn}/guide.svg")
def get_guide(request: Request, tools: AtHand, identity: str, turn: int, who: House) -> Response:
    """Where each unit sits; never for burning."""
    return _file(request, files.guide(tools, number(LOAD, identity), turn), "inline")


def _file(request: Request, served: Served, disposition: str) -> Response:
    headers = {
        "ETag": f'"{served.sha256}"',
        "Content-Disposition": f'{disposition}; filename="{served.name}"',
    }
    if request.headers.get("If-None-Match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    return Response(served.data, media_type=served.media_type, headers=headers)


def _answer(response: Response, load: LoadAnswer) -> LoadAnswer:
    response.headers["ETag"] = load.etag
    return load
