"""Whose resource is it? References in every legal form, duplicates, and versions that quarrel."""

import json
import random
from datetime import UTC, datetime
from typing import Any

import pytest

from andante.chart.bundle import ChartFile, read_charts
from andante.chart.datatypes import Reference
from andante.chart.models import Medication
from andante.errors import InputError

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
UUID = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"
PATIENT: dict[str, Any] = {"resourceType": "Patient", "id": "a"}


def lab(identity: str | None = "k1", subject: Any = "Patient/a", **more: Any) -> dict[str, Any]:
    named = {"id": identity} if identity else {}
    about = {"subject": {"reference": subject} if isinstance(subject, str) else subject} if subject else {}
    return {"resourceType": "Observation", **named, "status": "final", "code": {}, **about, **more}


def read(*entries: dict[str, Any], kind: str = "collection") -> ChartFile:
    whole = [entry if "resource" in entry else {"resource": entry} for entry in entries]
    data = json.dumps({"resourceType": "Bundle", "type": kind, "entry": whole})
    return read_charts(data.encode(), now=NOW)


@pytest.mark.parametrize(
    "subject",
    [
        "Patient/a",
        "Patient/a/_history/3",
        "https://ward.example.org/fhir/Patient/a",
        "https://ward.example.org/fhir/Patient/a/_history/3",
        UUID,
    ],
)
def test_a_subject_is_understood_in_every_form(subject: str) -> None:
    file = read({"fullUrl": UUID, "resource": PATIENT}, lab(subject=subject))
    (chart,) = file.charts
    assert [o.key for o in chart.observations] == ["Observation/k1"]
    assert (chart.patient_id, file.unassigned) == ("a", ())


def test_resources_without_ids_are_known_by_their_full_urls() -> None:
    order = {"resourceType": "NutritionOrder", "patient": {"reference": UUID}, "status": "active"}
    specimen = {"fullUrl": "urn:uuid:5", "resource": {"resourceType": "Specimen"}}
    drawn = lab(None, UUID, specimen={"reference": "urn:uuid:5"})
    person = {"fullUrl": UUID, "resource": {"resourceType": "Patient"}}
    (chart,) = read(person, {"resource": order}, drawn, specimen, kind="transaction").charts
    assert chart.patient_id == UUID.removeprefix("urn:uuid:")
    assert chart.nutrition_orders[0].key == "NutritionOrder/entry-2"
    assert chart.find(chart.observations[0].specimen) is chart.specimens[0]


def test_every_type_has_its_own_way_to_name_the_patient() -> None:
    order = {"resourceType": "NutritionOrder", "id": "n", "patient": {"reference": "Patient/a"}}
    task = {"resourceType": "Task", "id": "t", "for": {"reference": "Patient/a"}}
    (chart,) = read(PATIENT, order, task).charts
    assert (len(chart.nutrition_orders), len(chart.tasks)) == (1, 1)


@pytest.mark.parametrize(
    ("subject", "code"),
    [
        (None, "no-subject"),
        ({}, "no-subject"),
        ({"display": "Kim Doe"}, "no-subject"),
        ("Group/g", "no-subject"),
        ("Location/l", "no-subject"),
        ({"identifier": {"system": "urn:oid:1", "value": "77"}}, "logical-subject"),
        ("urn:uuid:nobody", "unresolved-subject"),
        ("Patient?identifier=77", "unresolved-subject"),
        ("#nobody", "unresolved-subject"),
        ("a", "unresolved-subject"),
    ],
)
def test_a_resource_of_nobodys_is_named_and_given_to_nobody(subject: Any, code: str) -> None:
    file = read(PATIENT, lab(subject=subject))
    assert [chart.observations for chart in file.charts] == [()]
    assert [(p.code, p.reference) for p in file.unassigned] == [(code, "Observation/k1")]
    assert not any(secret in file.unassigned[0].text for secret in ("Kim", "77"))


def test_a_contained_patient_is_nobody_outside_its_resource() -> None:
    inside = [{"resourceType": "Patient", "id": "p", "birthDate": "1950"}]
    file = read(lab("k1", "#p", contained=inside), lab("k2", "#p", contained=inside))
    assert [(c.patient_id, len(c.observations)) for c in file.charts] == [
        ("Observation/k1#p", 1),
        ("Observation/k2#p", 1),
    ]
    assert all(chart.patient is not None and chart.patient.birth_date == "1950" for chart in file.charts)


def test_patients_stay_apart_and_an_unreadable_resource_goes_to_its_own() -> None:
    file = read(PATIENT, {**PATIENT, "id": "b"}, lab("k1"), lab("k2", "Patient/b", status=7))
    a, b = file.charts
    assert (len(a.observations), a.problems) == (1, ())
    assert (b.observations, [p.reference for p in b.problems]) == ((), ["Observation/k2"])


def test_an_unreadable_patient_still_has_a_chart() -> None:
    (chart,) = read({**PATIENT, "birthDate": 1950}, lab()).charts
    assert (chart.patient, chart.problems[0].reference) == (None, "Patient/a")


def test_resources_of_two_servers_under_one_id_are_refused() -> None:
    with pytest.raises(InputError, match="several servers"):
        read(
            {"fullUrl": "https://one.example.org/fhir/Patient/a", "resource": PATIENT},
            {"fullUrl": "https://two.example.org/fhir/Patient/a", "resource": PATIENT},
        )


def test_medications_and_locations_go_to_those_who_point_to_them() -> None:
    drug = {"resourceType": "Medication", "id": "m", "ingredient": [{"itemReference": {"reference": "Medication/i"}}]}
    ward = {"resourceType": "Location", "id": "w", "name": "Ward 3"}
    bed = {"resourceType": "Location", "id": "b", "partOf": {"reference": "Location/w"}}
    stay = {
        "resourceType": "Encounter",
        "id": "e",
        "subject": {"reference": "Patient/a"},
        "location": [{"location": {"reference": "Location/b"}}],
    }
    given = {
        "resourceType": "MedicationAdministration",
        "id": "g",
        "subject": {"reference": "Patient/b"},
        "medicationReference": {"reference": "Medication/m"},
    }
    ingredient = {"resourceType": "Medication", "id": "i"}
    a, b = read(PATIENT, {**PATIENT, "id": "b"}, drug, ingredient, ward, bed, stay, given).charts
    assert ([x.id for x in a.locations], a.medications) == (["b", "w"], ())
    assert ([x.id for x in b.medications], b.locations) == (["i", "m"], ())


def test_a_contained_medication_is_found_within_its_resource_only() -> None:
    inside = [{"resourceType": "Medication", "id": "m", "code": {"text": "thiamine"}}, {"id": "broken"}]
    given = {
        "resourceType": "MedicationRequest",
        "id": "r",
        "contained": inside,
        "subject": {"reference": "Patient/a"},
        "medicationReference": {"reference": "#m"},
    }
    (chart,) = read(PATIENT, given).charts
    (request,) = chart.medication_requests
    found = chart.find(request.medication_reference, within=request)
    assert isinstance(found, Medication)
    assert chart.find(Reference(reference="#m")) is None
    assert chart.find(Reference(reference="#other"), within=request) is None


def version(number: str | None, updated: str | None, value: int) -> dict[str, Any]:
    meta = {k: v for k, v in (("versionId", number), ("lastUpdated", updated)) if v}
    return lab(meta=meta, valueInteger=value)


EARLY, LATE = "2026-03-01T06:00:00Z", "2026-03-01T07:00:00+00:00"


@pytest.mark.parametrize(
    ("versions", "kept", "duplicates", "problem"),
    [
        ([version("1", EARLY, 1), version("1", EARLY, 1)], [1], 1, False),
        ([version(None, None, 1), version(None, None, 1)], [1], 1, False),
        ([version("1", EARLY, 1), version("2", LATE, 2)], [2], 0, False),
        ([version("2", EARLY, 1), version("1", LATE, 2)], [2], 0, False),  # the time counts, not the number
        ([version("9", None, 1), version("10", None, 2)], [2], 0, False),
        ([version("9", EARLY, 1), version("10", EARLY, 2)], [2], 0, False),
        ([version("x", None, 1), version("y", None, 2)], [1, 2], 0, True),
        ([version("x", EARLY, 1), version("y", EARLY, 2)], [1, 2], 0, True),
        ([version("1", EARLY, 1), version("2", None, 2)], [1, 2], 0, True),
        ([version("1", EARLY, 1), version("1", EARLY, 2)], [1, 2], 0, True),  # one version, two contents
        ([version("1", "2026-03", 1), version("2", "2026", 2)], [2], 0, False),
    ],
)
def test_the_newest_version_counts_and_all_where_that_cannot_be_told(
    versions: list[dict[str, Any]], kept: list[int], duplicates: int, problem: bool
) -> None:
    file = read(PATIENT, *versions)
    (chart,) = file.charts
    assert [o.value_integer for o in chart.observations] == kept
    assert file.duplicates == duplicates
    assert [p.code for p in chart.problems] == (["unordered-versions"] if problem else [])


def test_the_order_of_the_file_changes_nothing() -> None:
    resources = [
        PATIENT,
        {**PATIENT, "id": "b"},
        *(lab(f"k{n}", f"Patient/{'ab'[n % 2]}") for n in range(9)),
        version("1", EARLY, 1),
        version("2", LATE, 2),
        lab("lost", None),
    ]
    expected = read(*resources)
    dice = random.Random(7)
    for _ in range(5):
        dice.shuffle(resources)
        assert read(*resources) == expected


def test_versioned_references_name_the_version_read() -> None:
    (chart,) = read(PATIENT, version("7", EARLY, 1)).charts
    assert chart.observations[0].reference == "Observation/k1/_history/7"
    assert chart.patient is not None
    assert chart.patient.reference == "Patient/a"
