"""The resource types the sandbox keeps, and their search parameters: R4's own names, as a table.

Each parameter is one declaration: how it compares, and where its values lie. A type that is not listed
here does not exist in the sandbox. https://hl7.org/fhir/R4/searchparameter-registry.html
"""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["token", "reference", "date", "uri"]


@dataclass(frozen=True)
class Parameter:
    """`paths` are dotted element names; lists are walked. `target` narrows a reference to one type."""

    kind: Kind
    paths: tuple[str, ...]
    target: str | None = None


def _token(*paths: str) -> Parameter:
    return Parameter("token", paths)


def _reference(*paths: str) -> Parameter:
    return Parameter("reference", paths)


def _patient(*paths: str) -> Parameter:
    return Parameter("reference", paths, target="Patient")


def _encounter(*paths: str) -> Parameter:
    return Parameter("reference", paths, target="Encounter")


def _date(*paths: str) -> Parameter:
    return Parameter("date", paths)


COMMON = {
    "_id": _token("id"),
    "_lastUpdated": _date("meta.lastUpdated"),
    "_profile": Parameter("uri", ("meta.profile",)),
    "_tag": _token("meta.tag"),
}

_IDENTIFIER = {"identifier": _token("identifier")}
_STATUS = {"status": _token("status")}
_SUBJECT = {"patient": _patient("subject"), "subject": _reference("subject")}
_IN_ENCOUNTER = {"encounter": _encounter("encounter")}
_CODED = {"code": _token("code"), "category": _token("category")}

TYPES: dict[str, dict[str, Parameter]] = {
    "AuditEvent": {
        "date": _date("recorded"),
        "entity": _reference("entity.what"),
        "patient": _patient("agent.who", "entity.what"),
    },
    "CommunicationRequest": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        "authored": _date("authoredOn"),
        "based-on": _reference("basedOn"),
        "category": _token("category"),
        "priority": _token("priority"),
        "recipient": _reference("recipient"),
        "replaces": _reference("replaces"),
        "requester": _reference("requester"),
        "sender": _reference("sender"),
    },
    "Condition": {
        **_IDENTIFIER,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        **_CODED,
        "clinical-status": _token("clinicalStatus"),
        "onset-date": _date("onsetDateTime", "onsetPeriod"),
        "recorded-date": _date("recordedDate"),
        "verification-status": _token("verificationStatus"),
    },
    "Device": {**_IDENTIFIER, **_STATUS, "patient": _patient("patient"), "type": _token("type")},
    "DiagnosticReport": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        **_CODED,
        "date": _date("effectiveDateTime", "effectivePeriod"),
        "issued": _date("issued"),
        "result": _reference("result"),
    },
    "Encounter": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        "class": _token("class"),
        "date": _date("period"),
        "location": _reference("location.location"),
        "service-provider": _reference("serviceProvider"),
        "type": _token("type"),
    },
    "Flag": {**_IDENTIFIER, **_SUBJECT, **_IN_ENCOUNTER, "date": _date("period")},
    "Goal": {
        **_IDENTIFIER,
        **_SUBJECT,
        "category": _token("category"),
        "lifecycle-status": _token("lifecycleStatus"),
        "start-date": _date("startDate"),
    },
    "Location": {**_IDENTIFIER, **_STATUS, "partof": _reference("partOf"), "type": _token("type")},
    "Medication": {**_IDENTIFIER, **_STATUS, "code": _token("code")},
    "MedicationAdministration": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        "code": _token("medicationCodeableConcept"),
        "context": _reference("context"),
        "effective-time": _date("effectiveDateTime", "effectivePeriod"),
        "medication": _reference("medicationReference"),
        "request": _reference("request"),
    },
    "MedicationRequest": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        "authoredon": _date("authoredOn"),
        "category": _token("category"),
        "code": _token("medicationCodeableConcept"),
        "intent": _token("intent"),
        "medication": _reference("medicationReference"),
    },
    "NutritionOrder": {
        **_IDENTIFIER,
        **_STATUS,
        **_IN_ENCOUNTER,
        "patient": _patient("patient"),
        "datetime": _date("dateTime"),
        "formula": _token("enteralFormula.baseFormulaType"),
        "oraldiet": _token("oralDiet.type"),
        "provider": _reference("orderer"),
        "supplement": _token("supplement.type"),
    },
    "Observation": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        **_CODED,
        "based-on": _reference("basedOn"),
        "date": _date("effectiveDateTime", "effectivePeriod", "effectiveTiming", "effectiveInstant"),
        "specimen": _reference("specimen"),
    },
    "Organization": {**_IDENTIFIER, "active": _token("active")},
    "Patient": {
        **_IDENTIFIER,
        "active": _token("active"),
        "birthdate": _date("birthDate"),
        "gender": _token("gender"),
    },
    "Practitioner": {**_IDENTIFIER, "active": _token("active")},
    "PractitionerRole": {
        **_IDENTIFIER,
        "location": _reference("location"),
        "practitioner": _reference("practitioner"),
        "role": _token("code"),
    },
    "Procedure": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        **_CODED,
        "date": _date("performedDateTime", "performedPeriod"),
    },
    "Provenance": {
        "agent": _reference("agent.who"),
        "entity": _reference("entity.what"),
        "patient": _patient("target"),
        "recorded": _date("recorded"),
        "target": _reference("target"),
    },
    "RiskAssessment": {
        **_IDENTIFIER,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        "date": _date("occurrenceDateTime", "occurrencePeriod"),
        "risk": _token("prediction.qualitativeRisk"),
    },
    "ServiceRequest": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        **_IN_ENCOUNTER,
        **_CODED,
        "authored": _date("authoredOn"),
        "intent": _token("intent"),
        "occurrence": _date("occurrenceDateTime", "occurrencePeriod", "occurrenceTiming"),
        "specimen": _reference("specimen"),
    },
    "Specimen": {
        **_IDENTIFIER,
        **_STATUS,
        **_SUBJECT,
        "accession": _token("accessionIdentifier"),
        "collected": _date("collection.collectedDateTime", "collection.collectedPeriod"),
        "type": _token("type"),
    },
    "Subscription": {
        **_STATUS,
        "type": _token("channel.type"),
        "url": Parameter("uri", ("channel.endpoint",)),
    },
    "Task": {
        **_IDENTIFIER,
        **_STATUS,
        **_IN_ENCOUNTER,
        "patient": _patient("for"),
        "subject": _reference("for"),
        "authored-on": _date("authoredOn"),
        "based-on": _reference("basedOn"),
        "business-status": _token("businessStatus"),
        "code": _token("code"),
        "focus": _reference("focus"),
        "intent": _token("intent"),
        "modified": _date("lastModified"),
        "owner": _reference("owner"),
        "period": _date("executionPeriod"),
        "priority": _token("priority"),
        "requester": _reference("requester"),
    },
}
