"""A mark that is not in the library yet: from which width each zone burns it, and how large it may be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from layout.check.feasibility import check
from layout.shop.findings import Verdict
from layout.shop.inscriptions import ArtworkInscription
from layout.shop.outline import Outline
from layout.shop.shop import Artwork, Policy, Shop
from layout.shop.stations import Process
from service.shop.smallest_sizes import processes_of

_NAME = "new mark on trial"


@dataclass(frozen=True, slots=True)
class Room:
    """What a zone has for a mark: widths (mm) from which it is burned as drawn and up to which it fits, None
    where it can't be placed; `why_not` is what the check has against the largest."""

    blade: str
    zone: str
    least_mm: float
    most_mm: float | None
    why_not: str = ""

    @property
    def takes_it(self) -> bool:
        """Whether there is a width at which the zone takes it."""
        return self.most_mm is not None and self.least_mm <= self.most_mm and not self.why_not


def rooms(shop: Shop, outline: Outline, *, stroke_mm: float, gap_mm: float) -> Iterator[Room]:
    """Every zone that takes artwork, once for each blade. `stroke_mm` and `gap_mm` are the mark's finest at
    its natural size."""
    across = outline.bounds_mm[2] - outline.bounds_mm[0]
    tried = replace(shop, artworks={**shop.artworks, _NAME: Artwork(_NAME, _NAME, "mark", outline)})
    seen: set[tuple[str, str]] = set()
    for product in shop.products.values():
        for face in shop.blades[product.blade].faces:
            for zone in face.zones:
                if "artwork" not in zone.kinds or (product.blade, zone.zone) in seen:
                    continue
                seen.add((product.blade, zone.zone))
                recipes = processes_of(shop, product.sku, zone)
                needs = [
                    least_width(shop.policy, one, stroke_mm / across, gap_mm / across) for one in recipes
                ]
                result = check(tried, product.sku, [ArtworkInscription(zone.zone, _NAME, size="largest")])
                refused = result.verdict is Verdict.REFUSE
                yield Room(
                    product.blade,
                    zone.zone,
                    min(needs, default=0.0),
                    result.inscriptions[0].size_mm if result.inscriptions else None,
                    result.findings[0].message if refused and result.findings else "",
                )


def least_width(policy: Policy, process: Process, stroke: float, gap: float) -> float:
    """The width (mm) from which a recipe burns a mark as drawn; `stroke` and `gap` are its finest at a width
    of 1. A gap must stay open between two burned edges, a stroke be as wide as the shop asks for unless its
    centre line is burned."""
    line, inside = process.line_width_mm, process.edge_allowance_mm
    for_gaps = max(0.0, (1 + policy.open_lines) * line - 2 * inside) / gap
    for_strokes = 0.0 if process.burns_centre_lines else policy.stroke_lines * line / stroke
    return max(for_gaps, for_strokes)
