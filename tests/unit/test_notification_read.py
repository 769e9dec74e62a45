"""What is taken from a notification, and what is not."""

import json
from typing import Any

import pytest

from andante.errors import InputError
from andante.subscriptions.notification import Notification, read_notification

Json = dict[str, Any]
RESULT: Json = {"resourceType": "Observation", "id": "o1", "subject": {"reference": "Patient/p1"}, "status": "final"}
BASE = "https://server.example/fhir"


def parameters(kind: str, *events: Json, total: int = 0) -> Json:
    return {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subscription", "valueReference": {"reference": f"{BASE}/Subscription/1"}},
            {"name": "status", "valueCode": "active"},
            {"name": "type", "valueCode": kind},
            {"name": "events-since-subscription-start", "valueString": str(total)},
            *({"name": "notification-event", "part": parts} for parts in map(_parts, events)),
        ],
    }


def _parts(event: Json) -> list[Json]:
    parts: list[Json] = [{"name": "event-number", "valueString": str(event["number"])}]
    if "focus" in event:
        parts.append({"name": "focus", "valueReference": {"reference": event["focus"]}})
    parts += [{"name": "additional-context", "valueReference": {"reference": one}} for one in event.get("context", ())]
    return parts


def a_bundle(status: Json, *resources: Json) -> bytes:
    entries = [{"fullUrl": "urn:uuid:0", "resource": status}, *({"resource": one} for one in resources)]
    return json.dumps({"resourceType": "Bundle", "type": "history", "entry": entries}).encode()


def r4b(kind: str, **event: Any) -> Json:
    return {
        "resourceType": "SubscriptionStatus",
        "type": kind,
        "eventsSinceSubscriptionStart": "2",
        "notificationEvent": [{"eventNumber": "2", **event}],
    }


def about(reference: str) -> bytes:
    return json.dumps(RESULT | {"subject": {"reference": reference}}).encode()


def of(patients: str = "", resources: str = "") -> tuple[set[str], set[str]]:
    return set(patients.split()), set(resources.split())


EVENT = {"number": 4, "focus": f"{BASE}/Observation/o1"}
ROWS: list[tuple[str, bytes, str | None, tuple[set[str], set[str]], bool]] = [
    # what comes, the body, the address below ours, whom to read again, whether it says too little
    ("an empty ping", b"", None, of(), True),
    ("an empty ping to a resource's address", b"", "Observation/o1", of("", "Observation/o1"), False),
    ("a resource", json.dumps(RESULT).encode(), None, of("p1"), False),
    ("a resource at its address", json.dumps(RESULT).encode(), "Observation/o1", of("p1"), False),
    ("a resource of nobody", b'{"resourceType": "Observation", "id": "o1"}', None, of("", "Observation/o1"), False),
    ("a patient", b'{"resourceType": "Patient", "id": "p1"}', None, of("p1"), False),
    ("a resource without id", b'{"resourceType": "Observation"}', None, of(), True),
    ("a whole reference", about(f"{BASE}/Patient/p2/_history/3"), None, of("p2"), False),
    ("an id that is none", b'{"resourceType": "Observation", "id": "../../x"}', None, of(), True),
    ("a Group", about("Group/g1"), None, of("", "Observation/o1"), False),
    ("handshake", a_bundle(parameters("handshake")), None, of(), False),
    ("heartbeat", a_bundle(parameters("heartbeat", total=4)), None, of(), False),
    ("event, empty", a_bundle(parameters("event-notification", {"number": 4}, total=4)), None, of(), True),
    ("event, id-only", a_bundle(parameters("event-notification", EVENT, total=4)), None,
     of("", "Observation/o1"), False),
    ("event, id-only with its patient",
     a_bundle(parameters("event-notification", EVENT | {"context": ["Patient/p1"]}, total=4)), None, of("p1"), False),
    ("event, whole", a_bundle(parameters("event-notification", EVENT, total=4), RESULT), None, of("p1"), False),
    ("two events, one whole",
     a_bundle(parameters("event-notification", EVENT, {"number": 5, "focus": "Observation/o2"}, total=5), RESULT),
     None, of("p1", "Observation/o2"), False),
    ("R4B, id-only", a_bundle(r4b("event-notification", focus={"reference": "Observation/o1"})), None,
     of("", "Observation/o1"), False),
    ("R4B, with context", a_bundle(r4b("event-notification", additionalContext=[{"reference": "Patient/p1"}])), None,
     of("p1"), False),
    ("a type nobody knows", a_bundle(parameters("something-new")), None, of(), True),
    ("a Bundle without a status", a_bundle(RESULT), None, of("p1"), False),
    ("an empty Bundle", b'{"resourceType": "Bundle", "type": "history"}', None, of(), True),
]  # fmt: skip


@pytest.mark.parametrize(("what", "body", "addressed", "expected", "vague"), ROWS, ids=[row[0] for row in ROWS])
def test_only_whom_to_read_again_is_taken(
    what: str, body: bytes, addressed: str | None, expected: tuple[set[str], set[str]], vague: bool
) -> None:
    found = read_notification(body, addressed=addressed)
    assert (set(found.patients), set(found.resources)) == expected
    assert found.vague is vague


def test_the_servers_count_of_events_is_read_in_either_form() -> None:
    found = read_notification(a_bundle(parameters("event-notification", EVENT, total=4)))
    assert (found.kind, found.number, found.numbers) == ("event-notification", 4, (4,))
    found = read_notification(a_bundle(r4b("event-notification")))
    assert (found.kind, found.number, found.numbers) == ("event-notification", 2, (2,))
    assert read_notification(a_bundle(parameters("heartbeat", total=7))).number == 7


@pytest.mark.parametrize(
    "body",
    [b"{", b"[]", b"null", b'"x"', b"{}", b"<Bundle/>", b"\xff\xfe", b"[" * 100_000, b'{"resourceType": 7}'],
    ids=["cut short", "a list", "null", "a text", "no type", "XML", "no UTF-8", "nested deeply", "a number for a type"],
)
def test_what_is_no_notification_is_refused_without_being_quoted(body: bytes) -> None:
    with pytest.raises(InputError) as refused:
        read_notification(body)
    assert len(str(refused.value)) < 100


@pytest.mark.parametrize("number", ["-1", "1e9", "x", "9" * 40, "", None, True, 1.5, {}])
def test_a_count_that_is_none_is_left_out(number: Any) -> None:
    status = parameters("event-notification")
    status["parameter"][3] = {"name": "events-since-subscription-start", "valueString": number}
    try:
        found = read_notification(a_bundle(status))
    except InputError:
        return
    assert found.number is None
    assert isinstance(found, Notification)
