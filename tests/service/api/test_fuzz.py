"""No request drawn from the description is answered by a fault, nor by anything that is not described."""

from __future__ import annotations

import os
from pathlib import Path
from random import Random

import pytest
from structlog.testing import capture_logs

from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import an_open_counter
from tests.service.api import fuzzing

#: Another share of the operations, and other requests, in every run; said where something is wrong.
SEED = int(os.environ.get("RICASSO_TEST_FUZZ_SEED") or Random().randrange(2**32))


@pytest.mark.timeout(3600)
@pytest.mark.parametrize(
    ("kind", "each", "share", "each_of_share"),
    [
        ("sqlite", 2, 5, 10),
        pytest.param("sqlite", 150, 0, 0, marks=pytest.mark.long),
        pytest.param("postgres", 60, 0, 0, marks=[pytest.mark.postgres, pytest.mark.long]),
    ],
)
def test_every_answer_is_as_described(
    kind: str,
    each: int,
    share: int,
    each_of_share: int,
    request: pytest.FixtureRequest,
    clock: SetClock,
    tmp_path: Path,
) -> None:
    """`each`: requests of every operation; `each_of_share`: of `share` operations, others in every run."""
    database: Database = request.getfixturevalue(f"{kind}_database")
    some = Random(SEED).sample(fuzzing.names(), share)
    with an_open_counter(database, clock, tmp_path, **fuzzing.NO_LIMITS) as counter, capture_logs():
        fuzzing.busy_shop(counter)
        found = fuzzing.fuzz(counter, fuzzing.names(), each=each, number=SEED)
        more = fuzzing.fuzz(counter, some, each=each_of_share, number=SEED + 1)

    assert found.wrong | more.wrong == {}, f"again with RICASSO_TEST_FUZZ_SEED={SEED}"
    # They did get past the door; whether something was made is chance where each is asked twice.
    assert {200, 401, 403, 404, 422} <= set(found.statuses)
    assert each < 10 or 201 in found.statuses


@pytest.mark.parametrize("fault", ["status", "media type", "schema", "fault"])
def test_what_is_not_described_is_seen(
    sqlite_database: Database, clock: SetClock, tmp_path: Path, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same requests, with a description that does not say what is answered: the look is no empty one."""
    described = fuzzing.description()
    wrong = {**described, "paths": {**described["paths"]}}
    answers = dict(described["paths"]["/v1/stock"]["get"]["responses"])
    if fault == "status":
        del answers["200"]
    elif fault == "media type":
        answers["200"] = {**answers["200"], "content": {"text/csv": {"schema": {"type": "string"}}}}
    elif fault == "schema":
        answers["200"] = {**answers["200"], "content": {"application/json": {"schema": {"type": "array"}}}}
    operation = {**described["paths"]["/v1/stock"]["get"], "responses": answers}
    wrong["paths"]["/v1/stock"] = {**described["paths"]["/v1/stock"], "get": operation}
    monkeypatch.setattr(fuzzing, "description", lambda: wrong)
    with an_open_counter(sqlite_database, clock, tmp_path) as counter, capture_logs():
        if fault == "fault":
            monkeypatch.setattr("service.api.stock.stock_answer", lambda session: 1 / 0)

        found = fuzzing.fuzz(counter, ["get_stock"], each=12, number=1)

    assert len(found.wrong) >= 1
