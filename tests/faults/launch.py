"""`python -m tests.faults.launch CLOCK_FILE ARGUMENTS...`: `ricasso` with a clock that is off by as many
seconds as the file says (a double), now and at any later moment."""

from __future__ import annotations

import mmap
import struct
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

OFFSET = struct.Struct("d")


def main() -> None:
    file = Path(sys.argv[1]).open("rb")  # noqa: SIM115  for as long as the process lives
    told = mmap.mmap(file.fileno(), OFFSET.size, access=mmap.ACCESS_READ)

    def now() -> datetime:
        return datetime.now(UTC) + timedelta(seconds=OFFSET.unpack_from(told)[0])

    from service.records import clock

    clock.now = now  # before anything takes it as its own
    from service.cli import main as command

    sys.argv = ["ricasso", *sys.argv[2:]]
    command()


if __name__ == "__main__":
    main()
