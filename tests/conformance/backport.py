"""What the subscriptions backport asks of a Subscription, restated for the validator.

HL7's package of that guide is in no registry that the tests may use. Restated from its sources (STU 1.1,
`input/fsh/BackportSubscription.fsh` in HL7/fhir-subscription-backport-ig), and only what concerns what we write: it
shares our reading of the guide, which the contract suite holds against servers written by others.
"""

from collections.abc import Iterator
from typing import Any

from andante.writeback.hooks import BACKPORT, CONTENTS, HEARTBEAT, PAYLOAD_CONTENT, PROFILE, TIMEOUT

Json = dict[str, Any]

_GUIDE = BACKPORT.removesuffix("/StructureDefinition")
_CODES = f"{_GUIDE}/CodeSystem/backport-content-code-system"
_CONTENT = f"{_GUIDE}/ValueSet/backport-content-value-set"


def definitions() -> Iterator[Json]:
    concepts = [{"code": code, "display": code} for code in sorted(CONTENTS)]
    yield {**_head("CodeSystem", _CODES), "caseSensitive": True, "content": "complete", "concept": concepts}
    yield {**_head("ValueSet", _CONTENT), "compose": {"include": [{"system": _CODES}]}}
    yield _extension(HEARTBEAT, "Subscription.channel", "unsignedInt")
    yield _extension(TIMEOUT, "Subscription.channel", "unsignedInt")
    content = _extension(PAYLOAD_CONTENT, "Subscription.channel.payload", "code")
    content["differential"]["element"][-1]["binding"] = {"strength": "required", "valueSet": _CONTENT}
    yield content
    yield _structure(PROFILE, "Subscription", [
        *_sliced("Subscription.channel.extension", heartbeatPeriod=HEARTBEAT, timeout=TIMEOUT),
        {"id": "Subscription.channel.payload", "path": "Subscription.channel.payload", "min": 1},
        *_sliced("Subscription.channel.payload.extension", least=1, content=PAYLOAD_CONTENT),
    ])  # fmt: skip


def _head(kind: str, url: str) -> Json:
    identity = url.rpartition("/")[2]
    return {
        "resourceType": kind,
        "id": identity,
        "url": url,
        "version": "1.1.0",
        "name": "Restated",
        "status": "active",
    }


def _structure(url: str, kind: str, elements: list[Json]) -> Json:
    return {
        **_head("StructureDefinition", url),
        "fhirVersion": "4.0.1",
        "kind": "complex-type" if kind == "Extension" else "resource",
        "abstract": False,
        "type": kind,
        "baseDefinition": f"http://hl7.org/fhir/StructureDefinition/{kind}",
        "derivation": "constraint",
        "differential": {"element": [{"id": kind, "path": kind}, *elements]},
    }


def _extension(url: str, on: str, type_: str) -> Json:
    elements = [
        {"id": "Extension.extension", "path": "Extension.extension", "max": "0"},
        {"id": "Extension.url", "path": "Extension.url", "fixedUri": url},
        {"id": "Extension.value[x]", "path": "Extension.value[x]", "min": 1, "type": [{"code": type_}]},
    ]
    return {**_structure(url, "Extension", elements), "context": [{"type": "element", "expression": on}]}


def _sliced(path: str, *, least: int = 0, **slices: str) -> Iterator[Json]:
    by_url = {"discriminator": [{"type": "value", "path": "url"}], "rules": "open"}
    yield {"id": path, "path": path, "slicing": by_url}
    for name, url in slices.items():
        type_ = [{"code": "Extension", "profile": [url]}]
        yield {"id": f"{path}:{name}", "path": path, "sliceName": name, "min": least, "max": "1", "type": type_}
