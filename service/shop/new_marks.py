"""A mark that is not in the library yet: from which width each zone burns it, and how large it may be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from shapely import affinity

from layout.check.feasibility import Checked, check
from layout.shop.blades import Zone
from layout.shop.findings import Finding, Verdict
from layout.shop.inscriptions import ArtworkInscription, Inscription, MonogramInscription
from layout.shop.outline import Outline
from layout.shop.shop import Artwork, Policy, Shop
from layout.shop.stations import Process
from service.shop.zone_trial import Missing, shop_around

_NAME = "new mark on trial"
#: Initials that are wide and high: what takes them takes others.
_INITIALS = "WB"


@dataclass(frozen=True, slots=True)
class Room:
    """What a zone has for a mark: widths (mm) from which it is burned as drawn and up to which it fits, None
    where it can't be placed; `why_not` is what the check has against the largest. `stood_in`: what the shop
    does not have for that zone yet, so that something usual was tried in its place."""

    blade: str
    blade_name: str
    zone: str
    least_mm: float
    most_mm: float | None
    why_not: Finding | None = None
    stood_in: frozenset[Missing] = frozenset()

    @property
    def takes_it(self) -> bool:
        """Whether there is a width at which the zone takes it."""
        return self.most_mm is not None and self.least_mm <= self.most_mm and self.why_not is None


def rooms(
    shop: Shop,
    outline: Outline,
    *,
    stroke_mm: float,
    gap_mm: float,
    initials_box_mm: tuple[float, float, float, float] | None = None,
) -> Iterator[Room]:
    """Every zone that takes artwork; of a frame, which has a box for initials, every zone that takes
    monograms, tried with two letters of its first font. `stroke_mm` and `gap_mm` are the mark's finest at its
    natural size. Processes count before their test card is recorded: this is asked when a shop is set up."""
    across = outline.bounds_mm[2] - outline.bounds_mm[0]
    use: Literal["frame", "mark"] = "mark" if initials_box_mm is None else "frame"
    mark = Artwork(_NAME, _NAME, use, outline, initials_box_mm)
    for blade in shop.blades.values():
        for face in blade.faces:
            for zone in face.zones:
                asked = _asked(shop, zone, use)
                if asked is None:
                    continue
                font = asked.font if isinstance(asked, MonogramInscription) else ""
                around = shop_around(shop, blade, face, zone, sku="", font=font)
                tried = replace(around.shop, artworks={_NAME: mark})
                needs = [
                    least_width(shop.policy, one, stroke_mm / across, gap_mm / across)
                    for one in tried.processes.values()
                ]
                result = check(tried, around.sku, [asked])
                refused = result.verdict is Verdict.REFUSE
                checked = result.inscriptions[0] if result.inscriptions else None
                most = _across(checked) if checked is not None else None
                if use == "frame" and most is not None and checked is not None and checked.size_mm:
                    # Its letters are as high as the zone wants them.
                    needs = [max(need, most / checked.size_mm * zone.min_height_mm) for need in needs]
                yield Room(
                    blade.blade,
                    blade.name,
                    zone.zone,
                    min(needs, default=0.0),
                    most,
                    result.findings[0] if refused and result.findings else None,
                    around.missing,
                )


def _asked(shop: Shop, zone: Zone, use: Literal["frame", "mark"]) -> Inscription | None:
    """What is tried in a zone; None where it takes no such thing."""
    if use == "mark":
        return ArtworkInscription(zone.zone, _NAME, size="largest") if "artwork" in zone.kinds else None
    font = next((name for name in zone.fonts if name in shop.fonts), None)
    if font is None or "monogram" not in zone.kinds:
        return None
    return MonogramInscription(zone.zone, _INITIALS, font, frame=_NAME, size="largest")


def _across(checked: Checked) -> float | None:
    """How wide the mark is along its zone's baseline (mm); None where it could not be placed."""
    if isinstance(checked.inscription, ArtworkInscription) or checked.fit is None:
        return checked.size_mm
    upright = affinity.rotate(checked.fit.block, -checked.fit.turn_deg, origin=(0, 0))
    return float(upright.bounds[2] - upright.bounds[0])


def least_width(policy: Policy, process: Process, stroke: float, gap: float) -> float:
    """The width (mm) from which a recipe burns a mark as drawn; `stroke` and `gap` are its finest at a width
    of 1. A gap must stay open between two burned edges, a stroke be as wide as the shop asks for unless its
    centre line is burned."""
    line, inside = process.line_width_mm, process.edge_allowance_mm
    for_gaps = max(0.0, (1 + policy.open_lines) * line - 2 * inside) / gap
    for_strokes = 0.0 if process.burns_centre_lines else policy.stroke_lines * line / stroke
    return max(for_gaps, for_strokes)
