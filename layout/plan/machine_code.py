"""Whether the search had to be compiled, and whether anybody else will have to."""

from __future__ import annotations

from enum import Enum


class MachineCode(Enum):
    """From where a process has its machine code."""

    FOUND = "another process has made it and kept it"
    KEPT = "it was made here, and the next process will find it"
    NOT_KEPT = "it was made here, and there is nowhere to keep it: every process makes its own"
