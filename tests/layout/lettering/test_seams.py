"""How far joined letters come apart is what lies between their outlines, whatever was seen of them before."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from layout.lettering.baseline_curve import Strip
from layout.lettering.joints import SLACK
from layout.lettering.poses import put
from layout.lettering.typeset import compose
from tests.layout.faces import a_shipped_font

SEED = 20261201


@pytest.mark.parametrize("name", ["great-vibes", "pacifico", "line-script"])
def test_joined_letters_are_as_far_apart_as_their_outlines(name: str) -> None:
    # Reference: shapely (GEOS), which measures between the outlines themselves.
    strip = Strip(compose(["Marta & Rosa"], a_shipped_font(name)))
    tied = np.flatnonzero(strip.gaps <= SLACK)
    first, second = strip.pairs[tied].T
    chance, middles = np.random.default_rng(SEED), strip.middles[strip.inked]
    straight = np.column_stack([middles, np.zeros((len(middles), 2))])
    found = []

    for shaken in np.linspace(0.0, 0.06, 25):
        poses = straight + chance.normal(0.0, shaken, straight.shape)
        opened = strip.seams.opened(tied, poses[strip.pairs[tied]])
        inks = put(strip.inks, poses)
        found.append((opened, shapely.distance(inks[first], inks[second])))

    opened, truly = (np.concatenate(each) for each in zip(*found, strict=True))
    assert np.abs(opened - truly).max() < SLACK / 10
    assert (truly == 0.0).any() or name == "line-script"
    assert (truly > SLACK).any()
