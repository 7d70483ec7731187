"""The whole look at a photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from layout.look.compare import Suspect, laid_over, nearer, suspects
from layout.look.register import register
from layout.shop.measure import Floats

#: Below the first a photo does not look like the mark at all; below the second something is wrong, and where
#: no place can be pointed at, it does not look like the mark either. Good marks came out above 0.8 in photos
#: of tests/references/photos.py, other words mostly below 0.5.
LEAST_LIKENESS, SURE_LIKENESS = 0.6, 0.75
#: Between these the photo may be more like the mark than the metal's grain let it seem.
_GRAIN_MATTERS = 0.4, 0.985


@dataclass(frozen=True, slots=True)
class Look:
    """What a look found. `to_photo`: (3, 3) from mm of the face to pixels of the photo, None where the photo
    does not look like the mark; `likeness`: 1 at best; `suspects`: places to look at, largest first."""

    to_photo: Floats | None
    likeness: float
    suspects: tuple[Suspect, ...] = ()


def look(grey: Any, parts: Sequence[Any], *, bare: Sequence[Any] = ()) -> Look:
    """Hold a photo against a mark.

    `grey`: brightness of 0 to 1, float32 (height, width), as the camera wrote it; `parts`: the mark as
    burned, polygons in mm (y up) that don't overlap; `bare`: polygons in which nothing is but this mark
    (none: all around it).
    """
    found = register(grey, parts)
    if found is None:
        return Look(None, 0.0)
    if found.likeness <= _GRAIN_MATTERS[0]:
        return Look(None, found.likeness)
    seen = laid_over(grey, parts, found, bare=bare)
    if found.likeness < _GRAIN_MATTERS[1] and (better := nearer(seen, found)) is not None:
        found, seen = better, laid_over(grey, parts, better, bare=bare)
    said = tuple(suspects(seen, parts, found.likeness)) if found.likeness >= LEAST_LIKENESS else ()
    if not said and found.likeness < SURE_LIKENESS:
        return Look(None, found.likeness)
    return Look(found.to_photo, found.likeness, said)
