"""The owner: the catalogue as pictures, keys, callbacks."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from functools import partial
from typing import Any, TypeVar
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from layout.pictures.blades_and_plates import draw_face, draw_plate
from layout.shop.blades import Blade
from layout.shop.plates import Plate
from layout.shop.shop import Shop
from service.callbacks import callback_rows
from service.callbacks import deliveries as callbacks
from service.doorway import AtHand
from service.pages.desk import listed
from service.pages.gate import Form, OwnerVisitor, Visitor
from service.pages.render import PageRoute, page, status_of
from service.plan import board_rows as board
from service.proving import test_cards
from service.records import ids
from service.records.errors import BadRequest, NotFound, Refusal
from service.records.tables import Callback, Delivery, Event
from service.records.who import Role
from service.requests import act_rows as acts
from service.requests import key_rows, keys
from service.shop.font_tables import how_far
from service.shop.tools import Tools

_Result = TypeVar("_Result")

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_SHOWN = 50


@router.get("/owner")
def get_owner(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """Blades, plates and stations at a glance, and the way to everything else."""
    with tools.database.reading() as session:
        shop = test_cards.proven(session, tools.catalogue.current)
        misfits = [held for held in map(listed, board.held_orders(session)) if held.no_longer_fits]
    measured = [(spec, how_far(spec, tools.settings.font_tables)) for spec in shop.fonts.values()]
    unmeasured = [(spec, far) for spec, far in measured if far is None or not far.is_whole]
    return page(request, "owner.html", visitor, shop=shop, misfits=misfits, unmeasured=unmeasured)


@router.get("/owner/blades/{blade}")
def get_blade(request: Request, tools: AtHand, blade: str, visitor: OwnerVisitor) -> Response:
    """Every face of a blade with its zones and keep-outs."""
    shown_blade = _blade(tools, blade)
    shop: Shop = tools.catalogue.current
    pictures = [
        (
            f"/owner/blades/{quote(blade)}/{quote(face.face)}.svg",
            f"{shown_blade.name}, {face.face.replace('_', ' ')}",
        )
        for face in shown_blade.faces
    ]
    products = [product for product in shop.products.values() if product.blade == blade]
    return page(
        request, "picture.html", visitor, title=shown_blade.name, pictures=pictures, products=products
    )


@router.get("/owner/blades/{blade}/{face}.svg")
def get_face_picture(tools: AtHand, blade: str, face: str, visitor: OwnerVisitor) -> Response:
    shown_blade = _blade(tools, blade)
    shown_face = next((f for f in shown_blade.faces if f.face == face), None)
    if shown_face is None:
        raise NotFound("there is no such face", id=face)
    return _svg(draw_face(shown_blade, shown_face))


@router.get("/owner/plates/{plate}.svg")
def get_plate_picture(tools: AtHand, plate: str, visitor: OwnerVisitor) -> Response:
    return _svg(draw_plate(_plate(tools, plate), tools.catalogue.current.blades))


@router.get("/owner/plates/{plate}")
def get_plate(request: Request, tools: AtHand, plate: str, visitor: OwnerVisitor) -> Response:
    """A plate with every slot and what each takes."""
    shown_plate = _plate(tools, plate)
    pictures = [(f"/owner/plates/{quote(plate)}.svg", f"{shown_plate.name}, {len(shown_plate.slots)} slots")]
    return page(request, "picture.html", visitor, title=shown_plate.name, pictures=pictures, products=[])


@router.get("/owner/keys")
def get_keys(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    return _keys(request, tools, visitor)


@router.post("/owner/keys")
def post_key(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """A new key, shown once."""
    client = " ".join(str(form.get("client", "")).split())[:60]
    role = str(form.get("role", ""))
    if role not in {known_role.value for known_role in Role} or not client or not client.isprintable():
        wrong = BadRequest("enter who the key is for, and its role", field="client")
        return _keys(request, tools, visitor, refused=wrong)
    origins = str(form.get("origins", "")).split()

    def work(session: Session) -> str:
        return keys.new_key(
            session, Role(role), client=client, now=tools.clock(), origins=origins, who=visitor.who
        )

    try:
        key = tools.database.write(work)
    except Refusal as refusal:
        return _keys(request, tools, visitor, refused=refusal)
    return _keys(request, tools, visitor, made=key)


@router.post("/owner/keys/{key_id}/revoke")
def post_revoke(request: Request, tools: AtHand, key_id: str, visitor: OwnerVisitor, form: Form) -> Response:
    """Revoke a key, and with it every session signed in by it."""
    try:
        tools.database.write(lambda session: keys.revoke(session, key_id, now=tools.clock(), who=visitor.who))
    except Refusal as refusal:
        return _keys(request, tools, visitor, refused=refusal)
    return RedirectResponse("/owner/keys", 303)


@router.get("/owner/acts")
def get_acts(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    """Who did what with keys, callbacks, test cards, plates, lots and the shop's description."""
    with tools.database.reading() as session:
        rows = acts.listed(session, limit=acts.SHOWN)
    return page(request, "acts.html", visitor, acts=rows)


@router.get("/owner/callbacks")
def get_callbacks(request: Request, tools: AtHand, visitor: OwnerVisitor) -> Response:
    return _callbacks(request, tools, visitor)


@router.post("/owner/callbacks")
def post_callback(request: Request, tools: AtHand, visitor: OwnerVisitor, form: Form) -> Response:
    """Register an address for a store; the signing secret is shown once."""
    url, client = str(form.get("url", "")).strip(), str(form.get("client", "")).strip()

    def work(session: Session) -> Callback:
        return callbacks.register(
            session,
            url,
            client=client or None,
            by=tools.by(visitor.who),
            loopback_allowed=tools.settings.callbacks_to_loopback,
        )

    try:
        made = tools.database.write(work)
    except Refusal as refusal:
        return _callbacks(request, tools, visitor, refused=refusal)
    return _callbacks(request, tools, visitor, secret=made.secret)


@router.post("/owner/callbacks/{identity}/resend")
def post_resend(
    request: Request, tools: AtHand, identity: str, visitor: OwnerVisitor, form: Form
) -> Response:
    """Send again whatever was not delivered, or the delivery named."""
    only = [callbacks.delivery_id(str(name)) for name in form.getlist("delivery")] or None
    try:
        count = _done_with(tools, visitor, identity, partial(callbacks.resend, only=only))
    except Refusal as refusal:
        return _callbacks(request, tools, visitor, refused=refusal)
    return _callbacks(request, tools, visitor, resent=count)


@router.get("/owner/callbacks/{identity}/given-up")
def get_given_up(
    request: Request, tools: AtHand, identity: str, visitor: OwnerVisitor, before: str = ""
) -> Response:
    """All that was not taken at an address and is not tried any more, a page at a time."""
    before_id = callbacks.delivery_id(before) if before else None
    with tools.database.reading() as session:
        callback = callbacks.find(session, identity, who=visitor.who)
        rows = callback_rows.given_up(session, callback, before_id=before_id, limit=_SHOWN + 1)
        sent = _sent(callback, rows[:_SHOWN])
    return page(
        request,
        "given_up.html",
        visitor,
        id=identity,
        callback=callback,
        deliveries=sent,
        older=sent[-1]["id"] if len(rows) > _SHOWN else None,
    )


@router.post("/owner/callbacks/{identity}/ping")
def post_ping(request: Request, tools: AtHand, identity: str, visitor: OwnerVisitor, form: Form) -> Response:
    """Try the receiver: what came of it stands in the list of deliveries."""
    try:
        _done_with(tools, visitor, identity, callbacks.ping)
    except Refusal as refusal:
        return _callbacks(request, tools, visitor, refused=refusal)
    return RedirectResponse("/owner/callbacks", 303)


@router.post("/owner/callbacks/{identity}/rotate-secret")
def post_rotate(
    request: Request, tools: AtHand, identity: str, visitor: OwnerVisitor, form: Form
) -> Response:
    """A new secret, shown once; the old one also signs for another day."""
    try:
        rotated = _done_with(tools, visitor, identity, callbacks.rotate)
    except Refusal as refusal:
        return _callbacks(request, tools, visitor, refused=refusal)
    return _callbacks(request, tools, visitor, secret=rotated.secret, until=callbacks.previous_until(rotated))


@router.post("/owner/callbacks/{identity}/remove")
def post_remove(
    request: Request, tools: AtHand, identity: str, visitor: OwnerVisitor, form: Form
) -> Response:
    try:
        _done_with(tools, visitor, identity, callbacks.remove)
    except Refusal as refusal:
        return _callbacks(request, tools, visitor, refused=refusal)
    return RedirectResponse("/owner/callbacks", 303)


def _done_with(tools: Tools, visitor: Visitor, identity: str, act: Callable[..., _Result]) -> _Result:
    """What an act of the visitor on a callback, of `service.callbacks.deliveries`, gives. Raises Refusal."""

    def work(session: Session) -> _Result:
        callback = callbacks.find(session, identity, who=visitor.who)
        return act(session, callback, by=tools.by(visitor.who))

    return tools.database.write(work)


# --- how it is shown ---


def _blade(tools: Tools, name: str) -> Blade:
    blades: Mapping[str, Blade] = tools.catalogue.current.blades
    if name not in blades:
        raise NotFound("there is no such blade", id=name)
    return blades[name]


def _plate(tools: Tools, name: str) -> Plate:
    plates: Mapping[str, Plate] = tools.catalogue.current.plates
    if name not in plates:
        raise NotFound("there is no such plate", id=name)
    return plates[name]


def _svg(picture: str) -> Response:
    return Response(picture, media_type="image/svg+xml")


def _keys(
    request: Request,
    tools: Tools,
    visitor: Visitor,
    *,
    refused: Refusal | None = None,
    made: str | None = None,
) -> Response:
    with tools.database.reading() as session:
        rows = key_rows.all_keys(session)
    return page(
        request,
        "keys.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        keys=rows,
        in_use={row.key_id for row in rows if keys.is_in_use(row, now=tools.clock())},
        made=made,
        roles=[role.value for role in Role],
    )


def _sent(callback: Callback, rows: Iterable[tuple[Delivery, Event]]) -> list[dict[str, Any]]:
    return [
        {
            "id": callbacks.public_delivery(delivery),
            "delivery": delivery,
            "event": event,
            "is_given_up": delivery.next_at is None or callback.disabled_at is not None,
            "tries": [
                (datetime.fromisoformat(one["at"]), one["status"] or one["error"]) for one in delivery.tries
            ],
        }
        for delivery, event in rows
    ]


def _callbacks(
    request: Request, tools: Tools, visitor: Visitor, *, refused: Refusal | None = None, **shown: Any
) -> Response:
    with tools.database.reading() as session:
        listed = [
            {
                "id": ids.public(ids.CALLBACK, callback.id),
                "callback": callback,
                "old_until": callbacks.previous_until(callback),
                "given_up": callback_rows.count_given_up(session, callback),
                "deliveries": _sent(
                    callback, callback_rows.deliveries_of(session, callback.id, limit=_SHOWN)
                ),
            }
            for callback in callbacks.listed(session, who=visitor.who)
        ]
    return page(
        request,
        "callbacks.html",
        visitor,
        status=status_of(refused) if refused else 200,
        refused=refused,
        listed=listed,
        now=tools.clock(),
        **{"secret": None, "until": None, "resent": None, **shown},
    )
