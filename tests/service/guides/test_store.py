"""The guide for a store's developer works as it is written, and its tables are what the service says."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from service.intake.import_orders import COLUMNS
from tests.golden import codes
from tests.service.guides.running import Reader, blocks

GUIDE = codes.GUIDE.read_text(encoding="utf-8")


@pytest.mark.long
def test_the_guide_from_a_key_to_a_released_order(tmp_path: Path) -> None:
    told = tmp_path / "told.txt"

    with Reader(tmp_path) as reader:
        reader.follows(GUIDE)
        for _ in range(300):
            if "order.released W-1" in told.read_text().splitlines():
                break
            time.sleep(0.1)

    checked, taken = (json.loads(text) for text in reader.printed[1:3])
    found = json.loads(next(text for text in reader.printed if text.startswith('{"orders"')))
    assert checked["verdict"] == "accept"
    assert taken["state"] == "ready"
    assert [(order["order_ref"], order["state"]) for order in found["orders"]] == [("W-1", "released")]
    events = told.read_text().splitlines()
    assert {"order.accepted W-1", "job.engraved W-1", "order.released W-1", "order.held W-2"} <= set(events)


def test_every_block_of_the_guide_is_of_a_kind_that_the_test_runs() -> None:
    assert {kind for kind, _, _ in blocks(GUIDE)} == {"sh", "python", "text"}
    assert GUIDE.count("```") == 2 * len(blocks(GUIDE))


def test_tables_of_codes_and_events_are_those_of_the_service() -> None:
    """When this fails: python -m tests.golden.codes, then say in the last column what a store does."""
    assert codes.written() == GUIDE
    assert codes.without_advice() == []
    assert GUIDE.count("\n| finding | ") == GUIDE.count("\n| problem | ") == GUIDE.count("\n| event | ") == 1


def test_the_table_of_columns_is_that_of_the_import() -> None:
    table = GUIDE.split("| column | says |\n|---|---|\n", 1)[1].split("\n\n", 1)[0]

    assert table.splitlines() == [f"| `{column}` | {says} |" for column, says in COLUMNS.items()]
