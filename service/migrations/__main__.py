"""`python -m service.migrations "what changes"`: write the revision that leads from head to the models."""

from __future__ import annotations

import sys

from service.schema import write_revision

if __name__ == "__main__":
    sys.stdout.write(f"{write_revision(' '.join(sys.argv[1:]) or 'change')}\n")
