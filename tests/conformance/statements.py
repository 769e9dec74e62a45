"""The two CapabilityStatements, worked out from the code that does what they say.

`client`: what the service asks of a FHIR server. `service`: what it offers itself, which is its definitions.
"""

from collections import defaultdict
from datetime import UTC, datetime
from typing import Any

from andante import __version__, app, settings
from andante.app import open_item_questions
from andante.chart.questions import NEEDED, census_question, chart_questions, inbox_questions
from andante.chart.read_list import SHARED, types_read
from andante.sandbox.parameters import COMMON
from andante.sandbox.parameters import TYPES as R4_PARAMETERS
from andante.triggers.definitions import SEARCH_PARAMETERS, TYPES
from andante.writeback.allowlist import load_allowlist
from andante.writeback.site import DEFAULT_BASE, Site

Json = dict[str, Any]

PROFILE_OF = {"Task": "advice-task", "CommunicationRequest": "notice-request", "Provenance": "source-provenance"}
"""The profile of each type that the service writes to a chart."""
ANSWER_PROFILE_OF = {"Task": "answered-task", "Provenance": "answer-provenance"}
"""The same, of what it writes when a person answers."""

SHAPING = frozenset({"_count", "_sort", "_total"})
"""Parameters that say how an answer is given, not what is asked; a statement lists none of them."""

_EXPECTATION = "http://hl7.org/fhir/StructureDefinition/capabilitystatement-expectation"
_WHEN = datetime(2031, 3, 24, tzinfo=UTC)  # any instant: only the names of parameters are used
CONDITION_ON = {"Task": "identifier", "CommunicationRequest": "identifier", "Subscription": "url"}
"""The types that are created on the condition that nothing stands there yet, and the parameter of the condition."""

_NEEDED_FOR = {
    "Patient": "Age, sex, death. Asked for by id.",
    "Encounter": "The census: who is in the hospital, in which ward and bed.",
    "Observation": "Laboratory results; weight, height and intake by code.",
    "NutritionOrder": "What is ordered: energy, rate, schedule.",
    "ServiceRequest": "Whether a draw is ordered. Without it a gap's stage cannot be told.",
    "Specimen": "When a result was really taken, and whether the sample was fit.",
    "MedicationRequest": "Replacement, vitamins, energy that is not food.",
    "MedicationAdministration": "What of it was given.",
    "Medication": "What a prescription that only refers to it is about. Asked for by ids.",
    "Location": "Names of wards and beds. Asked for by ids.",
    "Condition": "Comorbidities, pregnancy, loss of fat and muscle.",
    "Flag": "A clinician's own entry of the risk.",
    "RiskAssessment": "A clinician's own entry of the risk.",
    "Goal": "The energy goal.",
    "Task": "Advice is left here, and what became of earlier advice is read.",
    "CommunicationRequest": "Notices are left here, and what became of earlier ones is read.",
    "Provenance": "Where each write comes from; in the same transaction.",
    "Subscription": "Only where the administrator names our endpoint: the server tells that a chart changed.",
}


def parameters_asked() -> dict[str, set[str]]:
    """By resource type, every search parameter that a round may use, read off the questions themselves."""
    plan = app.build(settings.defaults(zone="UTC")).plan
    asked: defaultdict[str, set[str]] = defaultdict(set)
    for question in (*chart_questions(plan, _WHEN), *inbox_questions(plan)):
        asked[question.resource_type] |= {name for name, _ in question.params(("p1",), 1)}
    asked["Encounter"] |= {"patient", *(name for name, _ in census_question(plan).filters)}
    for kind, params in open_item_questions(Site()).items():
        asked[kind] |= {name for name, _ in params}
    for kind in SHARED:
        asked[kind] = {"_id"}
    for kind in types_read(plan):
        asked[kind].add("_lastUpdated")  # what changed since the last round
    for kind, condition in CONDITION_ON.items():
        asked[kind].add(condition)
    return {kind: names - SHAPING for kind, names in asked.items()}


def client() -> Json:
    asked = parameters_asked()
    written = load_allowlist(hooks=True)
    assert _NEEDED_FOR.keys() == asked.keys() | PROFILE_OF.keys(), "a type without its reason, or the reverse"
    return {
        **_head("client", "AndanteClient", "What Andante asks of a FHIR server"),
        "description": "What the service reads from a FHIR server and what it writes to it. Of what is marked SHALL, "
        "nothing can be missing; without the rest the service works and says what it could not see.",
        "kind": "requirements",
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "rest": [
            {
                "mode": "client",
                "documentation": "Searches send `Prefer: handling=strict`, `_count` and `_total=accurate`, follow the "
                "server's `next` links as they are, and check every result again. All of one patient's writes are one "
                "transaction: creates are conditional on our identifier, updates send back the server's ETag as "
                "`If-Match`. Nothing is ever deleted or patched. `_lastUpdated` and the history of a type let a round "
                "read only what changed; where they are missing or doubtful, everybody is read.",
                "security": {
                    "service": [
                        {
                            "coding": [
                                {
                                    "system": "http://terminology.hl7.org/CodeSystem/restful-security-service",
                                    "code": "SMART-on-FHIR",
                                }
                            ]
                        }
                    ],
                    "description": "SMART Backend Services, or a bearer token that the administrator gives; over TLS.",
                },
                "resource": [_asked_of(kind, asked.get(kind, set()), written) for kind in _NEEDED_FOR],
                "interaction": [{"code": "transaction"}],
            }
        ],
    }


def service() -> Json:
    parameters = [{"name": name, "type": "token" if name == "_id" else "uri"} for name in SEARCH_PARAMETERS]
    resources = [
        {
            "type": kind,
            "interaction": [{"code": "read"}, {"code": "search-type"}],
            "searchParam": parameters,
        }
        for kind in TYPES
    ]
    return {
        **_head("service", "AndanteService", "What Andante offers as a FHIR server"),
        "description": "The service holds no charts. It serves its own definitions, read-only.",
        "kind": "instance",
        "software": {"name": "Andante", "version": __version__},
        "implementation": {"description": "The definitions of this installation, under its own canonical base"},
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "security": {"description": "None: the definitions hold nothing of any patient."},
                "resource": resources,
            }
        ],
    }


def _head(identity: str, name: str, title: str) -> Json:
    return {
        "resourceType": "CapabilityStatement",
        "id": identity,
        "url": f"{DEFAULT_BASE}/CapabilityStatement/{identity}",
        "version": "1.0.0",
        "name": name,
        "title": title,
        "status": "active",
        "experimental": False,
        "date": "2026-11-25",
        "publisher": "Andante",
    }


def _asked_of(kind: str, names: set[str], written: Any) -> Json:
    methods = written[kind].statuses.keys() if kind in written else ()
    interactions = [
        *(["read"] if kind == "Subscription" else []),
        *(["search-type"] if names else []),
        *(["history-type"] if "_lastUpdated" in names else []),
        *(["create"] if "POST" in methods else []),
        *(["update"] if "PUT" in methods else []),
    ]
    body: Json = {
        "extension": [{"url": _EXPECTATION, "valueCode": "SHALL" if kind in NEEDED | PROFILE_OF.keys() else "SHOULD"}],
        "type": kind,
    }
    if kind in PROFILE_OF:
        profiles = [of[kind] for of in (PROFILE_OF, ANSWER_PROFILE_OF) if kind in of]
        body["supportedProfile"] = [f"{DEFAULT_BASE}/StructureDefinition/{profile}" for profile in profiles]
    body["documentation"] = _NEEDED_FOR[kind]
    body["interaction"] = [{"code": code} for code in interactions]
    if "PUT" in methods:
        body["versioning"] = "versioned-update"
    if kind in CONDITION_ON:
        body["conditionalCreate"] = True
    if names:
        kinds = {name: parameter.kind for name, parameter in (COMMON | R4_PARAMETERS.get(kind, {})).items()}
        body["searchParam"] = [{"name": name, "type": kinds.get(name, "uri")} for name in sorted(names)]
    return body
