"""Which FHIR release a resource is written in, as far as its elements give it away.

R5, STU3 and DSTU2 resources often decode as R4 with a part of their meaning gone (an R5 NutritionOrder has no
`patient`, an STU3 Observation hides its encounter in `context`). Such a resource is set aside by name; a
file made of them is refused. Sources: the "R4 Diff" and "R5 Diff" tables of the resource pages on
hl7.org/fhir.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import msgspec

from andante.fhir_http.envelope import DECODE_ERRORS

R5, STU3, DSTU2 = "R5", "STU3", "DSTU2"

_FOREIGN_TYPES: Mapping[str, str] = {
    **dict.fromkeys(("NutritionIntake", "EncounterHistory", "DeviceUsage", "DeviceDispense", "Transport"), R5),
    **dict.fromkeys(("ProcedureRequest", "ReferralRequest", "DiagnosticRequest", "DeviceUseRequest"), STU3),
    **dict.fromkeys(("MedicationOrder", "DiagnosticOrder", "NutritionPlan"), DSTU2),
}

# Elements that exist only in another release of the type.
_FOREIGN_ELEMENTS: Mapping[str, Mapping[str, str]] = {
    "Encounter": {
        **dict.fromkeys(("actualPeriod", "subjectStatus", "admission", "virtualService", "careTeam"), R5),
        "incomingReferral": STU3,
    },
    "Observation": {
        **dict.fromkeys(("triggeredBy", "bodyStructure", "instantiatesCanonical"), R5),
        **dict.fromkeys(("related", "context", "comment"), STU3),
        "comments": DSTU2,
    },
    "NutritionOrder": dict.fromkeys(("subject", "performer", "basedOn", "groupIdentifier"), R5),
    "ServiceRequest": dict.fromkeys(("reason", "focus"), R5),
    "Specimen": dict.fromkeys(("combined", "role", "feature"), R5),
    "Medication": {
        **dict.fromkeys(("definition", "totalVolume", "marketingAuthorizationHolder"), R5),
        **dict.fromkeys(("isBrand", "isOverTheCounter", "package"), STU3),
    },
    "MedicationRequest": {
        **dict.fromkeys(("medication", "renderedDosageInstruction", "effectiveDosePeriod", "statusChanged"), R5),
        **dict.fromkeys(("context", "definition"), STU3),
    },
    "MedicationAdministration": {
        **dict.fromkeys(("medication", "occurenceDateTime", "occurencePeriod", "isRecorded", "encounter"), R5),
        **dict.fromkeys(("notGiven", "prescription", "reasonNotGiven"), STU3),
    },
    "Condition": {"participant": R5, "assertedDate": STU3, "context": STU3},
    "RiskAssessment": {"reason": R5, "context": STU3, "comment": STU3},
    "Goal": {"acceptance": R5, "continuous": R5, "status": STU3},
    "Task": {**dict.fromkeys(("requestedPerformer", "requestedPeriod", "doNotPerform"), R5), "context": STU3},
    "CommunicationRequest": {
        **dict.fromkeys(("intent", "informationProvider", "reason"), R5),
        **dict.fromkeys(("context", "topic"), STU3),
    },
}

# Elements whose JSON kind gives the release away: R4 has an object or array there, another release
# something else.
_FOREIGN_KINDS: Mapping[tuple[str, str], Mapping[bytes, str]] = {
    ("Encounter", "class"): {b"[": R5, b'"': DSTU2},
    ("Condition", "clinicalStatus"): {b'"': STU3},
    ("Flag", "category"): {b"{": STU3},
}

# What shows a resource to be R4 against one other release.
_PROOF_AGAINST: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "Encounter": {"class": (R5, DSTU2)},
    "Observation": {"encounter": (STU3,), "hasMember": (STU3,)},
    "NutritionOrder": {"patient": (R5,), "intent": (STU3, DSTU2)},
    "ServiceRequest": {"intent": (STU3, DSTU2)},
    "MedicationRequest": {
        "encounter": (STU3,),
        "medicationCodeableConcept": (R5,),
        "medicationReference": (R5,),
    },
    "MedicationAdministration": {"effectiveDateTime": (R5,), "effectivePeriod": (R5,)},
    "Condition": {"encounter": (STU3,), "recordedDate": (STU3,)},
    "Goal": {"lifecycleStatus": (STU3, DSTU2)},
    "Task": {"encounter": (STU3,)},
    "CommunicationRequest": {"encounter": (STU3,)},
}

_ELEMENTS = msgspec.json.Decoder(dict[str, msgspec.Raw])


def foreign_release(resource_type: str, raw: msgspec.Raw | bytes) -> str | None:
    """The other release a resource is evidently written in; None if it may be R4 or cannot be taken apart."""
    return _release_of(resource_type, _elements_of(resource_type, raw))


def _elements_of(resource_type: str, raw: msgspec.Raw | bytes) -> Mapping[str, msgspec.Raw]:
    """The elements, where they can tell the release; none where they cannot, or cannot be taken apart."""
    if resource_type not in _FOREIGN_ELEMENTS and resource_type != "Flag":
        return {}
    try:
        return _ELEMENTS.decode(raw)
    except DECODE_ERRORS:
        return {}


def _release_of(resource_type: str, elements: Mapping[str, msgspec.Raw]) -> str | None:
    if resource_type in _FOREIGN_TYPES:
        return _FOREIGN_TYPES[resource_type]
    for name, release in _FOREIGN_ELEMENTS.get(resource_type, {}).items():
        if name in elements:
            return release
    for (kind, name), releases in _FOREIGN_KINDS.items():
        if kind == resource_type and name in elements:
            first_sign = bytes(memoryview(elements[name])[:1])
            if first_sign in releases:
                return releases[first_sign]
    return None


@dataclass
class ReleaseCensus:
    """Counts what a file's resources give away, to tell an odd resource from a file of another release."""

    _seen: Counter[str] = field(default_factory=Counter)
    _foreign: Counter[tuple[str, str]] = field(default_factory=Counter)
    _proofs: Counter[str] = field(default_factory=Counter)

    def note(self, resource_type: str, raw: msgspec.Raw | bytes) -> str | None:
        """Count one resource; returns its foreign release, if evident."""
        self._seen[resource_type] += 1
        elements = _elements_of(resource_type, raw)
        release = _release_of(resource_type, elements)
        if release is not None:
            self._foreign[resource_type, release] += 1
            return release
        for name, against in _PROOF_AGAINST.get(resource_type, {}).items():
            if name in elements:
                self._proofs.update(against)
        return None

    def verdict(self) -> str | None:
        """The release of the whole file if it is not R4.

        A release is believed when nothing in the file speaks against it and most resources of the types that
        show it do; fewer are odd resources, each set aside by name.
        """
        for release in (R5, STU3, DSTU2):
            shown = {kind: count for (kind, where), count in self._foreign.items() if where == release}
            could_show: Iterable[int] = (self._seen[kind] for kind in shown)
            if shown and not self._proofs[release] and 2 * sum(shown.values()) > sum(could_show):
                return release
        return None
