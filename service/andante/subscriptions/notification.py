"""What a server says when it tells of a change, read for one thing only: whom to read again.

Taken are an empty ping, a resource, and the Bundles of the subscriptions backport, with the Parameters of its R4
form or the SubscriptionStatus of R4B; empty, id-only or whole. Nothing else of a payload is used.
"""

import re
from dataclasses import dataclass

import msgspec

from andante.chart.chart import reference_key
from andante.chart.decoding import salvage
from andante.errors import InputError
from andante.fhir_http.envelope import DECODE_ERRORS, Entry, decode_bundle, peek

PING, RESOURCE = "ping", "resource"
HANDSHAKE, HEARTBEAT, EVENT = "handshake", "heartbeat", "event-notification"
_TYPES = frozenset({HANDSHAKE, HEARTBEAT, EVENT, "query-status", "query-event"})
_KEY = re.compile(r"[A-Z][A-Za-z]{1,63}/[A-Za-z0-9.\-]{1,64}")
_MOST_EVENTS = 1_000
_MOST_DIGITS = 18


@dataclass(frozen=True, kw_only=True)
class Notification:
    """`patients` are ids, `resources` are `Type/id` whose patient is not told.

    `vague`: something changed, and it is not told what. `number` is how many events there were since the
    Subscription began, and `numbers` those of the events told here; the backport counts them, R4 does not.
    """

    kind: str
    patients: frozenset[str] = frozenset()
    resources: frozenset[str] = frozenset()
    vague: bool = False
    number: int | None = None
    numbers: tuple[int, ...] = ()


def read_notification(body: bytes, *, addressed: str | None = None) -> Notification:
    """`addressed` is the `Type/id` at the end of the address, where a server sends resources to one of their own.

    Raises InputError for what is no notification; the text quotes nothing of it.
    """
    named = {addressed} if addressed and _KEY.fullmatch(addressed) else set()
    if not body.strip():
        return Notification(kind=PING, resources=frozenset(named), vague=not named)
    try:
        kind = peek(body).resource_type
        if kind == "Bundle":
            return _of_bundle(body)
        if not kind:
            raise InputError("a notification must be a FHIR resource, or empty")
        return _of_resource(kind, body, named)
    except DECODE_ERRORS:
        raise InputError("the notification is not JSON, or is cut short") from None


def _of_resource(kind: str, body: bytes, named: set[str]) -> Notification:
    whose = _whose(kind, body)
    # Told by its patient and by its address: one look is enough.
    return Notification(
        kind=RESOURCE,
        patients=frozenset([whose.patient] if whose.patient else ()),
        resources=frozenset(() if whose.patient else named | ({whose.key} if whose.key else set())),
        vague=not (whose.patient or whose.key or named),
    )


def _of_bundle(body: bytes) -> Notification:
    bundle, misshapen = decode_bundle(body)
    status, entries = _Status(), list(bundle.entry)
    if entries and entries[0].has_resource:
        status = _status(entries[0].resource)
        entries = entries[1:] if status.type is not None else entries
    told = [_whose_entry(entry) for entry in entries[:_MOST_EVENTS]]
    known = {whose.key for whose in told if whose.patient} | {event.focus for event in status.events if event.patient}
    named = {whose.key for whose in told if whose.key} | {event.focus for event in status.events if event.focus}
    patients = {whose.patient for whose in told if whose.patient} | {e.patient for e in status.events if e.patient}
    nameless = any(not (whose.patient or whose.key) for whose in told) or any(
        not (event.patient or event.focus) for event in status.events
    )
    kind = status.type or EVENT
    is_event = kind not in (HANDSHAKE, HEARTBEAT)
    nothing = not (told or status.events) or len(entries) > _MOST_EVENTS
    return Notification(
        kind=kind,
        patients=frozenset(patients),
        resources=frozenset(key for key in named - known if key is not None),
        vague=is_event and (nameless or nothing or bool(misshapen)),
        number=status.number,
        numbers=tuple(event.number for event in status.events if event.number is not None),
    )


@dataclass(frozen=True, kw_only=True)
class _Whose:
    """What a resource is, as `Type/id`, and the id of the patient it names."""

    key: str | None = None
    patient: str | None = None


def _whose_entry(entry: Entry) -> _Whose:
    kind = peek(entry.resource).resource_type if entry.has_resource else None
    if kind:
        return _whose(kind, entry.resource)
    texts = (entry.full_url, entry.request.url if entry.request else None)
    return _Whose(key=next((key for key in map(_key, texts) if key is not None), None))


def _whose(kind: str, body: msgspec.Raw | bytes) -> _Whose:
    reference = salvage(body).subject_reference()
    key = _key(f"{kind}/{peek(body).id or ''}")
    return _Whose(key=key, patient=_patient(key) or _patient(reference.reference if reference else None))


def _key(text: str | None) -> str | None:
    key = reference_key(text or "")
    return key if key is not None and _KEY.fullmatch(key) else None


def _patient(text: str | None) -> str | None:
    key = _key(text)
    return key.removeprefix("Patient/") if key is not None and key.startswith("Patient/") else None


# --------------------------------------------------------------------------- the backport's status


class _Reference(msgspec.Struct, frozen=True):
    reference: str | None = None


class _Part(msgspec.Struct, frozen=True, rename="camel"):
    name: str | None = None
    value_code: str | None = None
    value_string: str | None = None
    value_integer: int | None = None
    value_unsigned_int: int | None = None
    value_reference: _Reference | None = None
    part: tuple["_Part", ...] = ()

    @property
    def number(self) -> int | None:
        return _number(self.value_string, self.value_integer, self.value_unsigned_int)


class _Parameters(msgspec.Struct, frozen=True):
    parameter: tuple[_Part, ...] = ()


class _NotificationEvent(msgspec.Struct, frozen=True, rename="camel"):
    event_number: str | int | None = None
    focus: _Reference | None = None
    additional_context: tuple[_Reference, ...] = ()


class _SubscriptionStatus(msgspec.Struct, frozen=True, rename="camel"):
    type: str | None = None
    events_since_subscription_start: str | int | None = None
    notification_event: tuple[_NotificationEvent, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Event:
    number: int | None
    focus: str | None
    patient: str | None = None


@dataclass(frozen=True, kw_only=True)
class _Status:
    """`type` is None where the first entry of a Bundle is no status at all."""

    type: str | None = None
    number: int | None = None
    events: tuple[_Event, ...] = ()


def _status(raw: msgspec.Raw) -> _Status:
    match peek(raw).resource_type:
        case "Parameters":
            parts = msgspec.json.decode(raw, type=_Parameters).parameter
            return _Status(
                type=_type(next((part.value_code for part in parts if part.name == "type"), None)),
                number=next((p.number for p in parts if p.name == "events-since-subscription-start"), None),
                events=tuple(_event(part.part) for part in parts if part.name == "notification-event"),
            )
        case "SubscriptionStatus":
            status = msgspec.json.decode(raw, type=_SubscriptionStatus)
            return _Status(
                type=_type(status.type),
                number=_number(status.events_since_subscription_start),
                events=tuple(
                    _Event(
                        number=_number(event.event_number),
                        focus=_key(_text(event.focus)),
                        patient=_first_patient(_text(event.focus), *map(_text, event.additional_context)),
                    )
                    for event in status.notification_event
                ),
            )
    return _Status()


def _type(text: str | None) -> str:
    """A status of an unknown type is taken for an event: reading once too often is the safer error."""
    return text if text in _TYPES else EVENT


def _event(parts: tuple[_Part, ...]) -> _Event:
    number = next((part.number for part in parts if part.name == "event-number"), None)
    focus = next((_text(part.value_reference) for part in parts if part.name == "focus"), None)
    context = [_text(part.value_reference) for part in parts if part.name == "additional-context"]
    return _Event(number=number, focus=_key(focus), patient=_first_patient(focus, *context))


def _text(reference: _Reference | None) -> str | None:
    return reference.reference if reference is not None else None


def _first_patient(*texts: str | None) -> str | None:
    return next((patient for patient in map(_patient, texts) if patient is not None), None)


def _number(*given: str | int | None) -> int | None:
    for one in given:
        if isinstance(one, int) and one >= 0:
            return one
        if isinstance(one, str) and one.isascii() and one.isdecimal() and len(one) <= _MOST_DIGITS:
            return int(one)
    return None
