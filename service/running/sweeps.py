"""Look for what was left lying. The rules are the bench's own (`service.loads.leases`, `service.bench.acts`);
this only calls them, again and again."""

from __future__ import annotations

from datetime import timedelta

import structlog

from service.bench import acts as bench
from service.intake import homeless as places
from service.loads import leases
from service.records.who import SWEEP
from service.requests import idempotency_rows as idempotency
from service.requests import key_rows as keys
from service.shop.tools import Tools
from service.stock import reservations as stock

log = structlog.get_logger(__name__)


def sweep_loads(tools: Tools) -> leases.Lapsed:
    """Give unstarted loads back whose lease is over; mark started ones interrupted that never finished."""
    lapsed = tools.database.write(lambda session: leases.lapse(session, tools.clock()))
    if lapsed.dropped or lapsed.interrupted:
        log.warning("loads_lapsed", dropped=lapsed.dropped, interrupted=lapsed.interrupted)
    return lapsed


def sweep_short(tools: Tools) -> int:
    """Make short jobs ready for which a unit is free after all."""
    return tools.database.write(lambda session: stock.serve_all_short(session, by=tools.by(SWEEP)))


def sweep_places(tools: Tools) -> int:
    """Put units before the desk that nothing in the shop takes any more; let go those that it takes again."""
    moved = places.look(tools)
    if moved:
        log.warning("places_changed", units=moved)
    return moved


def render_load(tools: Tools, load_id: int) -> None:
    """Build and record the files of a load as it is now; nothing for one that is over."""
    bench.render(tools, load_id)


def forget_answers(tools: Tools) -> None:
    """Forget answers whose Idempotency-Key has outlived its time; `order_ref` stays a guard for ever."""
    before = tools.clock() - timedelta(hours=tools.settings.idempotency_hours)
    tools.database.write(lambda session: idempotency.forget_older(session, before))


def forget_sessions(tools: Tools) -> None:
    """Forget sessions that were signed out of and whose time is over anyway."""
    tools.database.write(lambda session: keys.forget_ended(session, tools.clock()))
