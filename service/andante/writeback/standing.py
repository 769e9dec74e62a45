"""What stands in the inbox, and in whose hands it is.

The service's own: the status it wrote itself and its seal unbroken. Taken back: cancelled or revoked with a
reason out of our own list. Everything else is a person's, whatever its status, an unknown one included, and
is never written to.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

import msgspec

from andante.chart.assembly import instant_of
from andante.chart.chart import Inbox, InboxItem
from andante.chart.models import Resource, Task
from andante.domain.advice import AdviceCode, Priority
from andante.writeback.codes import InputKind, Kind
from andante.writeback.identity import Identity
from andante.writeback.seal import Json, has_coding, marked, seal_of
from andante.writeback.site import Site

_ID = re.compile(r"[A-Za-z0-9\-][A-Za-z0-9\-.]{0,63}")


class Hands(StrEnum):
    OURS = "ours"  # open and untouched: may be refreshed or taken back
    WITHDRAWN = "withdrawn"  # taken back by the service
    HANDLED = "handled"  # with a person, who has not decided yet
    DECIDED = "decided"  # a person has decided


_OPEN = {Kind.ADVICE: {"requested"}, Kind.NOTICE: {"active", "draft"}}
_TAKEN_BACK = {Kind.ADVICE: "cancelled", Kind.NOTICE: "revoked"}
_FINAL = {
    Kind.ADVICE: {"rejected", "cancelled", "failed", "completed", "entered-in-error"},
    Kind.NOTICE: {"revoked", "completed", "entered-in-error"},
}
# Accepted is a decision although the work is still to be done: newer evidence may be told beside it.
_DECISIONS = {
    Kind.ADVICE: _FINAL[Kind.ADVICE] | {"accepted"},
    Kind.NOTICE: _FINAL[Kind.NOTICE],
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One item of the inbox. `evidence` is what it was raised on, `shown` what it rests on as last written by
    us.

    `assessed` is the instant of the assessment last written into it (a notice only has that of its raising); `stay` the
    encounter it is about, as a reference. `json` is the item as the server holds it: taken apart only when asked for,
    since the page keeps everybody's, the past ones too.
    """

    kind: Kind
    reference: str
    version: str
    identity: Identity
    shown: str
    hands: Hands
    status: str
    is_final: bool
    line: str
    text: str
    priority: str
    code: AdviceCode | None
    authored: datetime | None
    assessed: datetime | None
    valid_until: datetime | None
    stay: str
    json: bytes

    @property
    def body(self) -> Json:
        """Anew each time, for the caller alone."""
        return _decoded(self.json)

    @property
    def rests_on(self) -> frozenset[str]:
        return frozenset({self.identity.evidence, self.shown})

    @property
    def age_order(self) -> tuple[float, str]:
        """Oldest first, the same for whoever looks."""
        return (self.authored.timestamp() if self.authored else 0.0, self.reference)


def read_inbox(inbox: Inbox, site: Site) -> tuple[Standing, ...]:
    """Oldest first. Items that do not carry one of our identifiers are none of ours and left out."""
    found = (_standing(item, site) for item in inbox.items)
    return tuple(sorted((one for one in found if one is not None), key=lambda one: one.age_order))


def of_kind(kind: Kind, standings: Iterable[Standing]) -> tuple[Standing, ...]:
    return tuple(one for one in standings if one.kind is kind)


def _standing(item: InboxItem, site: Site) -> Standing | None:
    resource = item.resource
    kind = Kind.ADVICE if isinstance(resource, Task) else Kind.NOTICE
    values = (i.value for i in resource.identifier if i.system == site.identifiers(kind) and i.value)
    identity = next((name for name in map(Identity.parse, values) if name), None)
    if identity is None:
        return None
    body = _decoded(item.body)
    status = resource.status or ""
    authored = instant_of(resource.authored_on)
    task = resource if isinstance(resource, Task) else None
    return Standing(
        kind=kind,
        reference=resource.key,
        version=resource.version_id or "",
        identity=identity,
        shown=marked(body, InputKind.FINGERPRINT, site) or identity.evidence,
        hands=_hands(kind, body, resource, site),
        status=status,
        is_final=status in _FINAL[kind],
        line=(task.description or "") if task else "",
        text=_text(body),
        priority=resource.priority or Priority.ROUTINE,
        code=_code(body, site) if task else None,
        authored=authored,
        assessed=(instant_of(task.last_modified) if task else None) or authored,
        valid_until=_valid_until(task),
        stay=_stay(body),
        json=item.body,
    )


def _decoded(json: bytes) -> Json:
    body: Json = msgspec.json.decode(json)
    return body


def _hands(kind: Kind, body: Json, resource: Resource, site: Site) -> Hands:
    status = body.get("status")
    if status in _OPEN[kind]:
        # Without a version there is no If-Match, and without that no write that could not overwrite a
        # person's.
        addressable = all(_ID.fullmatch(part or "") for part in (resource.id, resource.version_id))
        untouched = addressable and marked(body, InputKind.SEAL, site) == seal_of(body, site)
        return Hands.OURS if untouched else Hands.HANDLED
    if status == _TAKEN_BACK[kind] and has_coding(body.get("statusReason"), site.system("cancel-reason")):
        return Hands.WITHDRAWN
    return Hands.DECIDED if status in _DECISIONS[kind] else Hands.HANDLED


def _text(body: Json) -> str:
    """The first note or payload; nothing where a server sends something else there."""
    parts: Any = body.get("note") or body.get("payload")
    first = parts[0] if isinstance(parts, list) and parts else None
    text = (first.get("text") or first.get("contentString")) if isinstance(first, dict) else None
    return text if isinstance(text, str) else ""


def _code(body: Json, site: Site) -> AdviceCode | None:
    concept, system = body.get("code"), site.system("advice")
    return next((code for code in AdviceCode if has_coding(concept, system, code)), None)


def _stay(body: Json) -> str:
    encounter: Any = body.get("encounter")
    reference = encounter.get("reference") if isinstance(encounter, dict) else None
    return reference if isinstance(reference, str) else ""


def _valid_until(task: Task | None) -> datetime | None:
    period = task.restriction.period if task and task.restriction else None
    return instant_of(period.end) if period else None
