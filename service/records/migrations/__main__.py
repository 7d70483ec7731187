"""`python -m service.records.migrations "what changes"`: write the revision from head to the tables."""

from __future__ import annotations

import sys

from service.records.schema import write_revision

if __name__ == "__main__":
    sys.stdout.write(f"{write_revision(' '.join(sys.argv[1:]) or 'change')}\n")
