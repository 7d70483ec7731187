"""The counting of a bin: box by box with a scanner, or by number. Nothing is true of it until it is taken.

A bin is counted once at a time, by whoever has it open: the count is a row and not a page, so that a tablet
may sleep, and another one go on. Every box of a product bears the same barcode, so what tells a new scan from
the same one sent twice is the count's revision, which every scan names and raises by one.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from sqlalchemy.orm import Session

from layout.shop.counts import CountJump
from layout.shop.shop import Shop
from service.records.errors import BadRequest, CountJumps, NotFound, StaleVersion, WrongBox
from service.records.ids import BIN, COUNT, number, public, shown
from service.records.moves import move_count, write_history
from service.records.states import CountState
from service.records.tables import StockCount
from service.records.who import By
from service.stock import count_rows as rows
from service.stock import reservations, stock_rows

#: Boxes of one product that a bin may be said to hold.
MOST = 100_000


def bin_of(session: Session, code: str) -> str:
    """The bin that a label or a typed name stands for. Raises WrongBox, NotFound."""
    typed = code.strip()
    if not typed:
        raise WrongBox("nothing was read; scan again", scanned=code)
    name = typed[len(BIN) :] if typed.upper().startswith(BIN) else typed
    known = {each.casefold(): each for each in stock_rows.bins(session)}
    if name.casefold() not in known:
        raise NotFound(f"there is no bin {shown(name)}", bin=shown(name))
    return known[name.casefold()]


def begin(session: Session, bin_name: str, *, by: By) -> StockCount:
    """Begin to count a bin; the count that is going on, where one is. Raises as `bin_of`."""
    known = bin_of(session, bin_name)
    count = rows.open_one(session, known)
    if count is not None:
        return count
    count = StockCount(
        bin=known,
        state=CountState.OPEN.value,
        counted={},
        seen_change=rows.last_change(session, known),
        began_at=by.at,
        began_by=by.who.name[:100],
    )
    session.add(count)
    session.flush()
    write_history(session, "count", count.id, count.state, by=by, why=f"bin {known}")
    session.flush()
    return count


def scan(session: Session, identity: str, if_match: str, code: str, *, shop: Shop) -> StockCount:
    """One more box of the scanned product stands there. Raises NotFound, StaleVersion, WrongBox."""
    count = _as_seen(session, identity, if_match)
    product = shop.product_of(code.strip())
    if product is None:
        if code.strip().upper().startswith(BIN):
            raise WrongBox(f"bin {count.bin} is being counted; take or drop that count first", scanned=code)
        raise WrongBox(f"{shown(code.strip())} is no box of this shop; scan its barcode", scanned=code)
    units = int(count.counted.get(product.sku, 0)) + 1
    return _write(session, count, {**count.counted, product.sku: units})


def say(
    session: Session, identity: str, if_match: str, counted: Mapping[str, int | None], *, shop: Shop
) -> StockCount:
    """Set how many boxes of some products stand there; None takes back what was said. Raises NotFound,
    StaleVersion, BadRequest for a product that the shop does not have and the bin never held."""
    count = _as_seen(session, identity, if_match)
    there = {row.sku for row in rows.in_bin(session, count.bin)}
    for sku, units in counted.items():
        if sku not in shop.products and sku not in there:
            raise BadRequest(f"there is no product {shown(sku)}", field="counted")
        if units is not None and not 0 <= units <= MOST:
            raise BadRequest(f"a count is a whole number from 0 to {MOST}", field="counted")
    both = {**count.counted, **counted}
    return _write(session, count, {sku: units for sku, units in both.items() if units is not None})


def take(
    session: Session, identity: str, if_match: str, *, sure: Collection[str], jump: CountJump, by: By
) -> StockCount:
    """Set the bin's counts to what was counted; products that were not counted stay as they are.

    `sure` names the products whose jump was asked about and confirmed. Raises NotFound; StaleVersion when the
    count or the bin has changed since the caller saw them; CountJumps; BadRequest when nothing was counted;
    StockTooLow when loads under way hold more units than were counted.
    """
    found = rows.lock(session, number(COUNT, identity))
    if found is not None and found.state == CountState.TAKEN.value:
        return found  # it is done: a second tap changes nothing
    count = _as_seen(session, identity, if_match)
    on_record = {row.sku: row.boxed for row in rows.in_bin(session, count.bin, lock=True)}
    if if_match != "*" and if_match != etag_of(session, count):
        raise StaleVersion(f"bin {count.bin} has changed while it was counted", bin=count.bin)
    if not count.counted:
        raise BadRequest("nothing was counted yet", field="counted")
    jumps = [
        {"sku": sku, "on_record": on_record.get(sku, 0), "counted": units}
        for sku, units in sorted(count.counted.items())
        if jump.is_jump(on_record.get(sku, 0), units) and sku not in sure
    ]
    if jumps:
        raise CountJumps(f"bin {count.bin}: are these counts right?", jumps=jumps)
    counts = [reservations.Count(count.bin, sku, units) for sku, units in sorted(count.counted.items())]
    reservations.put_counts(session, counts, by=by)
    move_count(session, count, CountState.TAKEN, by=by)
    return count


def drop(session: Session, identity: str, if_match: str, *, by: By) -> StockCount:
    """Forget what was counted. Raises NotFound, StaleVersion."""
    found = rows.lock(session, number(COUNT, identity))
    if found is not None and found.state == CountState.DROPPED.value:
        return found
    count = _as_seen(session, identity, if_match)
    move_count(session, count, CountState.DROPPED, by=by)
    return count


def etag_of(session: Session, count: StockCount) -> str:
    """Changes with the count and with what is on record of its bin: to take it, both must be as seen."""
    return f'"{count.revision}.{rows.last_change(session, count.bin)}"'


def _as_seen(session: Session, identity: str, if_match: str) -> StockCount:
    """The open count, if nobody has counted since the caller saw it. Raises NotFound, StaleVersion."""
    count = rows.find(session, number(COUNT, identity))
    if count is None:
        raise NotFound("there is no such count", id=identity)
    seen = if_match.strip('"').partition(".")[0]
    if count.state != CountState.OPEN.value or seen not in {"*", str(count.revision)}:
        raise StaleVersion(
            f"{public(COUNT, count.id)} has changed since you last saw it", etag=etag_of(session, count)
        )
    return count


def _write(session: Session, count: StockCount, counted: Mapping[str, int]) -> StockCount:
    if any(units > MOST for units in counted.values()):
        raise BadRequest(f"a count is a whole number from 0 to {MOST}", field="counted")
    if not rows.write(session, count, counted):
        raise StaleVersion(
            f"{public(COUNT, count.id)} has changed since you last saw it", etag=etag_of(session, count)
        )
    return count
