"""What arithmetic shows of two letters on a curve is never more than what their outlines show."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from layout.lettering.baseline_curve import Strip
from layout.lettering.joints import KEPT_GAP, SLACK
from layout.lettering.poses import put
from layout.lettering.typeset import compose
from tests.layout.faces import a_shipped_font

SEED = 20261130
FONTS = ("lato-bold", "great-vibes", "pacifico", "cinzel-semibold", "line-script")


def _bent_somehow(strip: Strip, chance: np.random.Generator, number: int) -> np.ndarray:
    """Poses (number, n, 3) of the inked letters along circles, shaken a little."""
    middles = strip.middles[strip.inked]
    bend = chance.uniform(-0.6, 0.6, number)[:, None]  # curvature in capital heights
    bend[0], shaken = 0.0, chance.normal(0.0, 0.02, (number, len(middles), 3))
    shaken[0] = 0.0
    turn = bend * middles
    x = middles * np.sinc(turn / np.pi)
    y = np.where(bend == 0, 0.0, (1 - np.cos(turn)) / np.where(bend == 0, 1.0, bend))
    return np.stack([x, y, turn], axis=-1) + shaken


@pytest.mark.parametrize("name", FONTS)
def test_no_pair_is_said_to_keep_what_its_outlines_do_not(name: str) -> None:
    # Reference: shapely (GEOS), which measures between the outlines themselves.
    strip = Strip(compose(["Marta & Rosa, 1961"], a_shipped_font(name)))
    poses = _bent_somehow(strip, np.random.default_rng(SEED), 40)

    said = strip.joints.are_kept(poses)

    first, second = strip.pairs.T
    for pose, kept in zip(poses, said, strict=True):
        inks = put(strip.inks, pose)
        apart = shapely.distance(inks[first], inks[second])
        tied = strip.gaps <= SLACK
        truly = np.where(tied, apart <= strip.joint + SLACK, apart >= KEPT_GAP * strip.gaps - SLACK)
        assert not np.any(kept & ~truly)
    assert said[0].all(), "on a straight line every pair keeps what it must"
    assert said.mean() > 0.5, "most of it is settled"
