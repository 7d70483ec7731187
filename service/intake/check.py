"""A check answered: can this be engraved, what would it look like, is a unit in stock, by when is it ready?

Nothing is stored here. A request that stores an order checks its lines in `take_order`, which writes them
down by `taking`; what becomes of a stored order (amended, approved, cancelled) is in `orders`.
"""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field
from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from layout.shop.inscriptions import Inscription
from service.loads import calibrations, proving_rows
from service.plan import paces as learning
from service.plan import promises
from service.plan.paces import Paces
from service.plan.promises import PromiseAnswer
from service.proving import test_cards
from service.records.db import remembered
from service.requests.answers import AnswerBody
from service.requests.check_answers import ResultAnswer, result_answer
from service.shop.geometry_workers import InForce
from service.shop.stores import shop_for
from service.shop.tools import Tools
from service.stock import stock_rows as stock

_IN_FORCE = "what checks go by"


class BoxedAnswer(AnswerBody):
    """What stands boxed of a product."""

    available: int = Field(description="Boxed units that no job has reserved.", examples=[12])


class CheckAnswer(ResultAnswer):
    """Whether inscriptions can be engraved on a product, with everything that there is to say about it."""

    promise: PromiseAnswer = Field(description="By when one more such unit would be engraved.")
    stock: BoxedAnswer = Field(description="What stands boxed of the product.")
    proof_svg: str | None = Field(
        description="Picture of the first face with a mark, as SVG; null where there is nothing to draw.",
        examples=['<svg xmlns="http://www.w3.org/2000/svg"/>'],
    )
    proofs: dict[str, str] = Field(
        description="Pictures of all faces with a mark, as SVG, by face.",
        examples=[{"mark_side": '<svg xmlns="http://www.w3.org/2000/svg"/>'}],
    )


def check(
    tools: Tools,
    sku: str,
    inscriptions: Sequence[Inscription],
    *,
    is_captioned: bool = True,
    client: str | None = None,
    store: str | None = None,
) -> CheckAnswer:
    """The whole answer of `POST /v1/checks`; its pictures with or without captions. `client`: whose share of
    the workers it is taken from; `store`: who asks, None for the shop's own people."""
    is_offered = sku in shop_for(tools.catalogue.current, store).products
    with tools.database.reading() as session:
        shop_in_force = in_force(session)
        available = stock.available(session, sku) if store is None or is_offered else 0
        paces = learning.paces(session)
    result, pictures = tools.geometry.proof(
        sku, inscriptions, in_force=shop_in_force, is_captioned=is_captioned, client=client, store=store
    )
    checked = result_answer(result, is_house=store is None)
    return CheckAnswer(
        verdict=checked.verdict,
        findings=checked.findings,
        inscriptions=checked.inscriptions,
        burn_seconds=_seconds(paces, result),
        promise=promises.of_check(tools, sku, result, available=available),
        stock=BoxedAnswer(available=available),
        proof_svg=next(iter(pictures.values()), None),
        proofs=pictures,
    )


def _seconds(paces: Paces, result: CheckResult) -> float | None:
    """The estimate at the pace learned for the stations where the unit may land."""
    if result.burn_seconds is None:
        return None
    places = {(place.station, place.plate, "") for place in result.eligible}
    faces = len({mark.face for mark in result.marks})
    return round(paces.slowest(places, result.burn_seconds, units=faces), 1)


def in_force(session: Session, newest: proving_rows.Newest | None = None) -> InForce:
    """What a check needs besides the shop's description: measured plates and test cards on record. Read anew
    when there is a newer one; `session` is one for reading, which sees nothing that may be undone. `newest`:
    as it was read just now, where it was."""
    newest, memory = newest or proving_rows.newest(session), remembered(session)
    if memory.get(_IN_FORCE, (None, None))[0] != newest:
        memory[_IN_FORCE] = newest, InForce(calibrations.in_force(session), test_cards.proofs(session))
    found: InForce = memory[_IN_FORCE][1]
    return found


def in_force_now(tools: Tools) -> InForce:
    """The same, for whoever reads nothing else with it."""
    with tools.database.reading() as session:
        return in_force(session)
