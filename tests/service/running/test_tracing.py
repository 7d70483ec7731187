"""Traces: spans of requests, statements and tasks where they are wanted; off otherwise; no words in any.

Names of attributes are held against https://opentelemetry.io/docs/specs/semconv/ (http, db), from memory.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from opentelemetry import trace
from opentelemetry.sdk.trace import ReadableSpan
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.trace import SpanKind

from service.cli.main import run
from service.records.db import Database
from service.running import assembly, tasks, tracing
from tests.clocks import SetClock
from tests.counter import Counter, an_inscription, an_open_counter, an_order


@pytest.fixture
def counter(database: Database, clock: SetClock, tmp_path: Path) -> Iterator[Counter]:
    with an_open_counter(database, clock, tmp_path) as opened:
        yield opened


@pytest.fixture
def spans(counter: Counter, monkeypatch: pytest.MonkeyPatch) -> InMemorySpanExporter:
    """What is traced from now on."""
    kept = InMemorySpanExporter()
    provider = tracing.provider(SimpleSpanProcessor(kept))
    # A process has one provider for good; each test has its own.
    monkeypatch.setattr(trace, "_TRACER_PROVIDER", provider)
    tracing.watch(counter.tools.database.engine, provider)
    return kept


def named(spans: InMemorySpanExporter, name: str) -> list[ReadableSpan]:
    return [span for span in spans.get_finished_spans() if span.name == name]


def test_a_request_is_a_span_with_its_statements_and_no_word_of_a_customer(
    counter: Counter, spans: InMemorySpanExporter
) -> None:
    order = an_order(buyer={"name": "Quillfeather"})
    order["lines"][0]["inscriptions"] = [an_inscription(text="Zenobia")]

    taken = counter.post_order(order)
    found = counter.ask("desk", "GET", "/v1/orders?q=Zenobia")
    link = counter.ask("desk", "POST", f"/v1/orders/{taken.json()['id']}/proof-link").json()["url"]
    counter.client.get(link)

    assert (taken.status_code, len(found.json()["orders"])) == (201, 1)
    (request,) = named(spans, "POST /v1/orders")
    assert request.kind is SpanKind.SERVER and request.attributes is not None
    assert request.attributes["http.route"] == "/v1/orders"
    assert request.attributes["http.response.status_code"] == 201
    assert request.context is not None
    statements = [
        span
        for span in spans.get_finished_spans()
        if span.context is not None
        and span.context.trace_id == request.context.trace_id
        and span.attributes is not None
        and "db.query.text" in span.attributes
    ]
    assert {"INSERT", "SELECT"} <= {span.name for span in statements}
    system = counter.tools.database.engine.dialect.name
    assert {span.attributes["db.system.name"] for span in statements if span.attributes} == {system}
    everything = "".join(span.to_json() for span in spans.get_finished_spans())
    assert [word for word in ("Zenobia", "Quillfeather", link.rsplit("/", 1)[1]) if word in everything] == []


def test_a_failed_statement_leaves_nothing_open(counter: Counter, spans: InMemorySpanExporter) -> None:
    from sqlalchemy import text
    from sqlalchemy.exc import SQLAlchemyError

    database = counter.tools.database
    with trace.get_tracer("test").start_as_current_span("outer"):
        with pytest.raises(SQLAlchemyError), database.reading() as session:
            session.execute(text("SELECT nothing FROM nowhere"))
        with database.reading() as session:
            session.execute(text("SELECT 1"))

    failed, good = [span for span in named(spans, "SELECT") if "pg_" not in str(span.attributes)][-2:]
    assert not failed.status.is_ok and "nowhere" not in str(failed.status.description)
    assert good.status.description is None


def test_a_task_is_a_span_and_a_poll_is_none(counter: Counter, spans: InMemorySpanExporter) -> None:
    with counter.tools.database.reading() as session:
        session.connection().exec_driver_sql("SELECT 1")
    assert spans.get_finished_spans() == ()

    done = tasks.run_periodic(counter.tools, lanes=(tasks.SWEEPS,))

    assert {f"task {name}" for name in done} <= {span.name for span in spans.get_finished_spans()}
    assert named(spans, "SELECT")


def test_nothing_is_traced_unless_it_is_asked_for(counter: Counter) -> None:
    assembly.trace(counter.tools)

    assert not isinstance(trace.get_tracer_provider(), tracing.TracerProvider)


def test_traces_without_their_packages_are_refused_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RICASSO_TRACES_TO", "http://127.0.0.1:4318")
    monkeypatch.setitem(sys.modules, "opentelemetry.sdk.resources", None)
    monkeypatch.delitem(sys.modules, "service.running.tracing")
    monkeypatch.delattr("service.running.tracing")

    assert run(["serve", "--port", "0", "--data", str(tmp_path)]) == 1

    said = capsys.readouterr().err.splitlines()[-1]
    assert said.startswith("ricasso: RICASSO_TRACES_TO is set") and 'pip install "ricasso[tracing]"' in said
