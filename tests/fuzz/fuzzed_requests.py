"""What strangers and servers send to us: notifications, and the calls and feedback of CDS Hooks.

An input is the JSON of one request: its headers and its body. What is no such JSON is sent as the body itself.
"""

import json
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx
from asgi import Reply, ask
from fastapi import FastAPI
from fuzzed_charts import NOW, resources_of
from pydantic import SecretStr
from target import Target, held

from andante import app, settings
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.retry import RetryPolicy
from andante.triggers.cds_hooks.catalogue import templates
from andante.triggers.web import create_app
from cds_client import a_call, a_draft, drafts

Json = Any
SECRET = "a-secret-of-the-site-0001"
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_KEY = re.compile(r"[A-Z][A-Za-z]{1,63}/[A-Za-z0-9\-.]{1,64}")
BASE = "http://ward.example/fhir"
_EVERYTHING_ANSWERED = frozenset({200, 202, 400, 401, 404, 405, 412, 413, 415, 503})


def _built(**given: Any) -> FastAPI:
    service = app.build(settings.defaults(zone="Europe/Vienna", fhir_base=BASE, **given))
    # A server that is away: whatever is asked of it, none of it comes from here.
    away = Connection(
        ServerSettings(base=BASE, retry=RetryPolicy(attempts=1)),
        transport=httpx.MockTransport(lambda request: httpx.Response(500)),
    )
    return create_app(service, now=lambda: NOW, connection=away, schedule=False)


NOTIFIED = _built(notify_url="http://127.0.0.1/notify", notify_secret=SecretStr(SECRET))
CALLED = _built(cds_development=True)


def request_of(data: bytes) -> dict[str, Any]:
    """The members of the request an input describes."""
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        return {"body": data}
    return found if isinstance(found, dict) and "body" in found else {"body": data}


def body_of(request: dict[str, Any]) -> bytes:
    body = request["body"]
    if isinstance(body, bytes):
        return body
    return body.encode("utf-8", "replace") if isinstance(body, str) else json.dumps(body).encode()


def headers_of(request: dict[str, Any], usual: dict[str, str]) -> list[tuple[bytes, bytes]]:
    """As a server hands them on: no line ends in them, and names in small letters."""
    given = request.get("headers")
    told = usual | {str(k): str(v) for k, v in given.items()} if isinstance(given, dict) else usual
    return [
        (_field(name.lower()), _field(value))
        for name, value in told.items()
        if name.lower() not in ("host", "content-length")
    ]


def _field(text: str) -> bytes:
    return re.sub(rb"[\r\n\x00]", b"", text.encode("utf-8", "replace"))


def word(request: dict[str, Any], name: str, usual: str) -> str:
    """A part of an address: whatever stands there as text, without a slash of its own."""
    given = request.get(name, usual)
    return given.encode("utf-8", "replace").decode().replace("/", "%2F") if isinstance(given, str) else usual


def answered(reply: Reply) -> None:
    held(reply.status in _EVERYTHING_ANSWERED, f"answered {reply.status}")
    held(reply.headers.get("x-content-type-options") == "nosniff", "an answer that may be taken for another type")


# --------------------------------------------------------------------------- notifications


def notify(data: bytes) -> None:
    """Only whom to read again is taken, as ids that are ids; and nothing at all without the secret."""
    request = request_of(data)
    headers = headers_of(request, {"authorization": f"Bearer {SECRET}", "content-type": "application/fhir+json"})
    path = f"/notify/{word(request, 'hook', 'laboratory')}"
    if request.get("kind"):
        path += f"/{word(request, 'kind', 'Observation')}/{word(request, 'ident', 'o1')}"
    hints = NOTIFIED.state.hooks.hints
    hints.take()
    reply = ask(NOTIFIED, "POST", path, headers, body_of(request))
    answered(reply)
    batch = hints.take()
    held(all(map(_ID.fullmatch, batch.patients)), "a patient whose id is none")
    held(all(map(_KEY.fullmatch, batch.resources)), "a resource whose name is none")
    # The last of two headers is the one that counts to nobody: one alone must carry the secret.
    knows = any(name == b"authorization" and value == f"Bearer {SECRET}".encode() for name, value in headers)
    held(knows or (reply.status in (401, 404, 405) and not batch), "something was taken from somebody unknown")
    held(reply.status in (200, 202, 400, 413, 415) or not batch, f"a hint was taken with a {reply.status}")


def notifications() -> list[bytes]:
    result = {"resourceType": "Observation", "id": "o1", "status": "final", "subject": {"reference": "Patient/p1"}}
    status: Json = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "subscription", "valueReference": {"reference": f"{BASE}/Subscription/1"}},
            {"name": "status", "valueCode": "active"},
            {"name": "type", "valueCode": "event-notification"},
            {"name": "events-since-subscription-start", "valueString": "4"},
            {
                "name": "notification-event",
                "part": [
                    {"name": "event-number", "valueString": "4"},
                    {"name": "focus", "valueReference": {"reference": f"{BASE}/Observation/o1"}},
                    {"name": "additional-context", "valueReference": {"reference": "Patient/p1"}},
                ],
            },
        ],
    }
    r4b = {
        "resourceType": "SubscriptionStatus",
        "type": "heartbeat",
        "eventsSinceSubscriptionStart": "2",
        "notificationEvent": [{"eventNumber": 2, "focus": {"reference": "Observation/o1"}}],
    }
    entries: Json = [{"fullUrl": "urn:uuid:0", "resource": status}, {"resource": result}]
    bodies: list[Json] = [
        result,
        "",
        {"resourceType": "Bundle", "type": "history", "entry": entries},
        {"resourceType": "Bundle", "type": "history", "entry": [{"resource": r4b}]},
        {
            "resourceType": "Bundle",
            "type": "subscription-notification",
            "entry": [{"resource": status}, {"request": {"method": "PUT", "url": "Observation/o1"}}],
        },
    ]
    requests: list[Json] = [{"hook": "laboratory", "headers": {}, "body": body} for body in bodies]
    requests.append({"hook": "feeding-orders", "kind": "NutritionOrder", "ident": "n1", "headers": {}, "body": ""})
    requests.append({"hook": "laboratory", "headers": {"authorization": "Bearer x"}, "body": result})
    requests.append({"hook": "laboratory", "headers": {"content-encoding": "gzip"}, "body": result})
    return [json.dumps(request).encode() for request in requests]


# --------------------------------------------------------------------------- CDS Hooks


def call(data: bytes) -> None:
    """Cards, or a refusal with a reason; never an order, never a suggestion to be carried out."""
    request = request_of(data)
    headers = headers_of(request, {"content-type": "application/json"})
    path = f"/cds-services/{word(request, 'service', 'andante-patient-view')}"
    reply = ask(CALLED, "POST", path, headers, body_of(request))
    answered(reply)
    if reply.status != 200 or path.endswith("/feedback"):
        return
    said = json.loads(reply.body)
    held(set(said) == {"cards"}, "more than cards")
    for card in said["cards"]:
        held("suggestions" not in card, "a suggestion to be carried out")
        held(len(card["summary"]) < 140, "a summary longer than CDS Hooks allows")


def feedback(data: bytes) -> None:
    request = request_of(data)
    headers = headers_of(request, {"content-type": "application/json"})
    answered(ask(CALLED, "POST", "/cds-services/andante-order-sign/feedback", headers, body_of(request)))


def calls() -> list[bytes]:
    return [json.dumps(one).encode() for one in _calls()]


def _calls() -> Iterator[Json]:
    for story, patient in (("plain-course", "quillfeather"), ("severe-fall", "fennimore-pugh")):
        yield _one("andante-patient-view", a_call(patient=patient, prefetch=_sent_along(story)))
    for hook in ("order-sign", "order-select"):
        ordered = a_call(hook, draftOrders=drafts(a_draft(60), a_draft(20)), prefetch=_sent_along("plain-course"))
        yield _one(f"andante-{hook}", ordered)
    yield _one("andante-order-sign", a_call("order-sign", draftOrders=drafts(a_draft(5))))
    yield _one("andante-patient-view", a_call(fhirServer="http://169.254.169.254/latest"))


def _one(service: str, body: Json) -> Json:
    return {"service": service, "headers": {}, "body": body}


def _sent_along(story: str) -> Json:
    """A story's resources as a client would send them, one search for each template."""
    resources = resources_of(story)
    found: dict[str, Json] = {}
    for key, template in templates(_PLAN, NOW).items():
        kind = re.split(r"[/?]", template)[0]
        of_kind = [one for one in resources if one["resourceType"] == kind]
        if kind == "Patient":
            found[key] = of_kind[0]
            continue
        again = key[-1].isdigit()  # a second search of a type: what it found the first has brought
        entries = [] if again else [{"resource": one, "search": {"mode": "match"}} for one in of_kind]
        found[key] = {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries}
    return found


_PLAN = app.build(settings.defaults(zone="Europe/Vienna")).plan


def feedbacks() -> list[bytes]:
    at = (NOW + timedelta(minutes=1)).isoformat()
    entry: Json = {"card": "0f8fad5b-d9cb-469f-a165-70867728950e", "outcome": "accepted", "outcomeTimestamp": at}
    reason = {"reason": {"code": "x", "system": "y"}, "userComment": "words"}
    bodies = [
        {"feedback": [entry]},
        {"feedback": [entry | {"outcome": "overridden", "overrideReason": reason}, entry]},
    ]
    return [json.dumps({"headers": {}, "body": body}).encode() for body in bodies]


TARGETS = (
    Target(
        name="notifications",
        what="`/notify`: address, headers and body of notifications, with and without the secret",
        seeds=notifications,
        run=notify,
    ),
    Target(
        name="cds-hooks",
        what="`/cds-services`: calls with drafts and with a whole chart sent along",
        seeds=calls,
        run=call,
    ),
    Target(name="cds-feedback", what="`/cds-services/…/feedback`", seeds=feedbacks, run=feedback),
)
