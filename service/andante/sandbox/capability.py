"""The CapabilityStatement: what the sandbox does, read off the same table that it works from."""

from datetime import datetime

from andante import __version__
from andante.sandbox.faults import Json
from andante.sandbox.parameters import COMMON, TYPES
from andante.sandbox.store import instant_text

NOTICE = "sandbox, fictional data, not for clinical use"

_INTERACTIONS = ("create", "read", "vread", "update", "delete", "history-instance", "history-type", "search-type")


def capability_statement(*, base: str, now: datetime) -> Json:
    """Answers GET /metadata."""
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "experimental": True,
        "date": instant_text(now),
        "kind": "instance",
        "description": f"Andante {NOTICE}.",
        "software": {"name": f"Andante ({NOTICE})", "version": __version__},
        "implementation": {"description": f"Andante {NOTICE}", "url": base},
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "rest": [
            {
                "mode": "server",
                "documentation": f"A {NOTICE}. Everything is kept in memory and lost when it stops.",
                "interaction": [{"code": "transaction"}, {"code": "batch"}],
                "resource": [_resource(kind) for kind in TYPES],
            }
        ],
    }


def _resource(kind: str) -> Json:
    parameters = COMMON | TYPES[kind]
    return {
        "type": kind,
        "interaction": [{"code": code} for code in _INTERACTIONS],
        "versioning": "versioned-update",
        "readHistory": True,
        "updateCreate": True,
        "conditionalCreate": True,
        "conditionalUpdate": False,
        "conditionalDelete": "not-supported",
        "searchParam": [{"name": name, "type": parameter.kind} for name, parameter in parameters.items()],
    }
