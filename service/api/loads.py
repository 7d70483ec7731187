"""Loads at the bench: claimed, fetched, seated, burned, inspected, released."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Request, Response
from pydantic import AfterValidator, Field

from service.api import wire
from service.api.contract import BURN_FILES, SVG, details
from service.api.security import Bench, House
from service.bench import acts, doubts, mounting, pulls, seating
from service.bench import burn_files as files
from service.bench.inspection import BladesInspected, Inspected
from service.doorway import AtHand, Route
from service.loads.load_answers import LoadAnswer
from service.records import errors
from service.records.ids import LOAD, number
from service.requests.inscriptions import Name, Strict, Truth, Whole, storable

router = APIRouter(tags=["loads"], route_class=Route)

Unit = Annotated[str, Field(min_length=2, max_length=24)]
SlotName = Annotated[str, Field(min_length=1, max_length=30)]
BinName = Annotated[str, Field(min_length=1, max_length=30)]
TurnNumber = Annotated[Whole, Field(ge=1, le=9)]
Count = Annotated[Whole, Field(ge=0, le=10_000)]
Operator = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(storable)]
Reason = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(storable)]
ReasonIfAny = Annotated[str, Field(max_length=200), AfterValidator(storable)]


class NextIn(Strict):
    station: Name = Field(description="The station.", examples=["fibre-1"])
    operator: Operator = Field(description="Who takes the load.", examples=["Kit"])


class MountedIn(Strict):
    turn: TurnNumber = Field(description="The turn that is seated next, from 1.", examples=[1])
    copy_: Annotated[str, Field(min_length=1, max_length=60, alias="copy")] = Field(
        description="The plate's copy, as its label says.", examples=["parer-8-a"]
    )
    how: mounting.How = Field(
        description="Whether its label was scanned or its name read.", examples=["scanned"]
    )


class FetchedIn(Strict):
    found: Count = Field(default=0, description="Units found.", examples=[2])
    missing: Count = Field(default=0, description="Units that were not there.", examples=[0])
    blemished: Count = Field(
        default=0, description="Units that are not good enough to engrave.", examples=[0]
    )


class PulledIn(Strict):
    bins: dict[BinName, dict[Name, FetchedIn]] = Field(
        default_factory=dict,
        description="By bin and product, how many were found, missing and blemished.",
        examples=[{"A-01": {"AQ-PARER-OAK": {"found": 2}}}],
    )
    jobs: dict[Unit, pulls.Fetched] = Field(
        default_factory=dict,
        description="By job, where a unit is named: its label was scanned, or it turns out blemished.",
        examples=[{"J42": "found"}],
    )
    lots: dict[Unit, Count] = Field(
        default_factory=dict, description="By lot, how many bare blades were found.", examples=[{"LOT3": 4}]
    )


class SeatedIn(Strict):
    turn: TurnNumber = Field(description="The turn, from 1.", examples=[1])
    slots: dict[SlotName, seating.Seated] = Field(
        description="By slot, whether its unit sits or does not fit.", examples=[{"3": "seated"}]
    )


class StartIn(Strict):
    turn: TurnNumber = Field(description="The turn, from 1.", examples=[1])
    file_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] = Field(
        description="SHA-256 of the file that is burned, in any format of the turn.",
        examples=["9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"],
    )


class FinishIn(Strict):
    turn: TurnNumber = Field(description="The turn, from 1.", examples=[1])


class AgainIn(Strict):
    turn: TurnNumber = Field(description="The turn that was burned, from 1.", examples=[1])
    jobs: Annotated[list[Unit], Field(min_length=1, max_length=100)] = Field(
        description="Whose marks are burned again.", examples=[["J42"]]
    )
    reason: Reason = Field(description="Why.", examples=["faint mark"])
    withdraw: Truth = Field(
        default=False, description="True: don't burn them again after all.", examples=[False]
    )


class BladesResolvedIn(Strict):
    clean: Count = Field(default=0, description="Blades with nothing on the metal.", examples=[3])
    partial: Count = Field(default=0, description="Blades with part of the mark.", examples=[1])
    complete: Count = Field(default=0, description="Blades with the whole mark.", examples=[4])


class ResolveIn(Strict):
    jobs: dict[Unit, dict[Name, doubts.Outcome]] = Field(
        default_factory=dict,
        description="By job and face, what is on the metal.",
        examples=[{"J42": {"mark_side": "clean"}}],
    )
    lots: dict[Unit, BladesResolvedIn] = Field(
        default_factory=dict,
        description="By lot, how many blades bear what.",
        examples=[{"LOT3": {"complete": 4}}],
    )


class InspectedIn(Strict):
    result: Literal["pass", "scrap"] = Field(description="Whether the mark is good.", examples=["pass"])
    reason: ReasonIfAny = Field(default="", description="Why a unit is scrapped.", examples=["faint mark"])


class BladesInspectedIn(Strict):
    passed: Count = Field(default=0, alias="pass", description="Blades that are good.", examples=[4])
    scrap: Count = Field(default=0, description="Blades that are spoiled.", examples=[0])


class InspectIn(Strict):
    jobs: dict[Unit, InspectedIn] = Field(
        default_factory=dict, description="By job, what was seen.", examples=[{"J42": {"result": "pass"}}]
    )
    lots: dict[Unit, BladesInspectedIn] = Field(
        default_factory=dict, description="By lot, how many blades passed.", examples=[{"LOT3": {"pass": 4}}]
    )


def _held(identity: wire.LoadId, who: Bench, if_match: wire.IfMatch = None) -> acts.Held:
    return acts.Held(number(LOAD, identity), wire.if_match_of(if_match), who)


Held = Annotated[acts.Held, Depends(_held)]


def _act(*refuses: type[errors.Refusal]) -> dict[str, Any]:
    """What the description says of an act on a held load: its ETag, and what it refuses besides `refuses`."""
    return details(errors.LeaseLost, errors.MoveNotAllowed, errors.CatalogueMissing, *refuses, etag=True)


@router.post(
    "/v1/loads/next",
    status_code=201,
    response_model=LoadAnswer,
    responses={200: {"model": LoadAnswer}, 204: {"description": "There is nothing to do."}},
    openapi_extra=details(
        errors.BadRequest,
        errors.LoadRefused,
        errors.RoutineDue,
        errors.CatalogueMissing,
        errors.CheckTooSlow,
        errors.CheckersBusy,
        etag=True,
    ),
)
def claim_next_load(tools: AtHand, response: Response, body: NextIn, who: Bench) -> LoadAnswer | Response:
    """The next load of a station: 201 a new one, 200 the one the operator holds, 204 nothing to do."""
    granted = acts.next_load(tools, body.station, body.operator, who=who)
    if granted is None:
        return Response(status_code=204)
    load, is_new = granted
    response.status_code = 201 if is_new else 200
    return _answer(response, acts.load_now(tools, load.id))


@router.get("/v1/loads/{identity}", openapi_extra=details(errors.CatalogueMissing, etag=True))
def get_load(tools: AtHand, response: Response, identity: wire.LoadId, who: House) -> LoadAnswer:
    """One load with its turns, slots, files and pulls."""
    return _answer(response, acts.load_now(tools, number(LOAD, identity)))


@router.post("/v1/loads/{identity}/renew", openapi_extra=_act())
def renew_load(tools: AtHand, response: Response, held: Held) -> LoadAnswer:
    """Keep the load: its holder is still there."""
    return _answer(response, acts.renew(tools, held))


@router.post("/v1/loads/{identity}/drop", openapi_extra=_act())
def drop_load(tools: AtHand, response: Response, held: Held) -> LoadAnswer:
    """Give an unstarted load back to the queue."""
    return _answer(response, acts.drop(tools, held))


@router.post("/v1/loads/{identity}/mounted", openapi_extra=_act(errors.WrongPlate))
def report_mounted(tools: AtHand, response: Response, held: Held, body: MountedIn) -> LoadAnswer:
    """Which copy of the plate is mounted, said before anything is seated."""
    return _answer(response, acts.mounted(tools, held, body.turn, body.copy_, body.how))


@router.post("/v1/loads/{identity}/pulled", openapi_extra=_act(errors.BadRequest))
def report_pulled(tools: AtHand, response: Response, held: Held, body: PulledIn) -> LoadAnswer:
    """What was found in the bins, and what was missing or blemished, by bin and product; bare blades by lot.
    Of a unit that is at the bench already (`jobs`), until the start, that it is blemished."""
    bins: pulls.Bins = {
        bin_name: {sku: counts.model_dump() for sku, counts in products.items()}  # type: ignore[misc]
        for bin_name, products in body.bins.items()
    }
    return _answer(response, acts.pulled(tools, held, body.jobs, body.lots, bins))


@router.post("/v1/loads/{identity}/seated", openapi_extra=_act(errors.BadRequest))
def report_seated(tools: AtHand, response: Response, held: Held, body: SeatedIn) -> LoadAnswer:
    """What sits in the slots of a turn, and what does not fit."""
    return _answer(response, acts.seated(tools, held, body.turn, body.slots))


@router.post(
    "/v1/loads/{identity}/start",
    openapi_extra=_act(
        errors.StaleFile,
        errors.StaleCalibration,
        errors.AlreadyBurned,
        errors.LoadRefused,
        errors.RoutineDue,
        errors.CheckTooSlow,
        errors.CheckersBusy,
    ),
)
def start_turn(tools: AtHand, response: Response, held: Held, body: StartIn) -> LoadAnswer:
    """Before the beam is on: this turn burns now, from the file with this digest."""
    return _answer(response, acts.start(tools, held, body.turn, body.file_sha256))


@router.post("/v1/loads/{identity}/finish", openapi_extra=_act())
def finish_turn(tools: AtHand, response: Response, held: Held, body: FinishIn) -> LoadAnswer:
    """The turn has burned to its end."""
    return _answer(response, acts.finish(tools, held, body.turn))


@router.post(
    "/v1/loads/{identity}/again",
    openapi_extra=_act(errors.BadRequest, errors.StaleCalibration, errors.AlreadyBurned),
)
def burn_again(tools: AtHand, response: Response, held: Held, body: AgainIn) -> LoadAnswer:
    """Burn faint or partial marks again in the same seating: a new file, those jobs only. `withdraw` takes
    that back before it was started."""
    act = acts.not_again if body.withdraw else acts.again
    return _answer(response, act(tools, held, body.turn, body.jobs, body.reason))


@router.post("/v1/loads/{identity}/resolve", openapi_extra=_act(errors.BadRequest))
def resolve_load(tools: AtHand, response: Response, held: Held, body: ResolveIn) -> LoadAnswer:
    """After an interruption: what is on the metal, unit by unit and face by face."""
    lots: dict[str, dict[doubts.Outcome, int]] = {
        lot: {"clean": count.clean, "partial": count.partial, "complete": count.complete}
        for lot, count in body.lots.items()
    }
    return _answer(response, acts.resolve(tools, held, body.jobs, lots))


@router.post("/v1/loads/{identity}/inspect", openapi_extra=_act(errors.BadRequest))
def inspect_load(tools: AtHand, response: Response, held: Held, body: InspectIn) -> LoadAnswer:
    """What inspection found: pass, or scrap with a reason. Between turns a unit that passes so far leaves the
    load and waits for another with its other face."""
    jobs = {job: Inspected(verdict.result, verdict.reason) for job, verdict in body.jobs.items()}
    lots = {lot: BladesInspected(count.passed, count.scrap) for lot, count in body.lots.items()}
    return _answer(response, acts.inspect(tools, held, jobs, lots))


@router.post("/v1/loads/{identity}/release", openapi_extra=_act())
def release_load(tools: AtHand, response: Response, held: Held) -> LoadAnswer:
    """Hand over to packing what passed, and free the plate."""
    return _answer(response, acts.release(tools, held))


@router.get(
    "/v1/loads/{identity}/turns/{turn}/burn.{kind}",
    openapi_extra=details(
        errors.MoveNotAllowed,
        errors.AlreadyBurned,
        errors.StaleFile,
        errors.LoadRefused,
        errors.CatalogueMissing,
        errors.CheckTooSlow,
        errors.CheckersBusy,
        files=BURN_FILES,
        etag=True,
    ),
)
def get_burn_file(
    request: Request, tools: AtHand, identity: wire.LoadId, turn: wire.Turn, kind: wire.BurnFormat, who: House
) -> Response:
    """A burn file: judged, and what is left to burn in that turn only."""
    return wire.file_answer(
        request, files.burn_file(tools, number(LOAD, identity), turn, kind).file, "attachment"
    )


@router.get(
    "/v1/loads/{identity}/turns/{turn}/guide.svg",
    openapi_extra=details(
        errors.CatalogueMissing, errors.CheckTooSlow, errors.CheckersBusy, files=[SVG], etag=True
    ),
)
def get_guide(
    request: Request, tools: AtHand, identity: wire.LoadId, turn: wire.Turn, who: House
) -> Response:
    """Where each unit sits; never for burning."""
    return wire.file_answer(request, files.guide(tools, number(LOAD, identity), turn), "inline")


def _answer(response: Response, load: LoadAnswer) -> LoadAnswer:
    response.headers["ETag"] = load.etag
    return load
