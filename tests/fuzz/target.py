"""What a fuzzed part of the service is: where it begins, what it is given, and what must hold whatever it is given."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

from mutator import Mutator


class Violated(AssertionError):
    """A property that must hold for every input does not hold for this one."""


@dataclass(frozen=True, kw_only=True)
class Target:
    """`run` raises for an input that shows a defect: Violated, or whatever crashed.

    `what` says in words what is run, for the document. Without `by_structure`, bytes are mutated as bytes.
    """

    name: str
    what: str
    seeds: Callable[[], list[bytes]]
    run: Callable[[bytes], None]
    by_structure: bool = True
    longest: int = 160_000
    share: int = 2
    """Of the time, beside the others."""

    @cached_property
    def texts(self) -> list[bytes]:
        return self.seeds()

    @cached_property
    def mutator(self) -> Mutator:
        return Mutator(self.texts)


def held(condition: bool, told: str) -> None:
    """Raises Violated. `told` must not quote the input."""
    if not condition:
        raise Violated(told)
