"""Papers as PDF, and the buyer's link."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy.orm import Session

from service.api import wire
from service.api.contract import PDF, details
from service.api.security import Anyone, House, Intake
from service.doorway import TEST_LINK, AtHand, Route, link_to, voice_of
from service.intake import orders, proof_links
from service.intake.order_answers import ProofLinkAnswer
from service.records import errors
from service.records.ids import LOAD, number
from service.requests import sessions
from service.shop.stores import language_for

router = APIRouter(tags=["papers"], route_class=Route)


@router.get(
    "/v1/loads/{identity}/sheet.pdf", openapi_extra=details(errors.CatalogueMissing, files=[PDF], etag=True)
)
def get_load_sheet(request: Request, tools: AtHand, identity: wire.LoadId, who: House) -> Response:
    """The sheet that goes with a load."""
    from service.papers import printed as paperwork

    return wire.pdf_answer(
        request,
        paperwork.load_sheet(tools, number(LOAD, identity), voice_of(request)),
        f"{identity}-sheet.pdf",
    )


@router.get(
    "/v1/loads/{identity}/labels.pdf", openapi_extra=details(errors.CatalogueMissing, files=[PDF], etag=True)
)
def get_load_labels(request: Request, tools: AtHand, identity: wire.LoadId, who: House) -> Response:
    """A label for every numbered unit of a load, 62 x 29 mm."""
    from service.papers import printed as paperwork

    return wire.pdf_answer(
        request,
        paperwork.unit_labels(tools, number(LOAD, identity), voice_of(request)),
        f"{identity}-labels.pdf",
    )


@router.get("/v1/plates/labels.pdf", openapi_extra=details(files=[PDF], etag=True))
def get_plate_labels(request: Request, tools: AtHand, who: House) -> Response:
    """A label for every copy of every plate, to be scanned when it is mounted."""
    from service.papers import labels

    plates = tools.catalogue.current.plates.values()
    return wire.pdf_answer(request, labels.plate_labels(plates, voice_of(request)), "plate-labels.pdf")


@router.get("/v1/stock/labels.pdf", openapi_extra=details(files=[PDF], etag=True))
def get_bin_labels(request: Request, tools: AtHand, who: House) -> Response:
    """A label for every bin."""
    from service.papers import printed as paperwork

    return wire.pdf_answer(request, paperwork.bin_labels(tools, voice_of(request)), "bin-labels.pdf")


@router.get("/v1/packing/labels.pdf", openapi_extra=details(files=[PDF], etag=True))
def get_shelf_labels(request: Request, tools: AtHand, who: House) -> Response:
    """A label for every shelf of the packing rack."""
    from service.papers import labels

    shelves = tools.catalogue.current.policy.shelves
    return wire.pdf_answer(request, labels.shelf_labels(shelves, voice_of(request)), "shelf-labels.pdf")


@router.get(
    "/v1/orders/{identity}/packing-list.pdf",
    openapi_extra=details(errors.CatalogueMissing, files=[PDF], etag=True),
)
def get_packing_list(request: Request, tools: AtHand, identity: wire.OrderId, who: House) -> Response:
    """What is in an order's parcel: each unit with its marks, the gift note, what goes in besides; its code
    ends the order when packing scans it."""
    from service.papers import printed as paperwork

    return wire.pdf_answer(
        request, paperwork.packing_list(tools, identity, voice_of(request)), f"{identity}-packing-list.pdf"
    )


@router.get(
    "/v1/orders/{identity}/proof.pdf", openapi_extra=details(errors.CatalogueMissing, files=[PDF], etag=True)
)
def get_proof_sheet(
    request: Request,
    tools: AtHand,
    identity: wire.OrderId,
    who: Anyone,
    line: Annotated[
        str | None,
        Query(max_length=100, description="One line of the order; left out: all.", examples=["1"]),
    ] = None,
    drawing: wire.Drawing = "picture",
) -> Response:
    """What is approved, a page a face, at true size where it fits the paper."""
    from service.papers import printed as paperwork

    sheet = paperwork.proof_sheet(
        tools,
        identity,
        line_ref=line,
        is_measured=drawing == "measured",
        who=who,
        voice=voice_of(request, language_for(tools.catalogue.current, who.client)),
    )
    return wire.pdf_answer(request, sheet, f"{identity}-proof.pdf")


@router.post("/v1/orders/{identity}/proof-link")
def make_proof_link(request: Request, tools: AtHand, identity: wire.OrderId, who: Intake) -> ProofLinkAnswer:
    """A signed link by which the buyer sees the proof and answers, good for these words only."""

    def work(session: Session) -> tuple[str, datetime]:
        order = orders.visible(session, identity, who=who)
        secret = sessions.secret_of(tools.settings.data)
        return proof_links.make(session, order, secret=secret, by=tools.by(who))

    token, until = tools.database.write(work)
    if tools.is_sandbox:
        token = f"{TEST_LINK}{token}"
    return ProofLinkAnswer(url=link_to(request, "get_buyers_proof", token=token), until=until)


@router.delete("/v1/orders/{identity}/proof-link", status_code=204)
def withdraw_proof_links(tools: AtHand, identity: wire.OrderId, who: Intake) -> Response:
    """Make every link of the order void that was given out so far."""

    def work(session: Session) -> None:
        order = orders.visible(session, identity, who=who)
        proof_links.withdraw(session, order, by=tools.by(who))

    tools.database.write(work)
    return Response(status_code=204)
