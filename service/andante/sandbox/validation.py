"""Incoming resources: well-formed JSON, of R4 shape, with the codes that R4 requires."""

import re
from decimal import Decimal

import msgspec
from fhir.resources.R4B import get_fhir_model_class
from pydantic import ValidationError

from andante.sandbox.faults import Fault, Issue, Json, fault

# Decimals keep the digits they were sent with: 0.80 stays 0.80, as FHIR asks.
_decoder = msgspec.json.Decoder(float_hook=Decimal)


def _codes(text: str) -> frozenset[str]:
    return frozenset(text.split())


_REQUEST_STATUS = _codes("draft active on-hold revoked completed entered-in-error unknown")
_REQUEST_INTENT = _codes("proposal plan directive order original-order reflex-order filler-order instance-order option")
_PRIORITY = _codes("routine urgent asap stat")

# The library checks shape but not required bindings; these are the codes that matter to the service.
# https://hl7.org/fhir/R4/terminologies.html#required
_REQUIRED_CODES: dict[str, dict[str, frozenset[str]]] = {
    "Task": {
        "status": _codes(
            "draft requested received accepted rejected ready cancelled in-progress on-hold failed completed "
            "entered-in-error"
        ),
        "intent": _REQUEST_INTENT - {"directive"} | {"unknown"},
        "priority": _PRIORITY,
    },
    "CommunicationRequest": {"status": _REQUEST_STATUS, "priority": _PRIORITY},
    "NutritionOrder": {"status": _REQUEST_STATUS, "intent": _REQUEST_INTENT},
    "ServiceRequest": {"status": _REQUEST_STATUS, "intent": _REQUEST_INTENT, "priority": _PRIORITY},
    "Observation": {
        "status": _codes("registered preliminary final amended corrected cancelled entered-in-error unknown")
    },
    "Encounter": {
        "status": _codes("planned arrived triaged in-progress onleave finished cancelled entered-in-error unknown")
    },
}


def decode(content: bytes) -> Json:
    """Read one JSON object. Raises a 400 Fault when it is anything else."""
    try:
        body = _decoder.decode(content)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        raise fault(400, "structure", f"not JSON: {error}") from None
    if not isinstance(body, dict) or not isinstance(body.get("resourceType"), str):
        raise fault(400, "structure", "not a FHIR resource: a JSON object with resourceType is expected")
    return body


def validate(body: Json, *, expected: str) -> None:
    """Raises a 400 Fault that names every wrong element by its path."""
    if body.get("resourceType") != expected:
        raise fault(400, "invalid", f"expected {expected}, got {body.get('resourceType')!r}", "resourceType")
    try:
        get_fhir_model_class(expected).model_validate(body)
    except ValidationError as error:
        raise Fault(
            400,
            *(
                Issue("structure", problem["msg"], _fhir_path(expected, problem["loc"]))
                for problem in error.errors(include_url=False, include_input=False)
            ),
        ) from None
    for element, codes in _REQUIRED_CODES.get(expected, {}).items():
        if element in body and body[element] not in codes:
            path = f"{expected}.{element}"
            raise fault(400, "code-invalid", f"{body[element]!r} is not among {', '.join(sorted(codes))}", path)


def _fhir_path(root: str, location: tuple[int | str, ...]) -> str:
    """`("input", 0, "type")` as `Task.input[0].type`."""
    return root + "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in location)


def is_id(text: str) -> bool:
    """Whether a client may use `text` as an id."""
    return re.fullmatch(r"[A-Za-z0-9\-.]{1,64}", text) is not None
