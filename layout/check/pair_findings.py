"""Several inscriptions on one unit: one to a zone, marks apart, and one slot for all that a face bears."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

import shapely

from layout.shop.findings import Finding, Severity
from layout.shop.inscriptions import Inscription
from layout.shop.loads import Mark, Place

#: Marks a line's width apart are apart; this much less is rounding.
_ROUNDING_MM = 1e-6


class Placed(Protocol):
    """What of a checked inscription matters to the others."""

    @property
    def inscription(self) -> Inscription: ...
    @property
    def face(self) -> str | None: ...
    @property
    def mark(self) -> Mark | None: ...
    @property
    def places(self) -> frozenset[Place]: ...
    @property
    def line_width_mm(self) -> float: ...


def pair_findings(checked: Sequence[Placed]) -> list[Finding]:
    """Pairs in one zone, and marks that meet or come nearer than a line's width; said of the later one."""
    return [
        finding.about(later)
        for later in range(1, len(checked))
        for earlier in range(later)
        for finding in between(checked[earlier], checked[later], earlier)
    ]


def between(first: Placed, second: Placed, number: int) -> Iterator[Finding]:
    """What stands between two inscriptions of one unit; `number` is the index by which the first is named."""
    if second.face is not None and second.inscription.zone == first.inscription.zone:
        message = f"Inscription {number + 1} is in this zone already."
        yield Finding("zone_taken", Severity.REFUSE, message)
        return
    if first.mark is None or second.mark is None or first.face != second.face:
        return
    width = max(first.line_width_mm, second.line_width_mm)
    apart = _distance_mm(first.mark, second.mark)
    if apart < width - _ROUNDING_MM:
        message = (
            f"It lies on inscription {number + 1}."
            if apart == 0
            else f"It comes within {apart:.3f} mm of inscription {number + 1}; the line is {width:.3f} mm."
        )
        yield Finding("marks_overlap", Severity.REFUSE, message, measured=apart, limit=width, unit="mm")


def _distance_mm(a: Mark, b: Mark) -> float:
    first, second = (shapely.geometrycollections([*m.outline.areas, *m.outline.strokes]) for m in (a, b))
    return float(first.distance(second))


def places_by_face(checked: Sequence[Placed]) -> dict[str, frozenset[Place]]:
    """For each face, the places that can take all its marks: they are burned in one seating."""
    common: dict[str, frozenset[Place]] = {}
    for inscription in checked:
        if inscription.face is not None and inscription.mark is not None:
            common[inscription.face] = common.get(inscription.face, inscription.places) & inscription.places
    return common


def slot_findings(checked: Sequence[Placed]) -> list[Finding]:
    """Faces that no slot can take as a whole, though each mark alone has places; said of the first
    inscription that leaves none."""
    findings = []
    left: dict[str, frozenset[Place]] = {}
    for index, inscription in enumerate(checked):
        if inscription.face is None or inscription.mark is None or not inscription.places:
            continue
        before = left.get(inscription.face, inscription.places)
        left[inscription.face] = before & inscription.places
        if before and not left[inscription.face]:
            message = f"No slot can take all that is asked for on the {inscription.face.replace('_', ' ')}."
            findings.append(Finding("no_common_slot", Severity.REFUSE, message, inscription=index))
    return findings
