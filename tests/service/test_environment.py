"""The environment that `tests/run` and `demo/run` make: what runs comes by its hashes, or that is said."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
#: Of pip 23.2 as seen: a file that is another than the locked one, and a release that can't be had.
ANOTHER = "ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE."
NONE = "ERROR: No matching distribution found for vine==5.1.0"


@pytest.mark.parametrize(
    ("said", "code", "steps", "told"),
    [
        ("", 0, ["requirements.lock", "constraints.txt"], ""),
        (ANOTHER, 1, ["requirements.lock"], "nothing more is installed"),
        (NONE, 0, ["requirements.lock", "constraints.txt"], "!! NOT DONE"),
    ],
)
def test_a_file_that_is_not_the_locked_one_ends_the_installation(
    tmp_path: Path, said: str, code: int, steps: list[str], told: str
) -> None:
    bin_folder = tmp_path / ".venv" / "bin"
    bin_folder.mkdir(parents=True)
    (tmp_path / "said").write_text(said)
    (bin_folder / "python").write_text(
        '#!/bin/sh\necho "$*" >>asked\ncase "$*" in *requirements.lock*) cat said; [ ! -s said ] ;; esac\n'
    )
    (bin_folder / "python").chmod(0o755)
    for name in ("pyproject.toml", "constraints.txt"):
        (tmp_path / name).write_text("")

    done = subprocess.run(
        ["sh", "-c", f". {ROOT}/tests/environment.sh; installed demo"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )

    asked = (tmp_path / "asked").read_text().splitlines()
    assert done.returncode == code, done.stderr
    assert [next(step for step in steps if step in line) for line in asked] == steps
    assert told in done.stderr
    assert (tmp_path / ".venv" / "made").exists() == (code == 0)
