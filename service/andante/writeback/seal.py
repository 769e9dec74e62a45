"""A seal over everything we wrote into one resource, so that a person's hand on it shows later.

Whatever a server may do on its own does not break the seal: ids, meta, narrative, relative or absolute
references, with or without version, another zone or precision of an instant. Everything else does: an element
added, a note, another owner, another status. A seal broken without need costs a second Task beside the first;
one that misses a person's change would cost that change, so in doubt it breaks.
"""

from datetime import UTC
from typing import Any

from andante.chart.assembly import instant_of
from andante.writeback.codes import InputKind
from andante.writeback.identity import digest, unversioned
from andante.writeback.site import Site

Json = dict[str, Any]

_THE_SERVERS = frozenset({"id", "meta", "text"})
_REFERENCE_EXTRAS = frozenset({"type", "display"})  # added by some servers, meant for people


def seal_of(body: Json, site: Site) -> str:
    """The seal that belongs to this resource, whether or not it carries one."""
    bare = {name: value for name, value in body.items() if name not in _THE_SERVERS}
    for name in ("input", "extension"):
        kept = [part for part in bare.get(name, ()) if not holds(part, InputKind.SEAL, site)]
        bare[name] = kept
    return digest(_plain(bare))


def sealed(body: Json, site: Site) -> Json:
    """The resource with its seal put on, in place of an older one."""
    return mark(body, InputKind.SEAL, seal_of(body, site), site)


def mark(body: Json, kind: InputKind, value: str, site: Site) -> Json:
    """The resource with a technical value of ours: in Task.input, else in an extension of ours."""
    name, part = (
        ("input", {"type": {"coding": [{"system": site.system("task-input"), "code": kind}]}})
        if body["resourceType"] == "Task"
        else ("extension", {"url": site.extension(kind)})
    )
    others = [other for other in body.get(name, ()) if not holds(other, kind, site)]
    return {**body, name: [*others, {**part, "valueString": value}]}


def marked(body: Json, kind: InputKind, site: Site) -> str | None:
    """The technical value put there by `mark`; None where there is none, or more than one."""
    parts = [part for name in ("input", "extension") for part in body.get(name, ()) if holds(part, kind, site)]
    value = parts[0].get("valueString") if len(parts) == 1 else None
    return value if isinstance(value, str) else None


def holds(part: Any, kind: InputKind, site: Site) -> bool:
    """Whether an input or extension is of this kind of ours."""
    if not isinstance(part, dict):
        return False
    if part.get("url") == site.extension(kind):
        return True
    return has_coding(part.get("type"), site.system("task-input"), kind)


def has_coding(concept: Any, system: str, code: str | None = None) -> bool:
    """Whether a CodeableConcept, however misshapen, holds a code (this code) of the system."""
    codings = concept.get("coding") if isinstance(concept, dict) else None
    return any(
        isinstance(coding, dict) and coding.get("system") == system and code in (None, coding.get("code"))
        for coding in (codings if isinstance(codings, list) else ())
    )


def _plain(value: Any) -> Any:
    match value:
        case {"reference": str(reference), **rest}:
            kept = {name: item for name, item in rest.items() if name not in _REFERENCE_EXTRAS}
            return {"reference": unversioned(reference), **_plain(kept)}
        case dict():
            return {name: _plain(item) for name, item in value.items() if item not in ([], {}, None)}
        case list():
            return [_plain(item) for item in value]
        case str():
            instant = instant_of(value)
            return str(int(instant.astimezone(UTC).timestamp())) if instant else value
        case _:
            return str(value)
