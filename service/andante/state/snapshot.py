"""What is kept, as one value: instants, counts, and ids of the server's. No name, no level, no text of a chart."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True, kw_only=True)
class Completed:
    """The last completed round of its kind. `ident` is what its log lines carry."""

    kind: str
    ident: str
    began: datetime
    ended: datetime
    whole: bool
    counts: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Watermark:
    """How far the server's changes were followed, in the server's own time."""

    newest: datetime
    before: datetime


@dataclass(frozen=True, kw_only=True)
class Setback:
    """A patient, by id, whose record failed `failures` times running, last at `last`."""

    patient: str
    failures: int
    last: datetime
    again: datetime
    """Rounds by change time leave the patient alone until then, unless something of theirs changes."""


@dataclass(frozen=True, kw_only=True)
class HookRecord:
    """One Subscription of ours: what its writing looked like, and how it fared."""

    name: str
    ident: str | None
    fingerprint: str
    written: datetime
    failures: int


@dataclass(frozen=True, kw_only=True)
class AuditHead:
    """The last line of an audit log, noted elsewhere than in the log. `chain` is the hash of its first line."""

    chain: str
    head: str
    noted: datetime


@dataclass(frozen=True, kw_only=True)
class Snapshot:
    """All of it, for one FHIR server."""

    rounds: tuple[Completed, ...] = ()
    mark: Watermark | None = None
    setbacks: tuple[Setback, ...] = ()
    hooks: tuple[HookRecord, ...] = ()
    audit: tuple[AuditHead, ...] = ()


NOTHING = Snapshot()
