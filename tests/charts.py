"""Short ways to make FHIR resources and the picture they give, through the real models."""

import json
from collections.abc import Iterable
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from andante.chart.assembly import assemble
from andante.chart.chart import Problem
from andante.chart.codes import CodeMap, load_codes
from andante.chart.decoding import decode_resource
from andante.chart.models import Resource
from andante.chart.to_picture import to_picture
from andante.domain.picture import Picture

Json = dict[str, Any]

CODES = load_codes()
ZONE = ZoneInfo("Europe/Vienna")
HL7_EXAMPLES = Path(__file__).parents[1] / "fixtures" / "hl7-examples"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
ATC = "http://www.whocc.no/atc"
UCUM = "http://unitsofmeasure.org"
OURS = "https://andante.example/fhir/CodeSystem/chart"
TERMINOLOGY = "http://terminology.hl7.org/CodeSystem"
POTASSIUM, PHOSPHATE, PHOSPHATE_MASS = "2823-3", "14879-1", "2777-1"
MAGNESIUM, MAGNESIUM_MASS = "2601-3", "19123-9"
DRAWN = "2026-03-02T05:10:00+01:00"
MODIFIER = [{"url": "https://elsewhere.example/negated", "valueBoolean": True}]


def picture_of(
    *resources: Json,
    codes: CodeMap = CODES,
    patient: Json | None = None,
    problems: Iterable[Problem] = (),
    incomplete: Iterable[str] = (),
    aliases: dict[str, str] | None = None,
) -> Picture:
    """The picture of Patient/p1 with these resources in the chart."""
    person = patient or {"resourceType": "Patient", "id": "p1", "birthDate": "1957-05-01", "gender": "female"}
    read = [_decoded(resource) for resource in (person, *resources)]
    chart = assemble(
        "p1",
        read,
        pool={resource.key: resource for resource in read},
        problems=problems,
        incomplete=incomplete,
        aliases=MappingProxyType(aliases or {}),
    )
    return to_picture(chart, codes, ZONE)


def _decoded(resource: Json) -> Resource:
    found = decode_resource(resource["resourceType"], json.dumps(resource).encode())
    assert isinstance(found, Resource), found
    return found


def a_resource(kind: str, identity: str, **elements: Any) -> Json:
    """About Patient/p1 and in version 1 unless it says otherwise; an element set to None is left out."""
    who = "patient" if kind == "NutritionOrder" else "subject"
    whole = {
        "resourceType": kind,
        "id": identity,
        "meta": {"versionId": "1", "lastUpdated": "2026-03-02T06:00:00Z"},
        who: {"reference": "Patient/p1"},
    } | elements
    return {name: value for name, value in whole.items() if value is not None}


def concept(*codings: tuple[str, str], text: str | None = None) -> Json:
    found: Json = {"coding": [{"system": system, "code": code} for system, code in codings]} if codings else {}
    return found | ({"text": text} if text else {})


def quantity(value: Any, code: str | None, **more: Any) -> Json:
    """A UCUM quantity; `code=None` leaves the unit out."""
    unit = {"unit": code, "system": UCUM, "code": code} if code else {}
    whole = {"value": value} | unit | more
    return {name: part for name, part in whole.items() if part is not None}


def a_lab(code: str | Json = PHOSPHATE, value: Any = 0.7, unit: str | None = "mmol/L", **elements: Any) -> Json:
    """A final result drawn at DRAWN, by LOINC code or any concept."""
    whole = {
        "status": "final",
        "category": [concept((f"{TERMINOLOGY}/observation-category", "laboratory"))],
        "code": concept((LOINC, code)) if isinstance(code, str) else code,
        "effectiveDateTime": DRAWN,
        "valueQuantity": quantity(value, unit),
    } | elements
    return a_resource("Observation", whole.pop("id", "lab"), **whole)


def note_codes(picture: Picture) -> set[str]:
    return {note.code for note in picture.notes}
