"""Scopes: asked for no wider than needed, and what was granted read with suspicion."""

import pytest

from andante.fhir_http.scopes import ScopeVersion, beyond, lacking, may_read, needs_of, scope_text

NEEDS = needs_of(read=["Observation", "Task"], create=["Task", "Provenance"], update=["Task"])


def test_reading_is_by_id_and_by_search_and_deletion_is_never_asked_for() -> None:
    assert NEEDS == {"Observation": "rs", "Provenance": "c", "Task": "crus"}


def test_they_are_written_as_the_server_wants_them() -> None:
    assert scope_text(NEEDS, ScopeVersion.V2) == "system/Observation.rs system/Provenance.c system/Task.crus"
    assert (
        scope_text(NEEDS, ScopeVersion.V1)
        == "system/Observation.read system/Provenance.write system/Task.read system/Task.write"
    )


@pytest.mark.parametrize("version", ScopeVersion)
def test_what_is_granted_as_asked_lacks_nothing_and_is_no_wider(version: ScopeVersion) -> None:
    granted = scope_text(NEEDS, version)
    assert lacking(NEEDS, granted) == {}
    assert beyond(NEEDS, granted) == {}


ALL = "system/Observation.rs system/Provenance.c system/Task.crus"
LACKING = [
    # granted, what is missing
    ("", {"Observation": "rs", "Provenance": "c", "Task": "crus"}),
    ("system/*.cruds", {}),
    ("system/*.*", {}),
    ("system/*.rs", {"Provenance": "c", "Task": "cu"}),
    ("system/*.read system/Task.write", {"Provenance": "c"}),
    ("system/*.read system/*.write", {}),
    ("system/Observation.r system/Observation.s system/Provenance.c system/Task.cruds", {}),
    (ALL.replace("Observation.rs", "Observation.r"), {"Observation": "s"}),
    (ALL.replace("Observation.rs", "Observation.rs?category=laboratory"), {"Observation": "rs"}),
    (ALL.replace("Task.crus", "Task.ru"), {"Task": "cs"}),
    (ALL.replace("system/", "user/"), {"Observation": "rs", "Provenance": "c", "Task": "crus"}),
    (ALL.replace("system/", "patient/"), {"Observation": "rs", "Provenance": "c", "Task": "crus"}),
    (ALL.replace("Observation.rs", "observation.rs"), {"Observation": "rs"}),
    (ALL.replace("Observation.rs", "Observation.everything"), {"Observation": "rs"}),
    (f"openid fhirUser {ALL} launch", {}),
    ("system/Observation", {"Observation": "rs", "Provenance": "c", "Task": "crus"}),
    ("system/.rs system/ / . ? system/*.?", {"Observation": "rs", "Provenance": "c", "Task": "crus"}),
]


@pytest.mark.parametrize(("granted", "missing"), LACKING)
def test_what_was_not_granted_is_named(granted: str, missing: dict[str, str]) -> None:
    assert lacking(NEEDS, granted) == missing


BEYOND = [
    (ALL, {}),
    ("system/Observation.cruds", {"Observation": "cud"}),
    ("system/Observation.write", {"Observation": "cud"}),
    ("system/NutritionOrder.c", {"NutritionOrder": "c"}),
    ("system/NutritionOrder.write", {"NutritionOrder": "cud"}),
    ("system/*.read", {"*": "rs"}),
    ("system/*.*", {"*": "cruds"}),
    ("system/Task.*", {"Task": "d"}),
    ("system/Task.write", {}),  # version 1 has nothing narrower
    ("user/NutritionOrder.c", {}),  # not a permission of a system: of no use to us
]


@pytest.mark.parametrize(("granted", "wider"), BEYOND)
def test_what_was_granted_for_nothing_is_named(granted: str, wider: dict[str, str]) -> None:
    assert beyond(NEEDS, granted) == wider


def test_half_a_permission_to_read_is_none() -> None:
    assert not may_read({"Observation": "s"}, "Observation")
    assert not may_read({"Observation": "r"}, "Observation")
    assert may_read({"Task": "cu"}, "Task")
    assert may_read({}, "Task")
