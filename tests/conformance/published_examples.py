"""An example of each thing we write: out of the rounds of one fictional patient, a night for which nobody ordered a
draw; and of our Subscriptions.
"""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from inbox_rounds import FIXTURES, following_bundles, nobody

from andante.shared_files import shared
from andante.writeback.hooks import HookSite, subscription
from andante.writeback.site import Site

Json = dict[str, Any]

STORY = FIXTURES / "patients" / "unordered-phosphate-night"
HOOK = HookSite(address="https://andante.example/notify", secret="a-secret-of-the-site-0001")
HOOK_BY_TOPIC = HookSite(
    address=HOOK.address, secret=HOOK.secret, topic="https://server.example/SubscriptionTopic/charts"
)
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
    yield "Subscription-laboratory", subscription(HOOK, "laboratory", now=_NOW)
    yield "Subscription-by-topic", subscription(HOOK_BY_TOPIC, "topic", now=_NOW)


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
