"""The buyer's proof: what a signed link shows, and the two answers it takes. No sign-in and nothing else.

The page speaks as the shop: its buyers know nothing of this service.
"""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service.doorway import TEST_LINK, AtHand, voice_of
from service.intake import proof_links, proofs
from service.intake.order_answers import unpromised_order_answer
from service.intake.proof_links import LinkOver
from service.pages import photographed
from service.pages.gate import OwnForm
from service.pages.render import PageRoute, page, status_of
from service.papers import buyers_pictures
from service.papers.voice import Voice
from service.photos import photos
from service.records.errors import NotFound, Refusal
from service.records.tables import Order
from service.requests import sessions
from service.shop.stores import language_for
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get("/proof/{token}")
def get_buyers_proof(request: Request, tools: AtHand, token: str) -> Response:
    return _proof(request, tools, token)


@router.post("/proof/{token}")
def post_buyers_answer(request: Request, tools: AtHand, token: str, form: OwnForm) -> Response:
    """The buyer's approval or request for a change. The token itself proves who may answer."""
    secret, now = sessions.secret_of(tools.settings.data), tools.clock()
    signed = token.removeprefix(TEST_LINK)

    def work(session: Session) -> None:
        if form.get("answer") == "yes":
            proof_links.agree(session, signed, secret=secret, now=now)
        else:
            proof_links.ask_for_change(session, signed, str(form.get("wish", "")), secret=secret, now=now)

    try:
        tools.database.write(work)
    except Refusal as refusal:
        return _proof(request, tools, token, refused=refusal)
    return _proof(request, tools, token, answered="yes" if form.get("answer") == "yes" else "change")


@router.get("/proof/{token}/photos/{identity}.jpg")
def get_buyers_photo(tools: AtHand, token: str, identity: str) -> Response:
    """A photo that the shop shares with this buyer."""
    with tools.database.reading() as session:
        secret = sessions.secret_of(tools.settings.data)
        try:
            opened = proof_links.open_link(
                session, token.removeprefix(TEST_LINK), secret=secret, now=tools.clock()
            )
        except LinkOver:
            raise NotFound("there is no such photo") from None
        shared = [
            photo.id for of_line in photographed.shared(session, opened.order).values() for photo in of_line
        ]
        if identity not in shared:
            raise NotFound("there is no such photo")
        data = photos.picture(tools, photos.find(session, identity))
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": "no-store"})


def _proof(
    request: Request, tools: Tools, token: str, *, refused: Refusal | None = None, answered: str = ""
) -> Response:
    shop = tools.catalogue.current
    try:
        with tools.database.reading() as session:
            secret = sessions.secret_of(tools.settings.data)
            opened = proof_links.open_link(
                session, token.removeprefix(TEST_LINK), secret=secret, now=tools.clock()
            )
            shown = unpromised_order_answer(opened.order)
            asked = proof_links.asked_for(session, opened.order)
            otherwise = language_for(shop, opened.order.client)
            shared = photographed.shared(session, opened.order)
            pictures = _pictures(tools, session, opened.order, voice_of(request, otherwise))
    except LinkOver as over:
        return page(
            request, "proof_over.html", status=status_of(over), over=over, shop_name=shop.policy.shop_name
        )
    return page(
        request,
        "proof.html",
        status=status_of(refused) if refused else 200,
        refused=refused,
        otherwise=otherwise,
        order=shown,
        until=opened.until,
        asked=asked,
        wishes_left=opened.wishes_left,
        photos={line.line_ref: shared.get(line.line_ref, ()) for line in shown.lines},
        pictures={line.line_ref: pictures.get(line.line_ref, []) for line in shown.lines},
        products=shop.products,
        answered=answered,
        longest=proof_links.LONGEST_WISH,
        shop_name=shop.policy.shop_name,
    )


def _pictures(tools: Tools, session: Session, order: Order, voice: Voice) -> dict[str, list[str]]:
    """By line, one picture for each face; none of a line that can't be engraved as it stands."""
    try:
        shown = proofs.approved(tools, session, order)
    except NotFound:
        return {}
    pictures: dict[str, list[str]] = {}
    for one in shown:
        svg = buyers_pictures.picture_svg(one, voice)
        pictures.setdefault(one.line_ref, []).append(svg[svg.index("<svg") :])
    return pictures
