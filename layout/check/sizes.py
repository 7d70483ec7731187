"""Which size a mark gets where nobody gave one, and in which lines its words stand then.

A shop does not engrave as large as it can: it has a usual height for a place, and keeps some room around the
mark. Words that are long for the place get smaller first, then the room gets less, and only then do they fall
below what everybody can read:

    usual height, usual room -> smaller, usual room -> review height, usual room
                             -> review height, less room -> smaller still, at the edge margin
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import tee

from layout.fit.fitters import Fitter
from layout.fit.prepared_zone import Ground
from layout.fit.straight import Fit
from layout.marks.blocks import Block
from layout.shop.blades import Zone
from layout.shop.inscriptions import (
    Align,
    ArtworkInscription,
    CodeInscription,
    Inscription,
    MonogramInscription,
)
from layout.shop.measure import HEIGHT_STEP_MM
from layout.shop.shop import Policy

#: Sizes are whole steps; one that is less below another is the same.
_HALF = HEIGHT_STEP_MM / 2
#: Room is given up in steps of this size.
ROOM_STEP_MM = 0.1


@dataclass(frozen=True, slots=True)
class Choice:
    """A way to set the words, where it lies (None: it fits nowhere at the size asked for), and the largest
    size (mm) of that way where that was looked for."""

    block: Block
    fit: Fit | None
    largest_mm: float | None


@dataclass(frozen=True, slots=True)
class Fits:
    """How blocks fit in one zone with more or less room around them."""

    ground: Ground
    align: Align
    limited: bool

    def within(self, room_mm: float | None = None) -> Fitter:
        """With so much room; None: the edge margin alone."""
        return self.ground.fitter(self.align, limited=self.limited, room_mm=room_mm)


def usual(
    fits: Fits, inscription: Inscription, ways: Iterable[Sequence[Block]], policy: Policy
) -> tuple[Choice | None, float | None]:
    """The mark at the zone's usual height with the usual room, or as near to both as it fits; and the room
    (mm) it keeps. `ways` as for `choose`. Needs a zone with a usual height."""
    zone = fits.ground.zone
    ways, again = tee(ways)
    bounds = _Bounds(zone, inscription, policy, fits.ground.line_width_mm)
    usual_room_mm = max(zone.usual_room_mm, zone.edge_margin_mm)
    roomy = _up_to(fits.within(usual_room_mm), ways, bounds.usual, bounds.least)
    if roomy is None:
        return None, None
    if roomy.fit is not None and roomy.fit.height_mm >= bounds.least(roomy.block) - _HALF:
        return _seen_from(fits.ground, roomy), usual_room_mm
    tight = _up_to(fits.within(), again, bounds.least)
    if tight is None or tight.fit is None:
        return tight, None
    at_least = tight.fit.height_mm >= bounds.least(tight.block) - _HALF
    room, fit = _roomiest_place(fits, tight.block, tight.fit.height_mm) if at_least else (None, None)
    if room is None:
        return tight, zone.edge_margin_mm
    return _seen_from(fits.ground, replace(tight, fit=fit)), room


def choose(
    fitter: Fitter,
    ways: Iterable[Sequence[Block]],
    size_mm: float | None,
    least_of: Callable[[Block], float] | None = None,
) -> Choice | None:
    """The way to break the words, and its placement at the size asked for, or at its largest.

    `ways` are groups of blocks, the fewest lines first. With no size asked for: the way whose size is the
    largest. With a size: the words stay in as few lines as have that size, and among ways of as many lines
    the one that could be largest is the most even. Where none has it: the way whose size is the largest,
    unplaced. Of equal ways the first. None when no way leaves any ink. Sizes below the least of every way
    (where that is given) are of no use, and nobody looks for them: the first way then, unplaced.
    """
    tried: list[Block] = []
    for group in ways:
        inked = [block for block in group if len(block.hull) > 0]
        if size_mm is not None:
            fitting = {block: fit for block in inked if (fit := fitter.place(block, size_mm)) is not None}
            if fitting:
                best = next(iter(fitting)) if len(fitting) == 1 else _roomiest(fitter, list(fitting))[0]
                return Choice(best, fitting[best], None)
        tried += inked
    if not tried:
        return None
    if least_of is not None and not any(fitter.holds(b, _step_up(least_of(b) - _HALF)) for b in tried):
        return Choice(tried[0], None, None)
    block, fit = _roomiest(fitter, tried)
    return Choice(block, fit if size_mm is None else None, fit.height_mm if fit else None)


@dataclass(frozen=True, slots=True)
class _Bounds:
    """The usual size of a block in a zone, and the one below which room is given up rather than size."""

    zone: Zone
    inscription: Inscription
    policy: Policy
    line_width_mm: float

    def usual(self, block: Block) -> float:
        """Capitals have the usual height; artwork, a frame or a code stands as tall as two lines of them,
        where the zone takes that."""
        height = self.zone.usual_height_mm or 0.0
        if self._is_words:
            return height
        tall = min((1 + self.zone.leading) * height, self.zone.max_height_mm)
        return _step_down(tall / block.extent[1])

    def least(self, block: Block) -> float:
        """For capitals the height that everybody can read; for others half their usual size, for a code no
        less than the line makes."""
        usual = self.usual(block)
        if self._is_words:
            return min(usual, max(self.zone.min_height_mm, self.policy.review_height_mm))
        makeable = self.policy.code_cell_lines * self.line_width_mm if self._is_code else 0.0
        return min(usual, max(_step_up(makeable), _step_down(usual / 2)))

    @property
    def _is_words(self) -> bool:
        inscription = self.inscription
        framed = isinstance(inscription, MonogramInscription) and inscription.frame is not None
        return not framed and not isinstance(inscription, ArtworkInscription | CodeInscription)

    @property
    def _is_code(self) -> bool:
        return isinstance(self.inscription, CodeInscription)


def _up_to(
    fitter: Fitter,
    ways: Iterable[Sequence[Block]],
    wanted_of: Callable[[Block], float],
    least_of: Callable[[Block], float] | None = None,
) -> Choice | None:
    """The way that has the size wanted, in the fewest lines; where none has it, the largest of all, which is
    smaller then, and unplaced where none has the least."""
    ways, again = tee(ways)
    first = next((block for group in ways for block in group if len(block.hull) > 0), None)
    if first is None:
        return None
    # Only words have several ways to be set, and all of those have one usual size.
    wanted = wanted_of(first)
    choice = choose(fitter, again, wanted, least_of)
    if choice is None or choice.fit is not None or choice.largest_mm is None:
        return choice
    size = min(choice.largest_mm, wanted)
    return replace(choice, fit=fitter.place(choice.block, size))


def _roomiest_place(fits: Fits, block: Block, size: float) -> tuple[float | None, Fit | None]:
    """The most room, in whole steps over the edge margin, with which the block fits at that size.

    Halving: a region with more room lies inside one with less.
    """
    zone = fits.ground.zone
    steps = math.ceil((zone.usual_room_mm - zone.edge_margin_mm) / ROOM_STEP_MM - 1e-9)

    def room(step: int) -> float:
        return round(zone.edge_margin_mm + step * ROOM_STEP_MM, 6)

    low, high = 0, steps
    while high - low > 1:
        middle = (low + high) // 2
        if fits.within(room(middle)).holds(block, size):
            low = middle
        else:
            high = middle
    fit = fits.within(room(low)).place(block, size) if low > 0 else None
    return (None, None) if fit is None else (room(low), fit)


def _seen_from(ground: Ground, choice: Choice) -> Choice:
    """The choice with its clearance measured to the edge of all that may be used: room is no limit."""
    if choice.fit is None or ground.region is None:
        return choice
    return replace(choice, fit=replace(choice.fit, region=ground.region), largest_mm=None)


def _roomiest(fitter: Fitter, blocks: Sequence[Block]) -> tuple[Block, Fit | None]:
    """The block with the largest size, the first of equals; the first of all where none fits."""
    best: tuple[float, int, Fit | None] = (0.0, 0, None)
    hopeful = sorted(range(len(blocks)), key=lambda at: -fitter.bound(blocks[at]))
    for at in hopeful:
        if fitter.bound(blocks[at]) < best[0]:
            break  # nor can any after it
        fit = fitter.largest(blocks[at])
        size = fit.height_mm if fit else 0.0
        if size > best[0] or (size == best[0] and fit is not None and at < best[1]):
            best = (size, at, fit)
    return blocks[best[1]], best[2]


def _step_down(size: float) -> float:
    return round(math.floor(size / HEIGHT_STEP_MM + 1e-9) * HEIGHT_STEP_MM, 6)


def _step_up(size: float) -> float:
    return round(math.ceil(size / HEIGHT_STEP_MM - 1e-9) * HEIGHT_STEP_MM, 6)
