"""What makes one plan better than another where both are equally late and take equally many loads."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ScoreWeights:
    """Cost of one unit of each part of a plan's weighted sum (the parts: `layout.loading.backlog.Score`).

    Only their ratios matter. By default a change of plate or process counts as 1: some two
    minutes of somebody's attention. That, and all the others beside it, is this project's own choice (common
    practice, no source); a shop sets its own in its policy.
    """

    changes: float = 1.0
    turned: float = 0.5
    split: float = 0.3
    walking: float = 0.01
    waiting: float = 1.0
    near_cutoff: float = 2.0
    cutoff_hours: float = 2.0  # how long before a ship-by time an end counts as near it

    @property
    def cutoff_s(self) -> float:
        """The same in seconds."""
        return self.cutoff_hours * 3600.0


DEFAULT_WEIGHTS = ScoreWeights()
