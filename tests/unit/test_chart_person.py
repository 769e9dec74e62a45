"""The person and the stay: age as young as it can be, place by name, the stay that counts."""

from datetime import UTC, date, datetime
from typing import Any

import pytest

from andante.domain.picture import Person
from charts import MODIFIER, TERMINOLOGY, Json, a_resource, concept, note_codes, picture_of


def a_patient(**elements: Any) -> Json:
    return {"resourceType": "Patient", "id": "p1"} | elements


@pytest.mark.parametrize(
    ("elements", "person"),
    [
        ({"birthDate": "1957-05-01"}, Person(born=date(1957, 5, 1))),
        ({"birthDate": "1957-02"}, Person(born=date(1957, 2, 28))),  # the youngest reading
        ({"birthDate": "1957"}, Person(born=date(1957, 12, 31))),
        ({"birthDate": "1957-05-01T10:00:00Z"}, Person()),
        ({"birthDate": "01.05.1957"}, Person()),
        ({}, Person()),
        ({"gender": "female"}, Person(sex="female")),
        ({"gender": "other"}, Person(sex="other")),
        ({"gender": "F"}, Person()),
        ({"deceasedBoolean": True}, Person(deceased=True)),
        ({"deceasedBoolean": False}, Person()),
        ({"deceasedDateTime": "2026-03-01"}, Person(deceased=True)),
        ({"birthDate": "1957-05-01", "modifierExtension": MODIFIER}, Person()),
    ],
)
def test_what_is_known_of_the_person(elements: Json, person: Person) -> None:
    assert picture_of(patient=a_patient(**elements)).person == person


FLORIS = {"use": "usual", "given": ["Floris"], "family": "Example"}
NAMES = [
    # names, the one to know the patient by
    ([FLORIS], "Floris Example"),
    ([FLORIS, {"use": "official", "given": ["Floris", "Jan"], "family": "Example"}], "Floris Jan Example"),
    ([{"use": "old", "family": "Former"}, FLORIS], "Floris Example"),
    ([{"text": "Example, F."}], "Example, F."),
    ([{"use": "official"}, FLORIS], "Floris Example"),
    ([{"use": "old", "family": "Former"}], ""),
    ([], ""),
    ([{"text": "Ex\u202eample\n<b>"}], "Ex ample ‹b>"),
]


@pytest.mark.parametrize(("names", "known_by"), NAMES)
def test_the_name_to_know_a_patient_by(names: list[Json], known_by: str) -> None:
    person = picture_of(patient=a_patient(name=names, birthDate="1957-05")).person
    assert (person.name, person.born_written) == (known_by, "1957-05")


def test_another_patients_resource_tells_nothing_and_a_missing_one_is_noted() -> None:
    picture = picture_of(patient={"resourceType": "Patient", "id": "p2", "birthDate": "1957-05-01"})
    assert picture.person == Person()
    assert note_codes(picture) == {"other-patient"}


def klass(code: str) -> Json:
    return {"system": f"{TERMINOLOGY}/v3-ActCode", "code": code}


def an_encounter(identity: str = "stay", **elements: Any) -> Json:
    whole = {
        "status": "in-progress",
        "class": klass("IMP"),
        "period": {"start": "2026-02-27T09:00:00Z"},
    } | elements
    return a_resource("Encounter", identity, **whole)


@pytest.mark.parametrize(
    ("elements", "in_progress", "inpatient"),
    [
        ({}, True, True),
        ({"class": klass("ACUTE")}, True, True),
        ({"class": klass("NONAC")}, True, True),
        ({"class": klass("AMB")}, True, False),
        ({"class": klass("EMER")}, True, False),
        ({"class": {"code": "IMP"}}, True, True),  # R4 binds the element to ActCode; some servers leave the system out
        ({"class": None}, True, True),
        ({"status": "onleave"}, True, True),
        ({"status": "arrived"}, True, True),
        ({"status": "finished"}, False, True),
        ({"status": "unknown"}, True, True),  # not known to be over: the watch goes on
    ],
)
def test_where_the_stay_stands(elements: Json, in_progress: bool, inpatient: bool) -> None:
    stay = picture_of(an_encounter(**elements)).stay
    assert stay is not None
    assert (stay.in_progress, stay.inpatient) == (in_progress, inpatient)
    assert stay.admitted == datetime(2026, 2, 27, 9, tzinfo=UTC)
    assert stay.source == "Encounter/stay/_history/1"


@pytest.mark.parametrize("status", ["planned", "cancelled", "entered-in-error"])
def test_what_never_took_place_is_no_stay(status: str) -> None:
    assert picture_of(an_encounter(status=status)).stay is None


@pytest.mark.parametrize(
    "other",
    [
        {"status": "finished", "period": {"start": "2026-03-01T09:00:00Z"}},
        {"class": klass("AMB"), "period": {"start": "2026-03-01T09:00:00Z"}},
        {"period": {"start": "2026-01-01T09:00:00Z"}},
        {"period": None},
        {"modifierExtension": MODIFIER, "period": {"start": "2026-03-01T09:00:00Z"}},
        {"subject": {"reference": "Patient/p2"}, "period": {"start": "2026-03-01T09:00:00Z"}},
    ],
)
def test_the_stay_that_counts_is_the_latest_inpatient_one_in_progress(other: Json) -> None:
    stay = picture_of(an_encounter("other", **other), an_encounter()).stay
    assert stay is not None
    assert stay.source == "Encounter/stay/_history/1"


def place(kind: str) -> Json:
    return concept((f"{TERMINOLOGY}/location-physical-type", kind))


A_BED = {
    "resourceType": "Location",
    "id": "b12",
    "name": "12",
    "physicalType": place("bd"),
    "partOf": {"reference": "Location/w3"},
}
A_WARD = {"resourceType": "Location", "id": "w3", "name": "Ward 3", "physicalType": place("wa")}
AT_THE_BED = {"location": {"reference": "Location/b12"}}
HOUSE = [
    A_BED,
    {**A_BED, "id": "b4", "name": "4", "partOf": {"reference": "Location/room"}},
    {**A_WARD, "id": "room", "name": "Room 12", "physicalType": place("ro"), "partOf": {"reference": "Location/w3"}},
    {**A_WARD, "partOf": {"reference": "Location/house"}},
    {"resourceType": "Location", "id": "house", "name": "House 1", "physicalType": place("bu")},
    {"resourceType": "Location", "id": "plain", "name": "Surgery"},
]


@pytest.mark.parametrize(
    ("locations", "ward", "bed"),
    [
        ([{"location": {"reference": "Location/b12"}}], "Ward 3", "12"),
        ([{"location": {"reference": "urn:uuid:bed"}}], "Ward 3", "12"),
        ([{"location": {"display": "Ward 7"}}], "Ward 7", None),
        ([{"location": {"reference": "Location/b4"}}], "Ward 3", "4"),
        ([{"location": {"reference": "Location/plain"}}], "Surgery", None),
        ([{"location": {"display": "Ward 7"}, "physicalType": place("wa")}, AT_THE_BED], "Ward 7", "12"),
        ([{"location": {"reference": "Location/missing", "display": "Ward 8"}}], "Ward 8", None),
        ([{"location": {"reference": "Location/plain"}, "status": "completed"}, AT_THE_BED], "Ward 3", "12"),
        ([{"location": {"reference": "Location/plain"}, "period": {"end": "2026-03-01"}}, AT_THE_BED], "Ward 3", "12"),
        ([{"location": {"display": "Ward 7"}, "status": "planned"}], None, None),
        ([{"location": {"display": "Ward 7"}, "status": "completed"}], None, None),
        ([{"location": {"display": "Ward 7"}, "period": {"end": "2026-03-01"}}], None, None),
        ([{"location": {"display": "Ward 7"}, "period": {"end": "2026-03-09"}, "status": "active"}], "Ward 7", None),
        ([], None, None),
    ],
)
def test_the_place_is_taken_from_the_present_locations(
    locations: list[Json], ward: str | None, bed: str | None
) -> None:
    stay = picture_of(an_encounter(location=locations), *HOUSE, aliases={"urn:uuid:bed": "Location/b12"}).stay
    assert stay is not None
    assert (stay.ward, stay.bed) == (ward, bed)
