"""What takes how long, told to whoever traces; to nobody where nobody does, at the cost of one look.

A span carries the facts that a log line may carry, and no others: `log` holds the list. Of an error only its kind.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import Protocol

from andante import log

Facts = Mapping[str, float | bool | str]


class Span(Protocol):
    """One that has begun."""

    def tell(self, facts: Facts) -> None:
        """Add what is only known now."""


Tracer = Callable[[str, Facts], AbstractContextManager[Span]]

_tracer: Tracer | None = None


class _Nobody:
    def tell(self, facts: Facts) -> None: ...


_NOBODY = nullcontext(_Nobody())


def span(name: str, **facts: float | bool | str | None) -> AbstractContextManager[Span]:
    """For as long as the block lasts. Raises ValueError for a fact that may not be told: a defect of ours."""
    if _tracer is None:
        return _NOBODY
    return _tracer(name, log.plain_facts(facts))


@contextmanager
def traced_by(tracer: Tracer) -> Iterator[None]:
    """Tell `tracer` of every span of this process while the block lasts."""
    global _tracer
    before, _tracer = _tracer, tracer
    try:
        yield
    finally:
        _tracer = before
