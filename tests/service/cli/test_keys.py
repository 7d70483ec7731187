"""Keys on the command line: listed without their secret, ended by themselves, changed with an overlap."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from service.cli.main import run
from service.records import clock
from service.records.db import Database, open_engine
from service.records.errors import KeyUnknown
from service.requests import keys


def test_a_key_is_changed_with_an_overlap_and_listed_without_its_secret(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = ["--data", str(tmp_path)]
    run(["keys", "new", "store", "--client", "garden-shop", "--days", "30", *data])
    old = capsys.readouterr().out.strip()

    run(["keys", "rotate", old.split("_")[2], "--hours", "2", *data])
    new = capsys.readouterr().out.strip()
    run(["keys", "list", *data])
    listed = capsys.readouterr().out.splitlines()

    engine = open_engine(f"sqlite:///{tmp_path / 'ricasso.sqlite3'}")
    with Database(engine).reading() as session:
        soon, later, late = (clock.now() + timedelta(hours=hours) for hours in (1, 3, 24 * 31))
        both = [keys.who_has(session, key, now=soon).client for key in (old, new)]
        with pytest.raises(KeyUnknown):
            keys.who_has(session, old, now=later)
        assert keys.who_has(session, new, now=later).client == "garden-shop"
        with pytest.raises(KeyUnknown):  # it ends when the first would have ended
            keys.who_has(session, new, now=late)
    engine.dispose()
    assert both == ["garden-shop", "garden-shop"]
    assert [line.split()[:3] for line in listed] == [[key.split("_")[2], "store", "in"] for key in (old, new)]
    assert not any(key.split("_")[3] in line for key in (old, new) for line in listed)


def test_a_key_that_is_not_in_use_is_not_changed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = ["--data", str(tmp_path)]
    run(["keys", "new", "desk", *data])
    key_id = capsys.readouterr().out.split("_")[2]
    run(["keys", "revoke", key_id, *data])

    assert run(["keys", "rotate", key_id, *data]) == 1
    assert "there is no key in use with this id" in capsys.readouterr().err
