"""Sweeps: look for what a crash or a silent tablet left lying. The rules are those of the rooms themselves
(`service.loads.leases`, `service.bench.acts`); this calls them again and again."""

from __future__ import annotations

from datetime import timedelta

import structlog

from service.intake import batch_rows as batches
from service.intake import homeless as places
from service.loads import leases
from service.records.who import SWEEP
from service.requests import idempotency_rows as idempotency
from service.requests import key_rows as keys
from service.shop.tools import Tools
from service.stock import reservations as stock

log = structlog.get_logger(__name__)


def sweep_loads(tools: Tools) -> leases.Lapsed:
    """Return unstarted loads whose lease is over to the queue; mark silent burns interrupted."""
    lapsed = tools.database.write(lambda session: leases.lapse(session, tools.clock()))
    if lapsed.dropped or lapsed.interrupted:
        log.warning("loads_lapsed", dropped=lapsed.dropped, interrupted=lapsed.interrupted)
    return lapsed


def sweep_short(tools: Tools) -> int:
    """Make short jobs ready where a unit has become free."""
    return tools.database.write(lambda session: stock.serve_all_short(session, by=tools.by(SWEEP)))


def sweep_places(tools: Tools) -> int:
    """Hold units that no place in the shop takes any more; release those that fit again."""
    moved = places.look(tools)
    if moved:
        log.warning("places_changed", units=moved)
    return moved


def render_load(tools: Tools, load_id: int) -> None:
    """Build and record the files of a load as it is now; does nothing for one that is over."""
    from service.bench import acts as bench

    bench.render(tools, load_id)


def forget_answers(tools: Tools) -> None:
    """Delete answers and batches whose Idempotency-Key has expired; `order_ref` guards against doubles for
    ever."""
    before = tools.clock() - timedelta(hours=tools.settings.idempotency_hours)
    tools.database.write(lambda session: idempotency.forget_older(session, before))
    tools.database.write(lambda session: batches.forget_older(session, before))


def forget_words(tools: Tools) -> int:
    """Erase the orders whose words have been kept as long as the shop keeps them."""
    from service.privacy import erase as erasing

    erased = erasing.erase_due(tools)
    if erased:
        log.info("orders_erased", orders=erased)
    return erased


def forget_sessions(tools: Tools) -> None:
    """Delete ended sessions that have expired anyway."""
    tools.database.write(lambda session: keys.forget_ended(session, tools.clock()))
