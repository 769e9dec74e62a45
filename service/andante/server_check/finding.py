"""The words of the check: what is required, what was found, and what comes of it all."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from andante.errors import ServerError, Unreachable


class State(StrEnum):
    """What was found of one requirement."""

    PRESENT = "present"
    CLAIMED = "claimed"  # by the server's own word; not tried
    FALLBACK = "fallback"  # not there, and done without
    MISSING = "missing"
    UNTRIED = "not tried"  # nothing to try it with


class Verdict(IntEnum):
    """What comes of a check; the values are the command's exit statuses."""

    USABLE = 0
    WITH_FALLBACKS = 1
    NOT_USABLE = 3

    @property
    def sentence(self) -> str:
        return {
            Verdict.USABLE: "This server is usable: everything that was looked for is there.",
            Verdict.WITH_FALLBACKS: "This server is usable, with what is said below.",
            Verdict.NOT_USABLE: "This server is not usable: something needed is missing.",
        }[self]


@dataclass(frozen=True, kw_only=True)
class Requirement:
    """`needed` or only wished for; what it is for, and what it means to be `without` it."""

    title: str
    needed: bool
    purpose: str
    without: str


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One requirement as found. `seen` is what the server did; it never holds anything of a patient."""

    requirement: Requirement
    state: State
    seen: str
    needed: bool

    @property
    def means(self) -> str:
        lacks = self.state in (State.FALLBACK, State.MISSING)
        return self.requirement.without if lacks else self.requirement.purpose


def raise_if_away(error: ServerError) -> None:
    """A server that does not answer at all is not judged: raises Unreachable again."""
    if isinstance(error, Unreachable) and error.status is None:
        raise error


def found(requirement: Requirement, state: State, seen: str, *, needed: bool | None = None) -> Finding:
    """`needed` overrules the requirement: what a server offers must work, even if it could be done without."""
    return Finding(
        requirement=requirement, state=state, seen=seen, needed=requirement.needed if needed is None else needed
    )


@dataclass(frozen=True, kw_only=True)
class Report:
    """All findings in order. `software` is the server's own name for itself; `left` is what a test wrote."""

    base: str
    software: str
    findings: Sequence[Finding]
    wrote: bool = False
    left: Sequence[str] = ()

    @property
    def verdict(self) -> Verdict:
        if any(one.needed and one.state is State.MISSING for one in self.findings):
            return Verdict.NOT_USABLE
        doubtful = (State.FALLBACK, State.MISSING)
        doubts = [one for one in self.findings if one.state in doubtful or (one.needed and one.state is State.UNTRIED)]
        return Verdict.WITH_FALLBACKS if doubts else Verdict.USABLE
