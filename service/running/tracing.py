"""Traces, for a shop that collects them (`RICASSO_TRACES_TO`, `pip install "ricasso[tracing]"`): spans of
requests, of their statements, and of tasks, sent by OTLP over HTTP.

Names follow https://opentelemetry.io/docs/specs/semconv/. No span holds a word of a customer: statements go
without their values, requests without their query and with their route in place of their path (a buyer's
link is as good as a key).
"""

from __future__ import annotations

from typing import Any

from opentelemetry import trace
from opentelemetry.context import Context
from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
from opentelemetry.sdk.resources import Resource
from opentelemetry.sdk.trace import Span, SpanProcessor, TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor
from opentelemetry.trace import SpanKind, StatusCode
from sqlalchemy import Connection, Engine, event

_OPEN = "ricasso.spans"


def begin(address: str, engine: Engine) -> None:
    """Trace this process from now on, to a collector's address (`http://collector:4318`)."""
    trace.set_tracer_provider(provider(BatchSpanProcessor(OTLPSpanExporter(f"{address}/v1/traces"))))
    watch(engine, trace.get_tracer_provider())


def provider(*processors: SpanProcessor) -> TracerProvider:
    """A provider whose spans are without words before any of these see them."""
    made = TracerProvider(resource=Resource.create({"service.name": "ricasso"}))
    for processor in (_WithoutWords(), *processors):
        made.add_span_processor(processor)
    return made


class _WithoutWords(SpanProcessor):
    def on_start(self, span: Span, parent_context: Context | None = None) -> None:
        for name in ("url.query", "url.path", "url.full"):
            if name in (span.attributes or {}):
                span.set_attribute(name, "")


def watch(engine: Engine, provider: trace.TracerProvider) -> None:
    """A span for every statement of an engine within another span; a poll of its own leaves none."""
    tracer = provider.get_tracer("ricasso")
    system = engine.dialect.name

    def begun(connection: Connection, _cursor: Any, statement: str, *_: Any) -> None:
        open_spans: list[trace.Span | None] = connection.info.setdefault(_OPEN, [])
        if not trace.get_current_span().is_recording():
            open_spans.append(None)
            return
        what = statement.split(None, 1)[0].upper()
        about = {"db.system.name": system, "db.operation.name": what, "db.query.text": statement}
        open_spans.append(tracer.start_span(what, kind=SpanKind.CLIENT, attributes=about))

    def ended(connection: Connection, *_: Any) -> None:
        if (span := connection.info[_OPEN].pop()) is not None:
            span.end()

    def failed(failure: Any) -> None:
        open_spans = failure.connection.info.get(_OPEN) if failure.connection is not None else None
        if open_spans and (span := open_spans.pop()) is not None:
            span.set_status(StatusCode.ERROR, type(failure.original_exception).__name__)
            span.end()

    event.listen(engine, "before_cursor_execute", begun)
    event.listen(engine, "after_cursor_execute", ended)
    event.listen(engine, "handle_error", failed)
