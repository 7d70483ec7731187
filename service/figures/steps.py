"""How long each step of a load took, by what was tapped when."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Literal, get_args

from service.figures.figure_rows import ClosedLoad

Step = Literal["pull", "seat", "burn", "inspect", "box"]
STEPS: tuple[Step, ...] = get_args(Step)
#: The step that a load is in from the moment at which it came to a state.
_STEP_OF: Mapping[str, Step] = {
    "claimed": "pull",
    "pulled": "seat",
    "turning": "seat",
    "burning": "burn",
}


def seconds_per_unit(load: ClosedLoad) -> dict[Step, float] | None:
    """Seconds of each step for one of the load's units, waiting and breaks included; None for a load that was
    interrupted, burned again, or during which the clock was set back: its taps say nothing of steps.

    Pulling is from the claim until everything was pulled, seating from then until it was seated (turning
    units over too), burning from start to finish, inspecting until the last unit was, boxing until the
    release. Between `seated` and the start the station waits for its file, its focus and its operator: that
    is seating.
    """
    seconds = dict.fromkeys(STEPS, 0.0)
    states = [(to, at) for to, at in load.moves if to in _KNOWN]
    names = [to for to, _ in states]
    if not load.units or "interrupted" in names or names.count("burned") != 1 or names[-1] != "closed":
        return None
    for (to, begun), (_, ended) in pairwise(states):
        if to != "burned":
            seconds["seat" if to == "seated" else _STEP_OF[to]] += (ended - begun).total_seconds()
    burned, closed = states[-2][1], states[-1][1]
    looked_at = max([at for at in load.inspected if burned <= at <= closed], default=closed)
    seconds["inspect"] = (looked_at - burned).total_seconds()
    seconds["box"] = (closed - looked_at).total_seconds()
    moments = [at for _, at in states]
    if moments != sorted(moments):
        return None
    return {step: spent / load.units for step, spent in seconds.items()}


_KNOWN = frozenset({*_STEP_OF, "seated", "burned", "interrupted", "closed"})
