"""The buyer's proof: what a signed link shows, and the two answers it takes. No sign-in and nothing else."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from layout.shop.findings import Verdict
from service.doorway import AtHand
from service.intake import proof_links
from service.intake import take_order as intake
from service.intake.order_answers import LineAnswer, unpromised_order_answer
from service.pages.gate import OwnForm
from service.pages.render import PageRoute, language_of, page, status_of
from service.papers import texts
from service.records.errors import Refusal
from service.records.ids import ORDER, public
from service.records.who import Role, Who
from service.requests import sessions
from service.shop.tools import Tools

router = APIRouter(include_in_schema=False, route_class=PageRoute)


@router.get("/proof/{token}")
def get_buyers_proof(request: Request, tools: AtHand, token: str) -> Response:
    return _proof(request, tools, token)


@router.post("/proof/{token}")
def post_buyers_answer(request: Request, tools: AtHand, token: str, form: OwnForm) -> Response:
    """The buyer's approval or request for a change. The token itself proves who may answer."""
    secret, now = sessions.secret_of(tools.settings.data), tools.clock()

    def work(session: Session) -> None:
        if form.get("answer") == "yes":
            proof_links.agree(session, token, secret=secret, now=now)
        else:
            proof_links.ask_for_change(session, token, str(form.get("wish", "")), secret=secret, now=now)

    try:
        tools.database.write(work)
    except Refusal as refusal:
        return _proof(request, tools, token, refused=refusal)
    return _proof(request, tools, token, answered="yes" if form.get("answer") == "yes" else "change")


def _proof(
    request: Request, tools: Tools, token: str, *, refused: Refusal | None = None, answered: str = ""
) -> Response:
    with tools.database.reading() as session:
        opened = proof_links.open_link(
            session, token, secret=sessions.secret_of(tools.settings.data), now=tools.clock()
        )
        shown = unpromised_order_answer(opened.order)
        client, identity = opened.order.client, public(ORDER, opened.order.id)
    pictures: dict[str, list[str]] = {}
    who = Who(role=Role.STORE, client=client, name="the buyer, by proof link")
    for line in shown.lines:
        pictures[line.line_ref] = _pictures(request, tools, identity, line, who)
    return page(
        request,
        "proof.html",
        status=status_of(refused) if refused else 200,
        refused=refused,
        order=shown,
        until=opened.until,
        pictures=pictures,
        products=tools.catalogue.current.products,
        answered=answered,
        longest=proof_links.LONGEST_WISH,
    )


def _pictures(request: Request, tools: Tools, identity: str, line: LineAnswer, who: Who) -> list[str]:
    """One picture for each face; none for a line that can't be engraved as it stands."""
    if line.verdict is Verdict.REFUSE:
        return []
    faces = dict.fromkeys(checked.face for checked in line.checked if checked.face)
    is_captioned = language_of(request) == texts.DEFAULT
    return [
        svg_of(
            intake.proof(
                tools,
                identity,
                "svg",
                line_ref=line.line_ref,
                face=face,
                who=who,
                is_captioned=is_captioned,
            )[0]
        )
        for face in faces
    ]


def svg_of(picture: bytes) -> str:
    """The picture's SVG element alone, to stand in a page."""
    text = picture.decode()
    return text[text.index("<svg") :]
