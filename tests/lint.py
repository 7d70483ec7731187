"""What the linter (Redocly CLI) has against the description of the HTTP surface, and which of it stays."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

from tests.golden.contract import GOLDEN

_HERE = Path(__file__).parents[1] / ".npm" / "node_modules" / ".bin" / "redocly"
LINTER = str(_HERE) if _HERE.is_file() else shutil.which("redocly")
#: Rule and place of what stays, with its reason.
LISTED = {
    ("operation-4xx-response", "#/paths/~1healthz/get/responses"): "open to all, and refuses nobody",
    ("operation-4xx-response", "#/paths/~1readyz/get/responses"): "open to all; not ready is a 503",
}


def said() -> set[tuple[str, str]]:
    """Rule and place of everything that the linter says."""
    assert LINTER is not None
    quiet = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true"}
    ran = subprocess.run(
        [LINTER, "lint", "--extends=recommended", "--format=json", "--max-problems=500", str(GOLDEN)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env=os.environ | quiet,
    )
    report = json.loads(ran.stdout)
    return {(one["ruleId"], one["location"][0]["pointer"]) for one in report["problems"]}
