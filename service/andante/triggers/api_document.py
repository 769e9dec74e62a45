"""What `/openapi.json` says of our addresses: every status and every content type they answer with, and no other.

The routes answer with responses they make themselves, of which the framework knows nothing; left alone, it documents a
JSON of status 200 for each. `tests/fuzz/test_openapi.py` asks every address in every wrong way and holds it to this.
"""

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

Json = dict[str, Any]
Answers = Mapping[int, str]
"""By status the content type; empty for an answer without a body."""

JSON, HTML, FHIR, TEXT = "application/json", "text/html", "application/fhir+json", "text/plain"
_MEANING = {
    200: "As asked",
    202: "Taken; worked off later",
    400: "Malformed",
    401: "Not proved who asks",
    404: "Not there",
    406: "Another format was asked for",
    408: "Not whole in time",
    412: "What was sent along does not do",
    413: "Too large",
    415: "Another content type is needed",
    500: "A defect of ours",
    502: "The FHIR server answered wrongly, or in part",
    503: "Not now",
}
_NOTIFIED: Answers = {200: "", 202: "", 400: "", 401: "", 404: "", 408: JSON, 413: "", 415: ""}
_CALLED: Answers = dict.fromkeys((200, 400, 401, 404, 408, 412, 413, 415, 503), JSON)
ANSWERS: Mapping[tuple[str, str], Answers] = {
    ("get", "/"): {200: HTML},
    ("get", "/health"): {200: JSON, 503: JSON},
    ("get", "/leads"): {200: JSON, 503: JSON},
    ("get", "/ready"): {200: JSON, 503: JSON},
    ("get", "/metrics"): {200: TEXT, 401: JSON},
    ("get", "/operations"): {200: HTML, 401: JSON},
    ("get", "/protocol"): {200: JSON},
    ("post", "/review/{patient_id}"): dict.fromkeys((200, 400, 401, 404, 500, 502, 503), JSON),
    ("get", "/.well-known/jwks.json"): {200: JSON},
    ("get", "/fhir/metadata"): {200: FHIR, 400: FHIR, 406: FHIR},
    ("get", "/fhir/{kind}/{identity}"): {200: FHIR, 400: FHIR, 404: FHIR, 406: FHIR},
    ("get", "/fhir/{kind}"): {200: FHIR, 400: FHIR, 404: FHIR, 406: FHIR},
    ("get", "/cds-services"): {200: JSON},
    ("post", "/cds-services/{service_id}"): _CALLED,
    ("post", "/cds-services/{service_id}/feedback"): {**_CALLED, 200: ""},
    ("post", "/notify/{hook}"): _NOTIFIED,
    ("post", "/notify/{hook}/{kind}/{ident}"): _NOTIFIED,
    ("put", "/notify/{hook}/{kind}/{ident}"): _NOTIFIED,
}
_UUID: Json = {"type": "string", "format": "uuid"}
_CODE: Json = {"type": "object", "properties": {"code": {"type": "string"}, "system": {"type": "string"}}}
_CALL: Json = {
    "type": "object",
    "required": ["hook", "hookInstance", "context"],
    "properties": {
        "hook": {"enum": ["patient-view", "order-select", "order-sign"]},
        "hookInstance": _UUID,
        "fhirServer": {"type": "string", "format": "uri"},
        "context": {
            "type": "object",
            "required": ["patientId"],
            "properties": {
                "patientId": {"type": "string", "pattern": r"^[A-Za-z0-9\-.]{1,64}$"},
                "userId": {"type": "string"},
                "draftOrders": {"type": "object"},
            },
        },
        "prefetch": {"type": "object"},
    },
}
_FEEDBACK: Json = {
    "type": "object",
    "required": ["feedback"],
    "properties": {
        "feedback": {
            "type": "array",
            "minItems": 1,
            "maxItems": 100,
            "items": {
                "type": "object",
                "required": ["card", "outcome", "outcomeTimestamp"],
                "properties": {
                    "card": _UUID,
                    "outcome": {"enum": ["accepted", "overridden"]},
                    "outcomeTimestamp": {"type": "string", "format": "date-time"},
                    "overrideReason": {"type": "object", "properties": {"reason": _CODE}},
                },
            },
        }
    },
}
_BODIES: Mapping[tuple[str, str], Json] = {
    ("post", "/cds-services/{service_id}"): {"required": True, "content": {JSON: {"schema": _CALL}}},
    ("post", "/cds-services/{service_id}/feedback"): {"required": True, "content": {JSON: {"schema": _FEEDBACK}}},
    **{
        (method, path): {"required": False, "content": {FHIR: {"schema": {"type": "object"}}}}
        for method, path in ANSWERS
        if path.startswith("/notify/")
    },
}
# As parameters of the address; the framework takes them for parameters of the query where a route lacks them.
_NOT_ASKED = {("post", "/notify/{hook}"): frozenset({"kind", "ident"})}


def describe(app: FastAPI) -> None:
    """Have the application's own document say what is so. Later routes are described too."""

    def document() -> Json:
        if app.openapi_schema is None:
            made = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
            app.openapi_schema = _corrected(made)
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign] # as the framework's documentation has it done


def _corrected(made: Json) -> Json:
    for path, methods in made["paths"].items():
        for method, operation in methods.items():
            answers = ANSWERS.get((method, path))
            if answers is None:
                continue
            operation["responses"] = {str(status): _answer(status, kind) for status, kind in answers.items()}
            unasked = _NOT_ASKED.get((method, path), frozenset())
            if "parameters" in operation:
                operation["parameters"] = [one for one in operation["parameters"] if one["name"] not in unasked]
            if (method, path) in _BODIES:
                operation["requestBody"] = _BODIES[method, path]
    made.pop("components", None)  # the framework's own words for malformed requests, which are answered otherwise
    return made


def _answer(status: int, kind: str) -> Json:
    schema: Json = {"type": "object"} if kind in (JSON, FHIR) else {"type": "string"}
    return {"description": _MEANING[status], **({"content": {kind: {"schema": schema}}} if kind else {})}
