"""Bodies are read from callers who are known, within a deadline and a size; there is room for so many."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.arrivals import admission
from service.records.db import Database
from service.records.errors import ServiceBusy, TooManyStreams
from service.requests.crowd import Crowd
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter, an_order


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as opened:
        yield opened


@pytest.mark.parametrize("key", ["", "rcs_store_aaaaaaaa_" + "a" * 47])
def test_the_body_of_a_caller_without_a_key_is_not_read(counter: Counter, key: str) -> None:
    read = []

    def pieces() -> Iterator[bytes]:
        for _ in range(6):
            read.append(1)
            yield b" " * 10_000

    headers = {"Authorization": f"Bearer {key}"} if key else {}
    answer = counter.client.post("/v1/orders", content=pieces(), headers=headers)

    # The test client hands over the first piece by itself.
    assert (answer.status_code, len(read) <= 1) == (401, True)


def test_a_body_that_never_ends_is_given_up(counter: Counter, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(admission, "BODY_SECONDS", -10.0)  # over before it has begun

    answer = counter.post_order(an_order())

    assert (answer.status_code, answer.json()["code"]) == (408, "body_too_slow")
    assert answer.headers["Content-Type"] == "application/problem+json"


def test_a_full_house_turns_requests_away_but_says_that_it_is_alive(counter: Counter) -> None:
    crowd = counter.client.app.state.crowd = Crowd(most_requests=1)  # type: ignore[attr-defined]
    crowd.enter()

    answers = [counter.ask("store", "GET", path) for path in ("/v1/orders", "/healthz", "/readyz")]
    crowd.leave()

    assert [answer.status_code for answer in answers] == [503, 200, 200]
    assert (answers[0].json()["code"], answers[0].headers["Retry-After"]) == ("service_busy", "1")
    assert counter.ask("store", "GET", "/v1/orders").status_code == 200


def test_one_key_has_only_so_many_streams_and_others_have_theirs() -> None:
    crowd = Crowd(most_streams=4, most_streams_of_one=2)
    with crowd.stream("aaaaaaaa"), crowd.stream("aaaaaaaa"):
        with pytest.raises(TooManyStreams), crowd.stream("aaaaaaaa"):
            pass
        others = crowd.stream("bbbbbbbb"), crowd.stream("bbbbbbbb")
        with others[0], others[1], pytest.raises(ServiceBusy), crowd.stream("cccccccc"):
            pass

    with crowd.stream("aaaaaaaa"), crowd.stream("aaaaaaaa"):
        pass


@pytest.mark.parametrize("path", ["/v1/events?until=now", "/live?about=all"])
def test_a_stream_too_many_is_refused_before_it_begins(counter: Counter, path: str) -> None:
    crowd = counter.client.app.state.crowd = Crowd(most_streams_of_one=1)  # type: ignore[attr-defined]
    if path.startswith("/live"):
        counter.client.post("/sign-in", data={"key": counter.keys["bench"], "name": "Ines"})
    headers = {} if path.startswith("/live") else {"Authorization": f"Bearer {counter.keys['bench']}"}
    key_id = counter.keys["bench"].split("_")[2]

    with crowd.stream(key_id):
        answer = counter.client.get(path, headers=headers)

    assert answer.status_code == 429


def test_a_stream_that_ended_gives_its_place_back(counter: Counter) -> None:
    counter.client.app.state.crowd = Crowd(most_streams_of_one=1)  # type: ignore[attr-defined]

    answers = [counter.ask("store", "GET", "/v1/events?until=now").status_code for _ in range(3)]

    assert answers == [200, 200, 200]
