"""The Subscriptions that ask a server to tell our own endpoint when charts change. Nothing else is ever subscribed to.

R4: https://hl7.org/fhir/R4/subscription.html. With a topic, the backport of R5's topic-based subscriptions to R4:
https://hl7.org/fhir/uv/subscriptions-backport (STU 1.1).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from uuid import NAMESPACE_URL, uuid5

from andante.writeback.seal import Json

CRITERIA: Mapping[str, str] = MappingProxyType(
    {
        "administrations": "MedicationAdministration?",
        "encounters": "Encounter?",
        "feeding-orders": "NutritionOrder?",
        "laboratory": "Observation?category=laboratory",
        "prescriptions": "MedicationRequest?",
    }
)
"""What is asked for without a topic, by the last part of our endpoint's address. What they leave out, rounds find."""
TOPIC_HOOK = "topic"

BACKPORT = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition"
PROFILE = f"{BACKPORT}/backport-subscription"
HEARTBEAT = f"{BACKPORT}/backport-heartbeat-period"
TIMEOUT = f"{BACKPORT}/backport-timeout"
PAYLOAD_CONTENT = f"{BACKPORT}/backport-payload-content"
FHIR_JSON = "application/fhir+json"
CONTENTS = frozenset({"empty", "id-only", "full-resource"})

LASTS = timedelta(days=14)
"""After this the server may end a Subscription that nobody renewed: one of a service that is no more ends by itself."""
_TIMEOUT_S = 10
_REASON = "Tells the service which charts to read again. Nothing that is told is relied upon, nothing is ordered."


@dataclass(frozen=True, kw_only=True)
class HookSite:
    """Our endpoint as the administrator named it, and how it wants to be told.

    `topic` is the canonical of a SubscriptionTopic; without one the plain R4 criteria are used, and `id-only` then
    means no payload. `heartbeat_s` is asked for with a topic only.
    """

    address: str
    secret: str = field(repr=False)
    topic: str | None = None
    content: str = "id-only"
    heartbeat_s: int = 300

    @property
    def names(self) -> tuple[str, ...]:
        return (TOPIC_HOOK,) if self.topic is not None else tuple(CRITERIA)

    def endpoint(self, name: str) -> str:
        return f"{self.address}/{name}"

    def criteria(self, name: str) -> str:
        return self.topic if self.topic is not None else CRITERIA[name]

    @property
    def header(self) -> str:
        return f"Authorization: Bearer {self.secret}"


def subscription(site: HookSite, name: str, *, now: datetime, status: str = "requested") -> Json:
    """One of our Subscriptions, whole; `name` is one of the site's."""
    channel: Json = {"type": "rest-hook", "endpoint": site.endpoint(name), "header": [site.header]}
    body: Json = {
        "resourceType": "Subscription",
        "status": status,
        "end": (now.astimezone(UTC) + LASTS).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "reason": _REASON,
        "criteria": site.criteria(name),
        "channel": channel,
    }
    if site.topic is not None:
        body["meta"] = {"profile": [PROFILE]}
        channel["extension"] = [
            {"url": HEARTBEAT, "valueUnsignedInt": site.heartbeat_s},
            {"url": TIMEOUT, "valueUnsignedInt": _TIMEOUT_S},
        ]
        channel["payload"] = FHIR_JSON
        channel["_payload"] = {"extension": [{"url": PAYLOAD_CONTENT, "valueCode": site.content}]}
    elif site.content == "full-resource":
        channel["payload"] = FHIR_JSON
    return body


def create_entry(body: Json) -> Json:
    """Conditional on its endpoint: of two services that start at once, one creates it."""
    endpoint = body["channel"]["endpoint"]
    request = {"method": "POST", "url": "Subscription", "ifNoneExist": f"url={endpoint}"}
    return {"fullUrl": _address(endpoint), "resource": body, "request": request}


def update_entry(body: Json, *, ident: str, etag: str) -> Json:
    reference = f"Subscription/{ident}"
    request = {"method": "PUT", "url": reference, "ifMatch": etag}
    return {"fullUrl": _address(reference), "resource": {**body, "id": ident}, "request": request}


def bundle_of(entries: Sequence[Json]) -> Json:
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}


def _address(text: str) -> str:
    return f"urn:uuid:{uuid5(NAMESPACE_URL, text)}"
