"""OpenTelemetry traces, where the settings name a collector and the extra `traces` is installed.

An error's message and stack never go along: they may hold patient data. Of it only the kind is told.
"""

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import TYPE_CHECKING

from andante import __version__, log, spans
from andante.errors import InputError

if TYPE_CHECKING:
    from opentelemetry.sdk.trace import SpanProcessor
    from opentelemetry.trace import Tracer


@contextmanager
def traces_to(url: str | None) -> Iterator[None]:
    """Send spans there while the block lasts; nothing where there is no address. Raises InputError."""
    if url is None:
        yield
        return
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
    except ImportError:
        raise InputError("ANDANTE_TRACES_URL needs the extra: install andante[traces]") from None
    with traced_through(BatchSpanProcessor(OTLPSpanExporter(endpoint=url))):
        yield


@contextmanager
def traced_through(processor: "SpanProcessor") -> Iterator[None]:
    """Give every span of ours to the processor while the block lasts, and then what it still holds to its end."""
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import TracerProvider

    # Made by hand: the detectors would add the command line and the names of this machine.
    provider = TracerProvider(resource=Resource({"service.name": "andante", "service.version": __version__}))
    provider.add_span_processor(processor)
    try:
        with spans.traced_by(_telling(provider.get_tracer("andante", __version__))):
            yield
    finally:
        provider.shutdown()


def _telling(tracer: "Tracer") -> spans.Tracer:
    from opentelemetry.trace import Span, StatusCode

    class Told:
        def __init__(self, span: Span) -> None:
            self._span = span

        def tell(self, facts: spans.Facts) -> None:
            self._span.set_attributes({f"andante.{name}": value for name, value in log.plain_facts(facts).items()})

    @contextmanager
    def begun(name: str, facts: spans.Facts) -> Iterator[spans.Span]:
        with tracer.start_as_current_span(name, record_exception=False, set_status_on_exception=False) as span:
            told = Told(span)
            told.tell(facts)
            for kind in ("round", "request"):
                if (ident := log.current(kind)) is not None:
                    span.set_attribute(f"andante.{kind}_id", ident)
            try:
                yield told
            except BaseException as error:
                told.tell({"error": type(error).__name__})
                span.set_status(StatusCode.ERROR)
                raise

    def trace(name: str, facts: spans.Facts) -> AbstractContextManager[spans.Span]:
        return begun(name, facts)

    return trace
