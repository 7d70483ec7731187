"""The store's pages: a product with the component, the basket, an order and what was told of it."""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import uvicorn
from fastapi import (
    APIRouter,
    BackgroundTasks,
    Cookie,
    Depends,
    FastAPI,
    Form,
    HTTPException,
    Request,
    Response,
)
from fastapi.responses import HTMLResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from standardwebhooks import WebhookVerificationError

from demo.store import words
from demo.store.records import Placed, Records
from service.client import Store

_FOLDER = Path(__file__).parent / "pages"
_PAGES = Environment(loader=FileSystemLoader(_FOLDER), autoescape=True, undefined=StrictUndefined)
#: What is sold, for how many euros, and what engraving costs.
PRICES = {"AQ-CHEF-20": 129, "AQ-SANT-17": 119, "AQ-HORI-18": 64, "AQ-GRAFT-7": 48}
ENGRAVING = 18
#: The component's script and what it asks for come from the service, its pictures are data.
_POLICY = (
    "default-src 'none'; script-src 'self' {0}; connect-src 'self' {0}; style-src 'self'; "
    "img-src 'self' data:; form-action 'self' {0}; base-uri 'none'; frame-ancestors 'none'"
)

router = APIRouter()


@dataclass(frozen=True)
class Shop:
    """What the pages need: the service's address, the publishable key, names by sku, the store's records."""

    service: str
    key: str
    names: Mapping[str, str]
    records: Records


def _shop(request: Request) -> Shop:
    shop: Shop = request.app.state.shop
    return shop


Here = Annotated[Shop, Depends(_shop)]
Buyer = Annotated[str, Cookie(alias="buyer")]


def _mine(shop: Here, order_ref: str, buyer: Buyer = "") -> Placed:
    """The buyer's own order; nobody else's is found."""
    placed = shop.records.placed.get(order_ref)
    if placed is None or placed.buyer != buyer:
        raise HTTPException(404)
    return placed


Mine = Annotated[Placed, Depends(_mine)]


def _page(request: Request, name: str, **values: Any) -> Response:
    shop, buyer = _shop(request), request.cookies.get("buyer", "")
    lang = request.cookies.get("lang") or request.headers.get("accept-language", "en")[:2]
    german = words.GERMAN if lang == "de" else {}
    html = _PAGES.get_template(name).render(
        lang="de" if german else "en",
        say=lambda text: german.get(text, text),
        count=len(shop.records.basket(buyer).lines) if buyer else 0,
        shop=shop,
        prices=PRICES,
        engraving=ENGRAVING,
        **values,
    )
    headers = {"Content-Security-Policy": _POLICY.format(shop.service), "Cache-Control": "no-store"}
    answer = HTMLResponse(html, headers=headers)
    if not buyer:
        answer.set_cookie("buyer", secrets.token_urlsafe(), httponly=True, samesite="lax")
    return answer


def _go_to(path: str) -> RedirectResponse:
    return RedirectResponse(path, status_code=303)


@router.get("/")
def get_product(request: Request, sku: str = "AQ-CHEF-20") -> Response:
    if sku not in PRICES:
        raise HTTPException(404)
    return _page(request, "product.html", sku=sku)


@router.get("/language/{lang}")
def get_language(lang: str) -> Response:
    answer = _go_to("/")
    answer.set_cookie("lang", "de" if lang == "de" else "en", samesite="lax")
    return answer


@router.get("/basket")
def get_basket(request: Request, shop: Here, buyer: Buyer = "") -> Response:
    return _page(request, "basket.html", lines=shop.records.basket(buyer).lines if buyer else [])


@router.post("/basket")
def post_basket(
    shop: Here, sku: Annotated[str, Form()], engraving: Annotated[str, Form()] = "", buyer: Buyer = ""
) -> Response:
    """A knife into the basket, with what the component gave the form: the words, and the token of what was
    shown. Whoever sends something else is told by the service's check, which looks at every order anew."""
    if not buyer or sku not in PRICES:
        raise HTTPException(422)
    chosen = json.loads(engraving) if engraving else {"inscriptions": [], "token": None}
    line = {"sku": sku, "quantity": 1, "inscriptions": chosen["inscriptions"]}
    shop.records.basket(buyer).lines.append(line | ({"preview": chosen["token"]} if chosen["token"] else {}))
    return _go_to("/basket")


@router.post("/basket/remove")
def post_remove(shop: Here, number: Annotated[int, Form(ge=0)], buyer: Buyer = "") -> Response:
    shop.records.remove(buyer, number)
    return _go_to("/basket")


@router.post("/orders")
def post_order(shop: Here, buyer: Buyer = "") -> Response:
    order_ref = shop.records.pay(buyer)
    if not order_ref:
        return _go_to("/basket")
    shop.records.send(shop.records.placed[order_ref])
    return _go_to(f"/orders/{order_ref}")


@router.get("/orders/{order_ref}")
def get_order(request: Request, placed: Mine) -> Response:
    order = placed.order and placed.order.value
    said = {"states": words.STATES, "events": words.EVENTS, "notes": words.NOTES}
    return _page(request, "order.html", placed=placed, order=order, **said)


@router.post("/orders/{order_ref}/send")
def post_again(shop: Here, placed: Mine, order_ref: str) -> Response:
    shop.records.send(placed)
    return _go_to(f"/orders/{order_ref}")


@router.post("/orders/{order_ref}/cancel")
def post_cancel(shop: Here, placed: Mine, order_ref: str) -> Response:
    shop.records.cancel(placed)
    return _go_to(f"/orders/{order_ref}")


@router.post("/orders/{order_ref}/proof")
def post_proof(shop: Here, placed: Mine, order_ref: str) -> Response:
    """To the buyer's proof, by a link of its own that ends by itself."""
    if placed.order is None:
        return _go_to(f"/orders/{order_ref}")
    return _go_to(shop.records.service.proof_link(placed.order.value["id"]))


@router.post("/told", status_code=204)
async def post_told(shop: Here, request: Request, afterwards: BackgroundTasks) -> None:
    """An event of the service: believed when its signature is right, answered at once, worked in after."""
    try:
        placed = shop.records.told(await request.body(), request.headers)
    except WebhookVerificationError as error:
        raise HTTPException(401) from error
    if placed is not None:
        afterwards.add_task(shop.records.send, placed)


@dataclass(frozen=True)
class OpenStore:
    """A store that is open: its address, and what its pages need."""

    address: str
    shop: Shop


@contextmanager
def open_store(port: int, *, service: str, keys_for: Callable[[str], tuple[str, str]]) -> Iterator[OpenStore]:
    """The store, open on this machine, closed at the end. `service` is that one's address; `keys_for` gives
    the store's key and the publishable one for its pages, by the store's own address."""
    own = f"http://127.0.0.1:{port}"
    key, publishable = keys_for(own)
    with Store(service, key) as client:
        names = {product["sku"]: product["name"] for product in client.catalogue()["products"]}
        told = client.register_callback(f"{own}/told", key="told-" + secrets.token_hex(8))
        assert told["secret"] is not None  # the key of this request was never used before
        app = FastAPI(openapi_url=None)
        app.mount("/static", StaticFiles(directory=_FOLDER))
        app.include_router(router)
        app.state.shop = Shop(service, publishable, names, Records(client, told["secret"]))
        config = uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error", access_log=False)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        try:
            while not server.started and thread.is_alive():
                thread.join(0.05)
            yield OpenStore(own, app.state.shop)
        finally:
            server.should_exit = True
            thread.join()
