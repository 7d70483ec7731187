"""When a count of boxed units is asked about before it is taken."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CountJump:
    """A count that differs by at least so many units, and by more than that share of what is on record, is
    asked about: it may be a slip of the finger, or the wrong bin."""

    units: int = 5
    share: float = 0.5

    def is_jump(self, on_record: int, counted: int) -> bool:
        """
        >>> [CountJump().is_jump(14, counted) for counted in (30, 21, 15, 9)]
        [True, False, False, False]
        """
        difference = abs(counted - on_record)
        return difference >= self.units and difference > self.share * on_record


DEFAULT_JUMP = CountJump()
