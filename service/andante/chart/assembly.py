"""Putting a chart together: one version of each resource, what it points to, in a fixed order."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, NamedTuple

import msgspec

from andante.chart.chart import GROUPS, Chart, Problem, reference_key
from andante.chart.datatypes import Reference
from andante.chart.models import (
    Encounter,
    Location,
    Medication,
    MedicationAdministration,
    MedicationRequest,
    Observation,
    Patient,
    Resource,
    Specimen,
)
from andante.chart.times import parse_fhir_time

_MAX_DIGITS = 18  # of a versionId that counts up
_MAX_PARTS = 8  # how far a bed's ward, or a compound's ingredients, are followed


class Settled(NamedTuple):
    """Each resource in the version that counts; how many repeats were dropped; what could not be put in
    order.
    """

    resources: tuple[Resource, ...]
    duplicates: int
    problems: tuple[Problem, ...]


def settle_versions(resources: Iterable[Resource]) -> Settled:
    """Keep the newest version of each resource, by meta.lastUpdated, else by a numeric versionId.

    Versions that cannot be ordered are all kept, with a Problem: dropping one could drop the dangerous one.
    """
    by_key: dict[str, list[Resource]] = defaultdict(list)
    for resource in resources:
        by_key[resource.key].append(resource)
    kept: list[Resource] = []
    problems: list[Problem] = []
    duplicates = 0
    for key, versions in by_key.items():
        if len(versions) == 1:
            kept.append(versions[0])
            continue
        distinct = _distinct(versions)
        duplicates += len(versions) - len(distinct)
        newest = list(distinct) if len(distinct) == 1 else _newest(distinct)
        if len(newest) > 1:
            text = "several versions that cannot be put in order: all are kept"
            problems.append(Problem(code="unordered-versions", text=text, reference=key))
        kept.extend(newest)
    return Settled(tuple(kept), duplicates, tuple(problems))


def _distinct(versions: Sequence[Resource]) -> Sequence[Resource]:
    if all(version == versions[0] for version in versions[1:]):
        return versions[:1]
    # By their JSON, since a resource has no hash: comparing each with each would never end for a hostile file.
    return list({(version.version_id, msgspec.json.encode(version)): version for version in versions}.values())


def _newest(versions: Sequence[Resource]) -> list[Resource]:
    if len({version.version_id for version in versions}) < len(versions):
        return list(versions)  # one version id, two contents
    times = {version.reference: updated_at(version) for version in versions}
    known = [time for time in times.values() if time is not None]
    if 0 < len(known) < len(versions):
        return list(versions)
    latest = [version for version in versions if not known or times[version.reference] == max(known)]
    numbers = [_number(version.version_id) for version in latest]
    if len(latest) > 1 and all(number is not None for number in numbers):
        return [max(latest, key=lambda version: _number(version.version_id) or 0)]
    return latest


def _number(version_id: str | None) -> int | None:
    digits = version_id or ""
    is_number = digits.isascii() and digits.isdecimal() and len(digits) <= _MAX_DIGITS
    return int(digits) if is_number else None


def updated_at(resource: Resource) -> datetime | None:
    """meta.lastUpdated as an instant; None where it is absent or not a full instant."""
    return instant_of(resource.last_updated)


def instant_of(text: str | None) -> datetime | None:
    """A FHIR instant; None where it is absent or not a full instant."""
    if not text or not text[0].isdigit():
        return None
    try:
        time = parse_fhir_time(text, UTC)
    except ValueError:
        return None
    return time.earliest if time.precise else None


def assemble(
    patient_id: str,
    resources: Iterable[Resource],
    *,
    pool: Mapping[str, Resource],
    problems: Iterable[Problem] = (),
    incomplete: Iterable[str] = (),
    unplaced: bool = False,
    aliases: Mapping[str, str] = MappingProxyType({}),
) -> Chart:
    """The chart of one patient: its own settled `resources`, and out of `pool` those they point to."""
    own = list(resources)
    held = {resource.key for resource in own}
    waiting = list(own)
    for _ in range(_MAX_PARTS):
        texts = (text for resource in waiting for text in shared_references(resource))
        wanted = dict.fromkeys(aliases.get(text) or reference_key(text) or "" for text in texts)
        waiting = [pool[key] for key in wanted if key in pool and key not in held]
        held.update(resource.key for resource in waiting)
        own.extend(waiting)
    own.sort(key=lambda resource: (resource.key, resource.version_id or ""))
    groups: dict[str, Any] = {
        name: tuple(resource for resource in own if isinstance(resource, kind)) for kind, name in GROUPS.items()
    }
    return Chart(
        patient_id=patient_id,
        patient=next((resource for resource in own if isinstance(resource, Patient)), None),
        problems=tuple(dict.fromkeys(problems)),
        incomplete=tuple(dict.fromkeys(incomplete)),
        unplaced=unplaced,
        aliases=aliases,
        **groups,
    )


def misplaced(
    owned: Mapping[str, Iterable[Resource]], aliases: Mapping[str, str] = MappingProxyType({})
) -> Iterator[tuple[str, Problem]]:
    """By patient, what refers to an encounter that is surely another patient's: it cannot be told whose it is."""
    holders: dict[str, set[str]] = defaultdict(set)
    for patient, resources in owned.items():
        for resource in resources:
            if isinstance(resource, Encounter):
                holders[resource.key].add(patient)
    for patient, resources in owned.items():
        for resource in resources:
            encounter: Reference | None = getattr(resource, "encounter", None)
            text = (encounter.reference if encounter else None) or ""
            of = holders.get(aliases.get(text) or reference_key(text) or "", {patient})
            if patient not in of:
                told = "refers to an encounter of another patient"
                yield patient, Problem(code="other-encounter", text=told, reference=resource.key)


def shared_references(resource: Resource) -> list[str]:
    """References to what has no patient of its own, or need not: locations, medications, specimens."""
    references: list[Reference | None] = []
    match resource:
        case Encounter():
            references = [place.location for place in resource.location]
        case Location():
            references = [resource.part_of]
        case MedicationRequest() | MedicationAdministration():
            references = [resource.medication_reference]
        case Medication():
            references = [ingredient.item_reference for ingredient in resource.ingredient]
        case Observation():
            references = [resource.specimen]
        case Specimen():
            references = list(resource.parent)
    return [r.reference for r in references if r is not None and r.reference]
