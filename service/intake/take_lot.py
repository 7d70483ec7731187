"""What a request for a lot needs besides its transaction: the check first, then one write."""

from __future__ import annotations

from dataclasses import asdict

from sqlalchemy.orm import Session

from layout.check.feasibility import CheckResult
from service.intake import check as checks
from service.loads import lots
from service.records.ids import LOT, public
from service.records.who import By, Who
from service.requests.idempotency import Answer, answer_once, created, fingerprint_of, key_of
from service.shop.tools import Service


def take_lot(service: Service, wanted: lots.LotWanted, idempotency_key: str | None, *, who: Who) -> Answer:
    """Answer `POST /v1/lots` once per key."""
    key = key_of(idempotency_key)

    def prepare() -> CheckResult:
        with service.database.reading() as session:
            known = checks.in_force(session)
        return service.geometry.check(wanted.sku, wanted.inscriptions, in_force=known)

    def work(session: Session, result: CheckResult) -> Answer:
        now = service.clock()
        lot = lots.open_lot(session, wanted, result, shop=service.catalogue.current, by=By(who, now))
        headers = {"Location": f"/v1/lots/{public(LOT, lot.id)}", "ETag": lots.etag_of(lot)}
        return created(lots.lot_json(lot), headers)

    return answer_once(
        service.database,
        service.clock,
        client=who.client,
        route="POST /v1/lots",
        key=key,
        fingerprint=fingerprint_of(asdict(wanted)),
        prepare=prepare,
        work=work,
    )
