"""The judge's verdict on a load, and which units are to blame, in a geometry process: values in, values out.

Nothing is imported here that asks a database: the process would load all of it with the first load that it
judges, while an operator waits.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from layout.judge.load import verify
from layout.shop.findings import Finding
from layout.shop.loads import LoadLayout, SlotFill, Turn
from layout.shop.shop import Shop
from service.bench.building import build


@dataclass(frozen=True, slots=True)
class Refused:
    """Units that the judge refuses wherever they are alone, and those it refuses only beside the others.

    A unit is (job, None) or (None, slot of a lot's blade). `first` is the judge's first finding on each
    that is refused alone.
    """

    alone: frozenset[tuple[str | None, str | None]]
    together: frozenset[tuple[str | None, str | None]]
    first: Mapping[tuple[str | None, str | None], Finding] = field(default_factory=dict)


def judged_findings(
    shop: Shop, layout: LoadLayout, burned: frozenset[tuple[str, str]]
) -> tuple[Finding, ...]:
    """The judge's findings; a turn with nothing left in it is left out."""
    turns = tuple(turn for turn in layout.turns if turn.fills)
    return verify(shop, replace(layout, turns=turns), burned=burned)


def refused_units(shop: Shop, layout: LoadLayout, burned: frozenset[tuple[str, str]]) -> Refused:
    """Which units of a refused load are to blame; none when the mounting itself is refused."""
    if judged_findings(shop, replace(layout, turns=()), burned):
        return Refused(frozenset(), frozenset())
    units = list(dict.fromkeys(_unit(fill) for turn in layout.turns for fill in turn.fills))
    findings = {unit: _against(shop, _only(layout, {unit}), burned) for unit in units}
    alone = {unit: against[0] for unit, against in findings.items() if against}
    kept: set[tuple[str | None, str | None]] = set()
    for unit in units:
        if unit not in alone and not judged_findings(shop, _only(layout, kept | {unit}), burned):
            kept.add(unit)
    return Refused(frozenset(alone), frozenset(set(units) - set(alone) - kept), alone)


def _against(shop: Shop, layout: LoadLayout, burned: frozenset[tuple[str, str]]) -> tuple[Finding, ...]:
    """What the judge has against some units: against the load, and if nothing, against their files."""
    findings = judged_findings(shop, layout, burned)
    if findings:
        return findings
    preferred = shop.stations[layout.station].formats[0]
    turns = [turn.turn for turn in layout.turns if turn.fills]
    return tuple(finding for turn in turns for finding in build(shop, layout, turn, preferred).findings)


def _unit(fill: SlotFill) -> tuple[str | None, str | None]:
    return (fill.job, None) if fill.job is not None else (None, fill.slot)


def _only(layout: LoadLayout, units: Collection[tuple[str | None, str | None]]) -> LoadLayout:
    turns = tuple(
        Turn(turn.turn, tuple(fill for fill in turn.fills if _unit(fill) in units)) for turn in layout.turns
    )
    return replace(layout, turns=turns)
