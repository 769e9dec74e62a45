"""From the JSON of one resource to a Struct, or to a Problem that says what is wrong without quoting the
patient.
"""

import re
from typing import Any, TypeVar

import msgspec

from andante.chart.chart import Problem, Salvaged
from andante.chart.datatypes import CodeableConcept, Node, Reference
from andante.chart.models import READABLE, Resource
from andante.fhir_http.envelope import DECODE_ERRORS

T = TypeVar("T")
_DECODERS = {name: msgspec.json.Decoder(model) for name, model in READABLE.items()}
_SAFE_ID = re.compile(r"[A-Za-z0-9._\-]{1,64}")
_DECODER_PATH = re.compile(r" - at `\$\.([^`]+)`")
_SAFE_ELEMENT = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,63}")


class Salvage(Node, frozen=True, gc=False):
    """What names a resource and its patient, as raw as possible: for resources that cannot be read
    otherwise.
    """

    id: msgspec.Raw = msgspec.Raw(b"")
    subject: msgspec.Raw = msgspec.Raw(b"")
    patient: msgspec.Raw = msgspec.Raw(b"")
    for_: msgspec.Raw = msgspec.field(default=msgspec.Raw(b""), name="for")
    code: msgspec.Raw = msgspec.Raw(b"")
    status: msgspec.Raw = msgspec.Raw(b"")
    effective_date_time: msgspec.Raw = msgspec.Raw(b"")
    effective_instant: msgspec.Raw = msgspec.Raw(b"")
    issued: msgspec.Raw = msgspec.Raw(b"")

    def subject_reference(self) -> Reference | None:
        for raw in (self.subject, self.patient, self.for_):
            if len(raw):
                try:
                    return msgspec.json.decode(raw, type=Reference)
                except DECODE_ERRORS:
                    continue
        return None

    def observation(self) -> Salvaged | None:
        """What an unreadable Observation was about, if its code can still be read."""
        concept = _lenient(self.code, CodeableConcept)
        if concept is None:
            return None
        return Salvaged(
            concept=concept,
            status=_lenient(self.status, str),
            effective=_lenient(self.effective_date_time, str) or _lenient(self.effective_instant, str),
            issued=_lenient(self.issued, str),
        )


def _lenient(raw: msgspec.Raw, kind: type[T]) -> T | None:
    if not len(raw):
        return None
    try:
        return msgspec.json.decode(raw, type=kind)
    except DECODE_ERRORS:
        return None


def decode_resource(resource_type: str, raw: msgspec.Raw | bytes) -> Resource | Problem:
    """Decode a resource of a type in READABLE. Never raises on bad input: answers a Problem instead."""
    try:
        resource: Resource = _DECODERS[resource_type].decode(raw)
    except DECODE_ERRORS as error:
        found = salvage(raw)
        return Problem(
            code="unreadable-resource",
            text=f"{resource_type} cannot be read: {explain(resource_type, raw, error)}",
            reference=name_of(resource_type, found),
            resource_type=resource_type,
            salvaged=found.observation() if resource_type == "Observation" else None,
        )
    return resource


def salvage(raw: msgspec.Raw | bytes) -> Salvage:
    """Id and subject of a resource, as far as they can be had."""
    try:
        return msgspec.json.decode(raw, type=Salvage)
    except DECODE_ERRORS:
        return Salvage()


def name_of(resource_type: str, found: Salvage) -> str | None:
    """A reference to a resource that could not be read; None without a proper id."""
    identity = _lenient(found.id, str)
    return f"{resource_type}/{identity}" if identity and _SAFE_ID.fullmatch(identity) else None


def explain(resource_type: str, raw: msgspec.Raw | bytes, error: BaseException) -> str:
    """What is wrong, as element path and kind of fault. No values: they may be about the patient."""
    if isinstance(error, RecursionError):
        return "nested too deeply"
    if isinstance(error, UnicodeDecodeError):
        return "not UTF-8"
    if isinstance(error, msgspec.DecodeError) and not isinstance(error, msgspec.ValidationError):
        return "not JSON, or cut short"
    return _explain_by_definition(resource_type, raw, _decoder_path(error)) or _explain_by_decoder(error)


def _explain_by_definition(resource_type: str, raw: msgspec.Raw | bytes, where: str) -> str | None:
    """What the R4B definition says about it: its fault at `where` if it sees one there, else its first."""
    # Imported late: the full R4B models take a second to load, and most charts never need them.
    from fhir.resources.R4B import get_fhir_model_class
    from pydantic import ValidationError

    try:
        get_fhir_model_class(resource_type).model_validate_json(bytes(raw))
    except ValidationError as fault:
        faults = fault.errors(include_input=False, include_url=False, include_context=False)
        told = [(_path(resource_type, f["loc"]), f["type"].replace("_", " ")) for f in faults]
        path, kind = next((f for f in told if where and f[0].startswith(f"{resource_type}.{where}")), told[0])
        return f"{path}: {kind}"
    except Exception:  # an explanation is a courtesy: whatever the validator trips over, the decoder has one too
        return None
    return None


def _decoder_path(error: BaseException) -> str:
    found = _DECODER_PATH.search(str(error))
    return found[1] if found else ""


def _path(resource_type: str, location: tuple[Any, ...]) -> str:
    parts = [resource_type]
    for step in location:
        if isinstance(step, int):
            parts[-1] += f"[{step}]"
        elif _SAFE_ELEMENT.fullmatch(str(step)):
            parts.append(str(step))
    return ".".join(parts)


def _explain_by_decoder(error: BaseException) -> str:
    # msgspec names expected and found kinds and the path, never the value.
    return str(error)[:200]
