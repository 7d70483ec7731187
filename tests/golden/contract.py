"""The golden description of the HTTP surface: `python -m tests.golden.contract` writes it anew.

Look at the difference first: what stores see of the service has changed, and CHANGELOG.md says so.
"""

from __future__ import annotations

import json
from pathlib import Path

from service.app import description

GOLDEN = Path(__file__).parent / "contract" / "openapi.json"


def written() -> str:
    """The description as it is kept: one line a value, so that a difference can be read."""
    return json.dumps(description(), indent=1, ensure_ascii=False, sort_keys=True) + "\n"


if __name__ == "__main__":
    GOLDEN.parent.mkdir(exist_ok=True)
    GOLDEN.write_text(written(), encoding="utf-8")
