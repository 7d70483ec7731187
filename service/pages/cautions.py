"""Which cautions go with what is burned. The shop names its materials freely, so their names have to tell.

What isn't known to be metal is treated as something that can burn.
"""

from __future__ import annotations

from collections.abc import Iterable

_METALS = (
    "stainless",
    "carbon",
    "steel",
    "tool",
    "damascus",
    "titanium",
    "brass",
    "bronze",
    "alumin",
    "nickel",
)
_FINISHES_THAT_THROW_BACK = ("mirror", "polished")


def hazards(materials: Iterable[str], finishes: Iterable[str]) -> frozenset[str]:
    """`stainless`, `burns` (wood and the like) and `mirror`, as far as they apply.

    >>> sorted(hazards(["stainless_4116", "walnut"], ["satin", "oiled"]))
    ['burns', 'stainless']
    """
    hazards = set()
    for material in materials:
        if material.startswith("stainless"):
            hazards.add("stainless")
        if not material.startswith(_METALS):
            hazards.add("burns")
    if any(finish.startswith(_FINISHES_THAT_THROW_BACK) for finish in finishes):
        hazards.add("mirror")
    return frozenset(hazards)
