"""Lines of an order that should look like a set: words that name one another get one height.

Twelve knives with twelve names look like a set only when the longest name decides for all. An inscription
names another line (`same_size_as`): that joins it to the named line's inscription in the same zone or, if
there is none, to its first words. Everything joined in this way, over any number of lines, gets the smallest
height that any of its members gets by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from layout.check.feasibility import CheckResult
from layout.shop.inscriptions import Inscription, MonogramInscription, TextInscription
from service.records.errors import BadRequest
from service.requests.order_in import LineWanted

#: Index of a line and of an inscription in it.
Member = tuple[int, int]
#: Heights that differ by less are one height.
_SAME_MM = 1e-6

Check = Callable[[LineWanted], CheckResult]


def must_name_lines(lines: Sequence[LineWanted]) -> None:
    """Raise BadRequest where an inscription names a line that the order does not have, or its own."""
    refs = {line.line_ref for line in lines}
    for line in lines:
        for inscription in line.inscriptions:
            named = _named(inscription)
            if named is not None and (named not in refs or named == line.line_ref):
                raise BadRequest("same_size_as names no other line of the order", field="lines.same_size_as")


def levelled(
    lines: Sequence[LineWanted], results: Sequence[CheckResult], check: Check
) -> tuple[CheckResult, ...]:
    """The results, with lines checked anew at the height of their set where they would be taller."""
    wanted: dict[Member, float] = {}
    for group in _groups(lines):
        heights = (
            {
                member: size
                for member in group
                if (size := results[member[0]].inscriptions[member[1]].size_mm) is not None
            }
            if all(member[1] < len(results[member[0]].inscriptions) for member in group)
            else {}
        )
        for member, height in heights.items():
            if height > min(heights.values()) + _SAME_MM:
                wanted[member] = min(heights.values())
    return tuple(
        check(_at_heights(line, {at: height for (index, at), height in wanted.items() if index == number}))
        if any(index == number for index, _ in wanted)
        else result
        for number, (line, result) in enumerate(zip(lines, results, strict=True))
    )


def height_of_set(
    inscription: Inscription, line_ref: str, others: Mapping[str, tuple[Sequence[Any], Sequence[Any]]]
) -> float | None:
    """The height that stored lines leave to words of a line that changes: the smallest of those that name it
    or that it names; None where there are none. `others`: by line_ref, inscriptions as stored and as checked.
    """
    heights = []
    for ref, (stored, checked) in others.items():
        for joined, measured in zip(stored, checked, strict=False):
            is_joined = ref == _named(inscription) or joined.get("same_size_as") == line_ref
            if is_joined and joined.get("zone") == inscription.zone and measured.get("height_mm"):
                heights.append(float(measured["height_mm"]))
    return min(heights, default=None)


def at_height(inscription: Inscription, height_mm: float) -> Inscription:
    """Words at that height; artwork and codes unchanged."""
    if isinstance(inscription, TextInscription | MonogramInscription):
        return replace(inscription, height_mm=height_mm)
    return inscription


def _at_heights(line: LineWanted, heights: Mapping[int, float]) -> LineWanted:
    inscriptions = tuple(
        at_height(inscription, heights[at]) if at in heights else inscription
        for at, inscription in enumerate(line.inscriptions)
    )
    return replace(line, inscriptions=inscriptions)


def _named(inscription: Inscription) -> str | None:
    if isinstance(inscription, TextInscription | MonogramInscription):
        return inscription.same_size_as
    return None


def _groups(lines: Sequence[LineWanted]) -> list[set[Member]]:
    """Sets of inscriptions that name one another, directly or through others; at least two in each."""
    number_of = {line.line_ref: number for number, line in enumerate(lines)}
    groups: list[set[Member]] = []
    for number, line in enumerate(lines):
        for at, inscription in enumerate(line.inscriptions):
            named = number_of.get(_named(inscription) or "")
            other = _partner(lines[named], inscription.zone) if named is not None else None
            if named is None or other is None:
                continue
            joined = {(number, at), (named, other)}
            for group in [group for group in groups if group & joined]:
                groups.remove(group)
                joined |= group
            groups.append(joined)
    return groups


def _partner(line: LineWanted, zone: str) -> int | None:
    """Index of the line's words in that zone, or else of its first words; None where it has none."""
    worded = [
        at
        for at, inscription in enumerate(line.inscriptions)
        if isinstance(inscription, TextInscription | MonogramInscription)
    ]
    return next((at for at in worded if line.inscriptions[at].zone == zone), next(iter(worded), None))
