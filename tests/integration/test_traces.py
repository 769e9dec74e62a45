"""Traces leave over OTLP/HTTP, without what an error says: https://opentelemetry.io/docs/specs/otlp/#otlphttp-request."""

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest

from andante import log, spans
from andante.triggers.operations.traces import traces_to

Taken = list[tuple[str, bytes]]


@pytest.fixture
def collector() -> Iterator[tuple[str, Taken]]:
    """A collector that keeps what it is sent."""
    taken: Taken = []

    class Collector(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            taken.append((self.path, self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

    server = HTTPServer(("127.0.0.1", 0), Collector)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/v1/traces", taken
    server.shutdown()
    thread.join()
    server.server_close()


def test_spans_arrive_with_ids_kinds_and_nothing_that_an_error_said(collector: tuple[str, Taken]) -> None:
    url, taken = collector
    with traces_to(url), log.correlated("round", "a" * 16):
        with spans.span("round", trigger="night-watch") as span, spans.span("fhir.request", method="GET"):
            span.tell({"patients": 3})
        with pytest.raises(ValueError, match="Quillfeather"), spans.span("review"):
            raise ValueError("Ada Quillfeather, phosphate 0.41")
    ((path, body),) = taken
    assert path == "/v1/traces"
    assert b"Quillfeather" not in body
    assert b"0.41" not in body
    (told,) = ExportTraceServiceRequest.FromString(body).resource_spans
    inner, outer, failed = told.scope_spans[0].spans
    assert [inner.name, outer.name, failed.name] == ["fhir.request", "round", "review"]
    assert inner.parent_span_id == outer.span_id
    facts = {one.key: one.value.string_value or one.value.int_value for one in outer.attributes}
    assert facts == {"andante.trigger": "night-watch", "andante.patients": 3, "andante.round_id": "a" * 16}
    assert {one.key: one.value.string_value for one in failed.attributes}["andante.error"] == "ValueError"
    assert {one.key for one in told.resource.attributes} == {"service.name", "service.version"}


def test_nothing_leaves_where_no_address_is_set(collector: tuple[str, Taken]) -> None:
    _, taken = collector
    with traces_to(None), spans.span("round"):
        pass
    assert taken == []


def test_a_fact_that_could_name_a_patient_is_refused(collector: tuple[str, Taken]) -> None:
    with traces_to(collector[0]):
        with pytest.raises(ValueError, match="not logged"), spans.span("round", patient="quillfeather"):
            pass
        with spans.span("round") as span, pytest.raises(ValueError, match="not logged"):
            span.tell({"name": "Ada Quillfeather"})
