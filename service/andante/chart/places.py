"""Where a patient lies: ward and bed out of an Encounter's locations."""

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from andante.chart.chart import reference_key
from andante.chart.datatypes import CodeableConcept, Reference
from andante.chart.models import Encounter, Location
from andante.chart.plain_text import cut

PHYSICAL_TYPES = "http://terminology.hl7.org/CodeSystem/location-physical-type"
_MAX_LEVELS = 6  # bed, room, corridor, ward, level, building
_GONE = frozenset({"completed", "planned", "reserved"})


def find_place(
    encounter: Encounter,
    locations: Mapping[str, Location],
    *,
    wards: Mapping[str, str] = MappingProxyType({}),
) -> tuple[str | None, str | None]:
    """Names of ward and bed; None where the chart does not tell. `locations` by `Location/id`.

    `wards` are the site's own names for its wards, by `Location/id`: what is listed there is a ward, and called so.
    """
    ward = bed = fallback = None
    for place in encounter.location:
        if place.status in _GONE or place.location is None:
            continue
        for kind, name in _levels(place.location, place.physical_type, locations, wards):
            if kind == "bd":
                bed = bed or name
            elif kind == "wa":
                ward = ward or name
            elif kind is None:
                fallback = fallback or name
    return ward or fallback, bed


def _levels(
    reference: Reference,
    physical_type: CodeableConcept | None,
    locations: Mapping[str, Location],
    wards: Mapping[str, str],
) -> Iterator[tuple[str | None, str]]:
    """Kind and name of a location and of those it is part of."""
    kind = _kind(physical_type)
    for _ in range(_MAX_LEVELS):
        key = reference_key(reference.reference or "") or ""
        location = locations.get(key)
        if location is not None:
            kind = kind or _kind(location.physical_type)
        name = (location.name if location is not None else None) or reference.display
        if key in wards:
            yield "wa", wards[key]
        elif name and (line := cut(name)):
            yield kind, line
        if location is None or location.part_of is None:
            return
        reference, kind = location.part_of, None


def _kind(concept: CodeableConcept | None) -> str | None:
    codes = concept.codes(PHYSICAL_TYPES) if concept is not None else ()
    return codes[0] if codes else None
