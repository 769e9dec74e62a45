"""Files and resources written in another FHIR release than R4."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from andante.chart.bundle import ChartFile, read_charts
from andante.errors import InputError

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
WHO = {"reference": "Patient/a"}
CODE = {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]}


def resource(kind: str, **elements: Any) -> dict[str, Any]:
    return {"resourceType": kind, "id": kind.lower(), **elements}


PATIENT = {"resourceType": "Patient", "id": "a"}
R4 = [
    PATIENT,
    resource("Encounter", **{"class": {"code": "IMP"}}, subject=WHO, status="in-progress"),
    resource("NutritionOrder", patient=WHO, intent="order", status="active"),
    resource("Observation", subject=WHO, encounter={"reference": "Encounter/e"}, code=CODE),
    resource("MedicationRequest", subject=WHO, encounter={"reference": "Encounter/e"}, medicationCodeableConcept={}),
    resource("Condition", subject=WHO, encounter={"reference": "Encounter/e"}, clinicalStatus={"text": "active"}),
    resource("ServiceRequest", subject=WHO, intent="order"),
]
R5 = [
    PATIENT,
    resource("Encounter", **{"class": [{"coding": [{"code": "IMP"}]}]}, subject=WHO, actualPeriod={}),
    resource("NutritionOrder", subject=WHO, intent="order", status="active"),
    resource("Observation", subject=WHO, encounter={"reference": "Encounter/e"}, code=CODE),
    resource("MedicationRequest", subject=WHO, medication={"concept": {}}),
]
STU3 = [
    PATIENT,
    resource("Encounter", **{"class": {"code": "IMP"}}, subject=WHO),
    resource("NutritionOrder", patient=WHO, status="active"),
    resource("Observation", subject=WHO, context={"reference": "Encounter/e"}, code=CODE),
    resource("MedicationRequest", subject=WHO, context={"reference": "Encounter/e"}, medicationCodeableConcept={}),
]


def read(resources: list[dict[str, Any]]) -> ChartFile:
    entries = [{"resource": resource} for resource in resources]
    return read_charts(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}).encode(), now=NOW)


def test_an_r4_file_is_read() -> None:
    file = read(R4)
    assert file.unassigned == ()
    assert file.charts[0].problems == ()


@pytest.mark.parametrize(
    ("resources", "release"),
    [
        (R5, "R5"),
        (R5[:2], "R5"),
        (R5[2:3], "R5"),
        (STU3, "STU3"),
        (STU3[3:4], "STU3"),
        ([PATIENT, resource("MedicationOrder"), resource("DiagnosticOrder")], "DSTU2"),
        ([PATIENT, resource("Encounter", **{"class": "inpatient"})], "DSTU2"),
    ],
)
def test_a_file_of_another_release_is_refused_by_name(resources: list[dict[str, Any]], release: str) -> None:
    with pytest.raises(InputError, match=f"FHIR {release}; only R4"):
        read(resources)


@pytest.mark.parametrize(
    ("odd", "release"),
    [
        (resource("NutritionOrder", subject=WHO, intent="order"), "R5"),
        (resource("Encounter", **{"class": [{"text": "inpatient"}]}, subject=WHO), "R5"),
        (resource("MedicationAdministration", subject=WHO, medication={}, occurenceDateTime="2026"), "R5"),
        (resource("Observation", subject=WHO, context={"reference": "Encounter/e"}), "STU3"),
        (resource("Observation", subject=WHO, related=[{}]), "STU3"),
        (resource("MedicationRequest", subject=WHO, context={}), "STU3"),
        (resource("Condition", subject=WHO, clinicalStatus="active"), "STU3"),
        (resource("ProcedureRequest", subject=WHO), "STU3"),
    ],
)
def test_one_odd_resource_among_r4_ones_is_set_aside_by_name(odd: dict[str, Any], release: str) -> None:
    odd = {**odd, "id": "odd"}
    file = read([*R4, odd])
    (chart,) = file.charts
    assert [(p.code, p.reference) for p in chart.problems] == [("not-r4", f"{odd['resourceType']}/odd")]
    assert release in chart.problems[0].text
    assert all(resource.id != "odd" for resource in chart.resources())


def test_one_odd_observation_among_many_is_set_aside_though_none_proves_r4() -> None:
    plain = [{**resource("Observation", subject=WHO, code=CODE), "id": str(n)} for n in range(5)]
    odd = {**resource("Observation", subject=WHO, related=[{}]), "id": "odd"}
    (chart,) = read([PATIENT, *plain, odd]).charts
    assert (len(chart.observations), chart.problems[0].reference) == (5, "Observation/odd")
