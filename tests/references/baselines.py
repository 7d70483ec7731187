"""Two rules of the trade, written without anything of the planner's: what every plan must equal or beat.

Earliest due date, first fit: what fills a plate by the due times and opens another where none has room.
Apparent tardiness cost for batches: A. P. J. Vepsalainen and T. E. Morton, "Priority rules for job shops with
weighted tardiness costs", Management Science 33, 1987; for batches of incompatible families S. V. Mehta and
R. Uzsoy, "Minimizing total tardiness on a batch processing machine with incompatible job families", IIE
Transactions 30, 1998 (both quoted from memory).
"""

from __future__ import annotations

from math import exp

from tests.references.shops import Chosen, Clock, Shop, has_room, lateness_and_loads

#: How far ahead the apparent tardiness cost looks, in mean burning times; the best of them counts.
LOOKAHEADS = (1.0, 2.0, 4.0)


def earliest_due_date_first_fit(shop: Shop) -> list[Chosen]:
    """Each unit into the first load begun with room and time for it, else into a new one on the plate with
    most slots for it; loads to whichever station has its hands free first, in the order they were begun."""
    begun: list[tuple[str, list[int]]] = []
    for number in sorted(range(len(shop.units)), key=lambda u: (shop.units[u].due, u)):
        for plate, inside in begun:
            if has_room(shop, plate, [*inside, number]) and _is_short(shop, [*inside, number]):
                inside.append(number)
                break
        else:
            unit = shop.units[number]
            sizes = {p: shop.plates[p].narrow if unit.narrow else shop.plates[p].slots for p in unit.plates}
            begun.append((max(sizes, key=lambda p: (sizes[p], p)), [number]))
    clock, loads = Clock(shop), []
    for plate, inside in begun:
        station = clock.hands.index(min(clock.hands))
        loads.append(Chosen(station, plate, tuple(inside)))
        clock.put(loads[-1])
    return loads


def apparent_tardiness_cost(shop: Shop, lookahead: float) -> list[Chosen]:
    """The station with its hands free first takes the plate with the dearest units for the time they
    take."""
    clock, loads = Clock(shop), []
    left = list(range(len(shop.units)))
    mean = sum(unit.seconds for unit in shop.units) / len(shop.units)
    while left:
        station = clock.hands.index(min(clock.hands))
        now = clock.laser[station]

        def cost(number: int, now: int = now) -> float:
            unit = shop.units[number]
            slack = max(0, shop.open_s(unit.due) - unit.seconds - now)
            return unit.weight / unit.seconds * exp(-slack / (lookahead * mean))

        ranked = sorted(left, key=lambda u: (-cost(u), shop.units[u].due, u))
        best: tuple[float, Chosen] | None = None
        for plate in sorted(shop.plates):
            inside: list[int] = []
            for number in ranked:
                if has_room(shop, plate, [*inside, number]) and _is_short(shop, [*inside, number]):
                    inside.append(number)
            if inside:
                load = Chosen(station, plate, tuple(inside))
                worth = sum(cost(u) * shop.units[u].seconds for u in inside) / clock.seconds(load)[0]
                if best is None or worth > best[0]:
                    best = worth, load
        assert best is not None
        loads.append(best[1])
        clock.put(best[1])
        taken = set(best[1].units)
        left = [u for u in left if u not in taken]
    return loads


def _is_short(shop: Shop, units: list[int]) -> bool:
    """Whether they burn within a span, whatever must be changed for them."""
    processes = {shop.units[u].process for u in units}
    burn = sum(shop.units[u].seconds for u in units)
    return burn + shop.plate_change_s + len(processes) * shop.process_change_s <= shop.span_s


def best_of_the_rules(shop: Shop) -> list[Chosen]:
    """Least weighted lateness, then fewest loads."""
    made = [earliest_due_date_first_fit(shop), *(apparent_tardiness_cost(shop, k) for k in LOOKAHEADS)]
    return min(made, key=lambda loads: lateness_and_loads(shop, loads))
