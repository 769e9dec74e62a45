"""An example of each thing we write: out of the rounds of one fictional patient, a night for which nobody ordered a
draw; of a person's answer to the suggestion; and of our Subscriptions.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from inbox_rounds import FIXTURES, following_bundles, nobody

from andante.shared_files import shared
from andante.writeback.answer import Answer, Decider, Given, answered
from andante.writeback.codes import AnswerCode
from andante.writeback.hooks import HookSite, subscription
from andante.writeback.site import Site
from andante.writeback.standing import read_inbox
from inbox_server import InboxServer

Json = dict[str, Any]

STORY = FIXTURES / "patients" / "unordered-phosphate-night"
HOOK = HookSite(address="https://andante.example/notify", secret="a-secret-of-the-site-0001")
HOOK_BY_TOPIC = HookSite(
    address=HOOK.address, secret=HOOK.secret, topic="https://server.example/SubscriptionTopic/charts"
)
ANSWERED = ("Bundle-answer", "Task-answered", "Provenance-answer")
"""What is written when a person answers."""
_ADA = Decider(name="Ada Quill", reference="Practitioner/ada-quill")
_NOW = datetime.fromisoformat("2031-03-24T06:30:00+00:00")
_IDS = {"Task": "advice", "CommunicationRequest": "notice", "Provenance": "provenance"}
_WHOLE = [("POST", "CommunicationRequest"), ("POST", "Provenance"), ("POST", "Task"), ("PUT", "Task")]


def examples() -> Iterator[tuple[str, Json]]:
    """Name and body: a transaction as it is sent, and each of its resources as a server holds it afterwards."""
    sent = following_bundles(STORY, Site(), nobody)
    transaction = next(bundle for bundle in sent if _told(bundle) == _WHOLE)
    yield "Bundle-transaction", transaction
    homes = {entry["fullUrl"]: _home(entry) for entry in transaction["entry"]}
    for entry in transaction["entry"]:
        kind, identity = _home(entry).split("/")
        name = "taken-back" if entry["request"]["method"] == "PUT" else identity
        yield f"{kind}-{name}", _held(entry["resource"], identity, homes)
    yield from _answer(transaction, homes)
    yield "Subscription-laboratory", subscription(HOOK, "laboratory", now=_NOW)
    yield "Subscription-by-topic", subscription(HOOK_BY_TOPIC, "topic", now=_NOW)


def _answer(transaction: Json, homes: dict[str, str]) -> Iterator[tuple[str, Json]]:
    """A dietitian declines the suggestion, twenty minutes after it came."""
    asked = next(e["resource"] for e in transaction["entry"] if _home(e) == "Task/advice")
    held = {**_held(asked, "advice", homes), "meta": {"versionId": "1"}}
    at = datetime.fromisoformat(held["authoredOn"]) + timedelta(minutes=20)
    given = Given(
        answer=Answer.DECLINE, by=_ADA, at=at, reason=AnswerCode.NEWER_FACTS, words="Phosphate was drawn at bedside"
    )
    server = InboxServer(resources={"Task/advice": held})
    (seen,) = read_inbox(server.inbox(held["for"]["reference"].removeprefix("Patient/")), Site())
    sent = answered(seen, given, Site())
    yield "Bundle-answer", sent
    task, provenance = (entry["resource"] for entry in sent["entry"])
    yield "Task-answered", task
    yield "Provenance-answer", {"resourceType": "Provenance", "id": "answer", **provenance}


def path_of(name: str) -> Path:
    return shared("fhir", "examples", f"{name}.json")


def _told(bundle: Json) -> list[tuple[str, str]]:
    return sorted((e["request"]["method"], e["resource"]["resourceType"]) for e in bundle["entry"])


def _home(entry: Json) -> str:
    """Where the resource is on the server, in the example's words."""
    kind = entry["resource"]["resourceType"]
    return entry["request"]["url"] if entry["request"]["method"] == "PUT" else f"{kind}/{_IDS[kind]}"


def _held(resource: Json, identity: str, homes: dict[str, str]) -> Json:
    """With an id, and with the server's addresses in place of the temporary ones."""
    body = {"resourceType": resource["resourceType"], "id": identity, **resource}
    if "target" in body:
        body["target"] = [{"reference": homes.get(t["reference"], t["reference"])} for t in body["target"]]
    return body
