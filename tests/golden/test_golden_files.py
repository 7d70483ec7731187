"""Job files byte for byte. A wanted change: `python -m tests.golden.refresh`, then look at the difference."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
from pathlib import Path

import ezdxf
import pytest

from layout.judge.load import verify
from tests.golden.refresh import FOLDER, cases, files

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("name", sorted(files()))
def test_a_job_file_is_byte_for_byte_the_golden_one(name):
    assert files()[name] == (FOLDER / name).read_bytes()


def test_there_is_no_golden_file_that_nothing_writes():
    assert {path.name for path in FOLDER.iterdir()} == set(files())


def test_a_process_with_another_hash_seed_writes_the_same_bytes():
    environment = {**os.environ, "PYTHONHASHSEED": "4242", "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "tests.golden.refresh", "--digests"]

    there = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=True)

    here = [f"{hashlib.sha256(content).hexdigest()} {name}" for name, content in files().items()]
    assert there.stdout.splitlines() == here
    assert len(here) > 0


@pytest.mark.parametrize("name", sorted(files()))
def test_no_date_or_library_version_is_in_a_file(name):
    content = files()[name]

    assert not re.search(rb"20[1-9]\d-\d\d-\d\d|D:20[1-9]\d", content)
    assert ezdxf.__version__.encode() + b" @" not in content


@pytest.mark.parametrize("name", sorted(cases()))
def test_the_judge_passes_every_golden_load_or_says_why(name):
    shop, load = cases()[name]

    codes = {finding.code for finding in verify(shop, load)}

    assert codes == set()
