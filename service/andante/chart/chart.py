"""One patient's chart as read: resources by type, what could not be read, and which reads failed."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from types import MappingProxyType

import msgspec

from andante.chart.datatypes import CodeableConcept, Reference
from andante.chart.models import (
    READABLE,
    CommunicationRequest,
    Condition,
    Encounter,
    Flag,
    Goal,
    Location,
    Medication,
    MedicationAdministration,
    MedicationRequest,
    NutritionOrder,
    Observation,
    Patient,
    Resource,
    RiskAssessment,
    ServiceRequest,
    Specimen,
    Task,
)
from andante.fhir_http.envelope import DECODE_ERRORS

UNKNOWN_TYPE = "unknown"
"""The type of what does not say its type: it may be anything."""


@dataclass(frozen=True, kw_only=True)
class Problem:
    """Something that could not be used. Kept by name so that nothing disappears; the text holds no patient
    data.

    Codes: `unreadable-resource`, `not-r4`, `no-subject`, `logical-subject`, `unresolved-subject`,
    `unordered-versions`, `shared-id`, `other-encounter`, `failed-read`, `not-offered`, `filters-ignored`.
    `reference` names the resource or the read; it is None only when nothing names it. `resource_type` is that of
    a resource that could not be read.
    """

    code: str
    text: str
    reference: str | None = None
    resource_type: str | None = None
    salvaged: "Salvaged | None" = None


@dataclass(frozen=True, kw_only=True)
class Salvaged:
    """What could still be told of an Observation that cannot be read: enough to let it hold, never to feed."""

    concept: CodeableConcept
    status: str | None = None
    effective: str | None = None
    issued: str | None = None


@dataclass(frozen=True, kw_only=True)
class Chart:
    """Everything read about one patient.

    An empty tuple means "none on the server" only while `incomplete` is empty: each entry of `incomplete`
    names a read that failed, by resource type, and a failed read is never taken for an empty chart.
    """

    patient_id: str
    patient: Patient | None = None
    encounters: tuple[Encounter, ...] = ()
    locations: tuple[Location, ...] = ()
    observations: tuple[Observation, ...] = ()
    nutrition_orders: tuple[NutritionOrder, ...] = ()
    service_requests: tuple[ServiceRequest, ...] = ()
    specimens: tuple[Specimen, ...] = ()
    medications: tuple[Medication, ...] = ()
    medication_requests: tuple[MedicationRequest, ...] = ()
    medication_administrations: tuple[MedicationAdministration, ...] = ()
    conditions: tuple[Condition, ...] = ()
    flags: tuple[Flag, ...] = ()
    risk_assessments: tuple[RiskAssessment, ...] = ()
    goals: tuple[Goal, ...] = ()
    tasks: tuple[Task, ...] = ()
    communication_requests: tuple[CommunicationRequest, ...] = ()
    problems: tuple[Problem, ...] = ()
    incomplete: tuple[str, ...] = ()
    unplaced: bool = False
    """Where the patient lies could not be read: it bears on who is told, and on nothing that is advised."""
    aliases: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    """Full URLs (also `urn:uuid:…`) of a Bundle's entries, to `Type/id`."""

    @property
    def reference(self) -> str:
        return f"Patient/{self.patient_id}"

    def resources(self) -> Iterator[Resource]:
        """Every resource of the chart, the patient first."""
        if self.patient is not None:
            yield self.patient
        for name in GROUPS.values():
            yield from getattr(self, name)

    def find(self, reference: Reference | None, *, within: Resource | None = None) -> Resource | None:
        """The resource a reference points to, if this chart holds it and can read it; else None.

        Understands `Type/id`, `Type/id/_history/v` (the version held), absolute URLs, the full URLs of a
        Bundle and `#id` contained in `within`.
        """
        text = reference.reference if reference is not None else None
        if not text:
            return None
        if text.startswith("#"):
            return find_contained(within, text[1:]) if within is not None else None
        key = self.aliases.get(text) or reference_key(text)
        return self._by_key.get(key) if key is not None else None

    @cached_property
    def _by_key(self) -> dict[str, Resource]:
        return {resource.key: resource for resource in self.resources()}


GROUPS: dict[type[Resource], str] = {
    Encounter: "encounters",
    Location: "locations",
    Observation: "observations",
    NutritionOrder: "nutrition_orders",
    ServiceRequest: "service_requests",
    Specimen: "specimens",
    Medication: "medications",
    MedicationRequest: "medication_requests",
    MedicationAdministration: "medication_administrations",
    Condition: "conditions",
    Flag: "flags",
    RiskAssessment: "risk_assessments",
    Goal: "goals",
    Task: "tasks",
    CommunicationRequest: "communication_requests",
}
"""Which field of a Chart holds which resource type (the Patient has a field of its own)."""


@dataclass(frozen=True, kw_only=True)
class InboxItem:
    """One of our own Tasks or CommunicationRequests as the server holds it, with its JSON to build upon."""

    resource: Task | CommunicationRequest
    body: bytes


@dataclass(frozen=True, kw_only=True)
class Inbox:
    """What the service has left for one patient before, open and past.

    While `incomplete` is not empty nothing may be concluded from an absence, and nothing may be written.
    """

    patient_id: str
    items: tuple[InboxItem, ...] = ()
    problems: tuple[Problem, ...] = ()
    incomplete: tuple[str, ...] = ()


_USUAL_REFERENCE = 250  # characters
_NO_ID = frozenset("?#|:,$\\ ")
"""In a conditional reference, a canonical URL or no id at all: it names no single resource."""


def reference_key(text: str) -> str | None:
    """`Type/id` out of a relative, versioned or absolute reference; None where it has no such form."""
    return _key_in(text) if len(text) <= _USUAL_REFERENCE else _key_in.__wrapped__(text)


@lru_cache(maxsize=8192)  # each patient's is asked for with every resource of theirs
def _key_in(text: str) -> str | None:
    parts = text.split("/_history/", 1)[0].rstrip("/").rsplit("/", 2)
    if len(parts) < 2:
        return None
    kind, identity = parts[-2], parts[-1]
    if not kind.isalpha() or not kind[:1].isupper() or not identity or not identity.isprintable():
        return None
    if not _NO_ID.isdisjoint(identity):
        return None
    return f"{kind}/{identity}"


def find_contained(resource: Resource, identity: str) -> Resource | None:
    """The resource contained in another under `#identity`, if it is of a type the service reads and is
    readable.
    """
    for raw in resource.contained:
        try:
            head = msgspec.json.decode(raw, type=_Head)
            if head.id == identity and head.resource_type in READABLE:
                return msgspec.json.decode(raw, type=READABLE[head.resource_type])
        except DECODE_ERRORS:
            continue
    return None


class _Head(msgspec.Struct, frozen=True, gc=False, rename="camel"):
    resource_type: str
    id: str | None = None
