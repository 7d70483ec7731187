"""Counters, histograms and lines of log: what a request leaves behind; and the alerts name what is there."""

from __future__ import annotations

import errno
import io
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.parser import text_string_to_metric_families as plain_families

from service.app import set_up_logging
from service.records.counters import LOG_LINES_LOST
from service.records.db import Database
from tests.clocks import SetClock
from tests.counter import Counter, an_open_counter, an_order

GUIDES = Path(__file__).parents[3] / "service" / "guides"
ALERTS, DASHBOARD, UNIT = GUIDES / "alerts.yml", GUIDES / "dashboard.json", GUIDES / "ricasso.service"
CHECK = {
    "sku": "AQ-CHEF-20",
    "inscriptions": [{"zone": "heel", "text": "Secret words", "font": "lato-bold", "height_mm": 5}],
}


@pytest.fixture
def counter(sqlite_database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(sqlite_database, clock, tmp_path) as counter:
        yield counter


def samples(page: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(page)
        for sample in family.samples
    }


def scraped(counter: Counter, accept: str = "application/openmetrics-text; version=1.0.0") -> str:
    answer = counter.client.get(
        "/metrics", headers={"Authorization": f"Bearer {counter.keys['owner']}", "Accept": accept}
    )
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith(accept.split(";", maxsplit=1)[0])
    return answer.text


def test_requests_and_checks_are_counted_by_what_came_of_them(counter: Counter) -> None:
    check, route = ("ricasso_check_seconds_count", (("verdict", "accept"),)), ("route", "/v1/checks")
    asked = ("ricasso_http_request_seconds_count", (("method", "POST"), route, ("status", "200")))
    refused = ("ricasso_http_request_seconds_count", (("method", "POST"), route, ("status", "422")))
    before = samples(scraped(counter))

    counter.ask("desk", "POST", "/v1/checks", CHECK)
    counter.ask("desk", "POST", "/v1/checks", {"sku": 7})
    page = scraped(counter)

    after = samples(page)
    assert [after[what] - before.get(what, 0.0) for what in (check, asked, refused)] == [1.0, 1.0, 1.0]
    assert page.endswith("# EOF\n")
    assert "Secret" not in page
    assert list(plain_families(scraped(counter, "text/plain")))  # and as it is read by older scrapers


def test_made_up_methods_and_addresses_make_no_series_of_their_own(counter: Counter) -> None:
    scraped(counter)  # a scrape is a request too: it stands in the next one
    before = set(samples(scraped(counter)))

    for number in range(20):
        counter.client.request(f"BREW{number}", f"/no/such/address/{number}")

    made = {labels for name, labels in set(samples(scraped(counter))) - before if name.endswith("_count")}
    assert len(made) == 1
    assert not any("BREW" in value for labels in made for _, value in labels)


def test_every_alert_names_metrics_and_labels_that_are_there(counter: Counter) -> None:
    families = {family.name: family for family in text_string_to_metric_families(scraped(counter))}
    rules = yaml.safe_load(ALERTS.read_text())["groups"][0]["rules"]

    for rule in rules:
        assert set(rule) <= {"alert", "expr", "for", "annotations"} and rule["annotations"]["summary"]
        for name in re.findall(r"ricasso_[a-z_]+", rule["expr"]):
            assert re.sub(r"_(total|count|bucket)$", "", name) in families, rule["alert"]
    assert len({rule["alert"] for rule in rules}) == len(rules) > 6


def test_the_dashboard_shows_metrics_that_are_there_and_leaves_out_none(counter: Counter) -> None:
    families = {family.name for family in text_string_to_metric_families(scraped(counter))}
    board = json.loads(DASHBOARD.read_text())

    shown = set()
    for panel in board["panels"]:
        assert panel["title"] and panel["targets"] and panel["datasource"]["uid"] == "${source}"
        for target in panel["targets"]:
            names = re.findall(r"ricasso_[a-z_]+", target["expr"])
            shown |= {re.sub(r"_(total|count|bucket|info)$", "", name) for name in names}
            for label in re.findall(r"{{(\w+)}}", target["legendFormat"]):
                assert re.search(rf"\b{label}\b", target["expr"]) or label == "state", target
    assert shown <= families
    assert families - shown <= {"ricasso_lots"}  # bare blades: counted, not watched
    assert len({panel["id"] for panel in board["panels"]}) == len(board["panels"])


@pytest.mark.skipif(shutil.which("promtool") is None, reason="NOT RUN: promtool is not installed here")
def test_the_alerts_are_rules_as_their_own_tool_reads_them() -> None:
    checked = subprocess.run(
        ["promtool", "check", "rules", str(ALERTS)], capture_output=True, text=True, check=False
    )

    assert checked.returncode == 0, checked.stderr


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="NOT RUN: systemd is not installed here")
def test_the_unit_file_is_one_as_its_own_tool_reads_it(tmp_path: Path) -> None:
    unit = tmp_path / "ricasso.service"
    text = UNIT.read_text()
    assert "ExecStart=/opt/ricasso/bin/ricasso serve" in text
    unit.write_text(text.replace("/opt/ricasso/bin/ricasso", sys.executable))

    checked = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False
    )

    assert (checked.returncode, checked.stderr) == (0, "")


def test_every_line_of_a_request_says_which_and_whose_but_no_words(
    counter: Counter, monkeypatch: pytest.MonkeyPatch
) -> None:
    import structlog

    log = io.StringIO()
    monkeypatch.setattr("sys.stderr", log)
    set_up_logging("INFO")
    counter.client.post(
        "/v1/checks",
        json=CHECK,
        headers={"Authorization": f"Bearer {counter.keys['desk']}", "X-Request-ID": "from-the-till"},
    )
    structlog.get_logger("test").info("outside of any request")

    lines = [json.loads(line) for line in log.getvalue().splitlines()]
    (request,) = [line for line in lines if line["event"] == "request"]
    assert (request["request_id"], request["role"], request["status"]) == ("from-the-till", "desk", 200)
    assert request["client"]
    assert all("request_id" not in line for line in lines if line["event"] == "outside of any request")
    assert "Secret" not in log.getvalue()


def test_a_log_that_can_not_be_written_undoes_no_answer(
    counter: Counter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full: without the guard the store hears of a fault after its order was taken."""

    class Full(io.StringIO):
        def write(self, _: str) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

    lost = LOG_LINES_LOST._value.get()
    monkeypatch.setattr("sys.stderr", Full())
    set_up_logging("INFO")
    answer = counter.post_order(an_order())

    assert answer.status_code == 201
    assert LOG_LINES_LOST._value.get() > lost
