"""What became of a card, as the client tells it: recorded by codes alone. A clinician's comment is never kept."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

import msgspec

from andante.errors import InputError
from andante.fhir_http.envelope import DECODE_ERRORS
from andante.present.as_card import OverrideReason

_MOST = 100
_OUTCOMES = ("accepted", "overridden")


class _Coding(msgspec.Struct, frozen=True):
    code: str | None = None
    system: str | None = None


class _Reason(msgspec.Struct, frozen=True):
    reason: _Coding | None = None


class _Entry(msgspec.Struct, frozen=True, rename="camel"):
    card: str
    outcome: str
    outcome_timestamp: str
    override_reason: _Reason | None = None


class _Body(msgspec.Struct, frozen=True):
    feedback: list[_Entry]


@dataclass(frozen=True, kw_only=True)
class Feedback:
    """`reason` is one of our codes, `other` for one of the client's own, empty where none was given."""

    card: str
    outcome: str
    reason: str = ""


def read_feedback(body: bytes, *, reasons_system: str) -> tuple[Feedback, ...]:
    """Take feedback apart. Raises InputError, in words that hold nothing of it."""
    try:
        entries = msgspec.json.decode(body, type=_Body).feedback
    except (*DECODE_ERRORS, ValueError):
        raise InputError("the feedback is not the JSON of CDS Hooks: feedback[] of card, outcome, time") from None
    if not 0 < len(entries) <= _MOST:
        raise InputError(f"feedback must hold between 1 and {_MOST} entries")
    return tuple(_read(entries, reasons_system))


def _read(entries: list[_Entry], system: str) -> Iterator[Feedback]:
    for number, entry in enumerate(entries):
        try:
            card = str(UUID(entry.card))
            datetime.fromisoformat(entry.outcome_timestamp)
        except ValueError:
            raise InputError(f"feedback[{number}]: card is no UUID, or outcomeTimestamp no instant") from None
        if entry.outcome not in _OUTCOMES:
            raise InputError(f"feedback[{number}].outcome must be one of {', '.join(_OUTCOMES)}")
        yield Feedback(card=card, outcome=entry.outcome, reason=_reason(entry, system))


def _reason(entry: _Entry, system: str) -> str:
    coding = entry.override_reason.reason if entry.override_reason is not None else None
    if coding is None:
        return ""
    ours = coding.system == system and coding.code in {reason.value for reason in OverrideReason}
    return coding.code or "other" if ours else "other"
