"""Take a lot: check its house mark outside a transaction, then store it in one."""

from __future__ import annotations

from dataclasses import asdict

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from service.intake import check as checks
from service.loads import lots
from service.loads.lot_answers import lot_answer
from service.records.ids import LOT, public
from service.records.who import Who
from service.requests.idempotency import Answer, answer_once, created, fingerprint_of, key_of
from service.shop.tools import Tools


def take_lot(tools: Tools, wanted: lots.LotWanted, idempotency_key: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/lots` once per key."""
    key = key_of(idempotency_key)

    def prepare() -> CheckResult:
        in_force = checks.in_force_now(tools)
        return tools.geometry.check(wanted.sku, wanted.inscriptions, in_force=in_force)

    def work(session: Session, result: CheckResult) -> Answer:
        lot = lots.open_lot(session, wanted, result, shop=tools.catalogue.current, by=tools.by(who))
        headers = {"Location": f"/v1/lots/{public(LOT, lot.id)}", "ETag": lots.etag_of(lot)}
        return created(lot_answer(lot), headers)

    return answer_once(
        tools.database,
        tools.clock,
        client=who.client,
        route="POST /v1/lots",
        key=key,
        fingerprint=fingerprint_of(asdict(wanted)),
        prepare=prepare,
        work=work,
    )
