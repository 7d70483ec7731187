"""A squall on the embedded service and the naive controls in every run; a squall on servers and storms of all
faults with `sh tests/run long`, a long one by `sh tests/run soak`."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from sqlalchemy.engine import URL

from tests.faults.naive import naive_storm
from tests.faults.storm import kill_broker, kill_something, squall, storm
from tests.servers import new_postgres_database

# On a machine that has much else to do the drain takes as long as it takes.
pytestmark = pytest.mark.timeout(900)
#: Another every day would be no run that can be repeated: it is printed, and can be given.
SEED = int(os.environ.get("RICASSO_TEST_SEED") or random.SystemRandom().randrange(10_000))


@pytest.mark.long  # four processes of the service, PostgreSQL, the broker: as much as the other two
@pytest.mark.postgres
@pytest.mark.redis
def test_nothing_is_lost_and_nothing_doubled_while_a_process_and_the_broker_die(
    tmp_path: Path,
) -> None:
    found, world = squall(tmp_path / "world", (kill_something, kill_broker), seed=SEED, embedded=False)

    assert found.sentences() == []
    assert found.acked and found.burned
    assert world.kills == 2


def test_nothing_is_lost_and_nothing_doubled_while_the_one_process_on_sqlite_dies(
    tmp_path: Path,
) -> None:
    found, world = squall(tmp_path / "world", (kill_something,), seed=SEED, embedded=True)

    assert found.sentences() == []
    assert found.acked and found.burned
    assert world.kills == 1


@pytest.mark.postgres
@pytest.mark.redis
def test_a_shop_without_the_guards_loses_and_doubles(postgres_server: URL, broker_url: str) -> None:
    with new_postgres_database(postgres_server, f"naive_{os.getpid()}") as url:
        naive = naive_storm(url.render_as_string(hide_password=False), broker_url, seed=SEED, kills=2)

    assert naive.messages_lost > 0
    assert naive.orders_doubled > 0
    assert naive.plain_claim_doubled > 0
    assert naive.no_fence_doubled > 0


@pytest.mark.long  # seven processes take half a minute of a processor to start
@pytest.mark.postgres
@pytest.mark.redis
def test_nothing_is_lost_and_nothing_doubled_while_servers_and_workers_die(tmp_path: Path) -> None:
    found, world = storm(tmp_path / "world", seed=SEED, embedded=False, kills=6, seconds=60)

    assert found.sentences() == []
    assert found.acked and found.burned
    assert world.kills


@pytest.mark.long
def test_nothing_is_lost_and_nothing_doubled_in_one_process_on_sqlite(
    tmp_path: Path,
) -> None:
    found, world = storm(tmp_path / "world", seed=SEED, embedded=True, kills=3, seconds=60)

    assert found.sentences() == []
    assert found.acked and found.burned
    assert world.kills
