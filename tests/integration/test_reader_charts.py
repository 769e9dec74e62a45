"""Charts of many patients out of one server: whole where it works, named as incomplete where it does not."""

from contextlib import aclosing
from datetime import UTC, datetime
from typing import Any

import pytest
from reader_server import BASE, ReaderServer

from andante.chart.chart import Chart
from andante.chart.questions import ReadPlan
from andante.chart.reader import ChartReader

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
LOINC = "http://loinc.org"
PLAN = ReadPlan(observation_codes=(f"{LOINC}|2823-3", f"{LOINC}|29463-7"), inbox_systems=frozenset({"urn:andante"}))


def patient(identity: str) -> dict[str, Any]:
    return {"resourceType": "Patient", "id": identity}


def about(kind: str, identity: str, who: str, **elements: Any) -> dict[str, Any]:
    key = "patient" if kind == "NutritionOrder" else "for" if kind == "Task" else "subject"
    return {"resourceType": kind, "id": identity, key: {"reference": f"Patient/{who}"}, **elements}


def lab(identity: str, who: str, when: str = "2026-03-02T05:00:00Z", code: str = "2823-3") -> dict[str, Any]:
    coded = {"coding": [{"system": LOINC, "code": code}]}
    return about("Observation", identity, who, status="final", code=coded, effectiveDateTime=when)


async def charts(server: ReaderServer, *patients: str, plan: ReadPlan = PLAN, **settings: Any) -> dict[str, Chart]:
    reader = ChartReader(server.reader(**settings), plan, now=NOW)
    return {chart.patient_id: chart async for chart in reader.charts(patients)}


WARD = [
    thing
    for who in ("a", "b", "c")
    for thing in (
        patient(who),
        about("Encounter", f"e-{who}", who, status="in-progress"),
        lab(f"k-{who}", who),
        about("NutritionOrder", f"n-{who}", who, status="active"),
        about("Condition", f"c-{who}", who),
    )
]


async def test_each_patient_gets_a_whole_chart_of_their_own() -> None:
    found = await charts(ReaderServer(WARD), "a", "b", "c")
    assert sorted(found) == ["a", "b", "c"]
    for who, chart in found.items():
        assert {resource.key for resource in chart.resources()} == {
            f"Patient/{who}",
            f"Encounter/e-{who}",
            f"Observation/k-{who}",
            f"NutritionOrder/n-{who}",
            f"Condition/c-{who}",
        }
        assert (chart.incomplete, chart.problems) == ((), ())


async def test_patients_are_asked_for_in_groups_with_typed_references() -> None:
    server = ReaderServer(WARD)
    await charts(server, "a", "b", "c", "a", plan=ReadPlan(**_fields(group_size=2)))
    assert [asked["patient"] for asked in server.asked("Condition")] == ["Patient/a,Patient/b", "Patient/c"]


def _fields(**changed: Any) -> dict[str, Any]:
    return {"observation_codes": PLAN.observation_codes, "inbox_systems": PLAN.inbox_systems, **changed}


async def test_observations_are_asked_for_by_category_and_by_code_and_each_kept_once() -> None:
    server = ReaderServer([patient("a"), lab("k", "a")])
    chart = (await charts(server, "a"))["a"]
    assert [o.key for o in chart.observations] == ["Observation/k"]
    asked = server.asked("Observation")
    assert {"category": "laboratory", "date": "ge2026-02-15"}.items() <= asked[0].items()
    assert asked[1]["code"] == f"{LOINC}|2823-3,{LOINC}|29463-7"


async def test_pages_are_put_together() -> None:
    many = [patient("a"), *(lab(f"k{n}", "a") for n in range(25))]
    chart = (await charts(ReaderServer(many, page_size=4), "a"))["a"]
    assert (len(chart.observations), chart.incomplete) == (25, ())


async def test_a_version_seen_twice_while_paging_counts_once_and_the_newer_wins() -> None:
    old = {**lab("k", "a"), "meta": {"versionId": "1", "lastUpdated": "2026-03-02T05:00:00Z"}}
    new = {**lab("k", "a"), "meta": {"versionId": "2", "lastUpdated": "2026-03-02T05:30:00Z"}}
    chart = (await charts(ReaderServer([patient("a"), old, new, old], page_size=1), "a"))["a"]
    assert [o.reference for o in chart.observations] == ["Observation/k/_history/2"]


@pytest.mark.parametrize("refuses", [False, True])
async def test_a_server_that_ignores_filters_gives_nobody_the_orders_of_others(refuses: bool) -> None:
    ignoring = frozenset({"NutritionOrder"})
    server = ReaderServer(WARD, ignores_filters=ignoring, refuses_unknown=refuses)
    reader = ChartReader(server.reader(), PLAN, now=NOW)
    found = {chart.patient_id: chart async for chart in reader.charts(["a"])}
    assert [n.key for n in found["a"].nutrition_orders] == ["NutritionOrder/n-a"]
    assert found["a"].incomplete == ()
    assert [(p.code, p.reference) for p in reader.remarks] == [("filters-ignored", "NutritionOrder")]


async def test_what_comes_is_checked_against_code_category_and_time() -> None:
    server = ReaderServer(
        [
            patient("a"),
            lab("wanted", "a"),
            lab("other-code", "a", code="718-7"),
            lab("too-old", "a", when="2025-01-01T05:00:00Z"),
            {**lab("local-code", "a", code="X"), "category": [{"coding": [{"code": "laboratory"}]}]},
            lab("undated", "a", when=""),
        ]
    )
    chart = (await charts(server, "a"))["a"]
    assert [o.id for o in chart.observations] == ["local-code", "undated", "wanted"]


@pytest.mark.parametrize("kind", ["Patient", "Encounter", "Observation", "NutritionOrder"])
@pytest.mark.parametrize("status", [403, 404, 500, 501])
async def test_a_needed_type_that_fails_makes_the_chart_incomplete(kind: str, status: int) -> None:
    found = await charts(ReaderServer(WARD, failing={kind: status}), "a", "b")
    assert [chart.incomplete for chart in found.values()] == [(kind,), (kind,)]
    assert all(str(status) in chart.problems[0].text for chart in found.values())


@pytest.mark.parametrize("status", [400, 404, 501])
async def test_a_type_the_server_lacks_is_said_once_and_asked_for_no_more(status: int) -> None:
    server = ReaderServer(WARD, failing={"RiskAssessment": status})
    reader = ChartReader(server.reader(strict=False), ReadPlan(**_fields(group_size=1, parallel_groups=1)), now=NOW)
    found = [chart async for chart in reader.charts(["a", "b", "c"])]
    assert all(chart.incomplete == () for chart in found)
    assert [[p.code for p in chart.problems] for chart in found] == [["not-offered"]] * 3
    assert [p.code for p in reader.remarks] == ["not-offered"]
    assert len(server.asked("RiskAssessment")) < 3


@pytest.mark.parametrize("status", [401, 403, 503])
async def test_an_optional_type_that_fails_otherwise_is_an_incomplete_read(status: int) -> None:
    chart = (await charts(ReaderServer(WARD, failing={"MedicationAdministration": status}), "a"))["a"]
    assert chart.incomplete == ("MedicationAdministration",)


async def test_one_patients_poisoned_data_leave_the_others_whole() -> None:
    patients = [chr(97 + n) for n in range(12)]
    ward = [thing for who in patients for thing in (patient(who), lab(f"k-{who}", who))]
    server = ReaderServer(ward, poison=lambda resource: resource["id"] == "k-f")
    found = await charts(server, *patients)
    assert {who: chart.incomplete for who, chart in found.items() if chart.incomplete} == {"f": ("Observation",)}
    assert all(len(chart.observations) == 1 for who, chart in found.items() if who != "f")


async def test_an_unreadable_resource_is_a_problem_of_its_own_patient_only() -> None:
    found = await charts(ReaderServer([*WARD, {**lab("bad", "b"), "valueQuantity": 7}]), "a", "b", "c")
    assert {who: [p.reference for p in chart.problems] for who, chart in found.items()} == {
        "a": [],
        "b": ["Observation/bad"],
        "c": [],
    }
    assert all(chart.incomplete == () for chart in found.values())


async def test_truncated_answers_are_split_until_they_are_whole() -> None:
    many = [thing for who in "abcd" for thing in (patient(who), *(lab(f"{who}{n}", who) for n in range(3)))]
    server = ReaderServer(many, page_size=4, paging=False)
    found = await charts(server, *"abcd")
    assert [(len(chart.observations), chart.incomplete) for chart in found.values()] == [(3, ())] * 4


async def test_an_answer_truncated_for_one_patient_alone_is_incomplete() -> None:
    many = [patient("a"), patient("b"), *(lab(f"k{n}", "a") for n in range(9)), lab("k", "b")]
    found = await charts(ReaderServer(many, page_size=4, paging=False), "a", "b")
    assert {who: chart.incomplete for who, chart in found.items()} == {"a": ("Observation",), "b": ()}


async def test_a_server_that_is_away_is_not_asked_in_ever_smaller_groups() -> None:
    server = ReaderServer(WARD, failing={"Observation": 429})
    await charts(server, "a", "b", "c", retry_pool=0)
    assert len(server.asked("Observation")) == 2  # one for each of the two questions


async def test_a_subject_on_another_server_is_not_this_patient() -> None:
    away = {**lab("away", "a"), "subject": {"reference": "https://elsewhere.example.org/fhir/Patient/a"}}
    home = {**lab("home", "a"), "subject": {"reference": f"{BASE}/Patient/a"}}
    server = ReaderServer([patient("a"), away, home], ignores_filters=frozenset({"Observation"}))
    chart = (await charts(server, "a"))["a"]
    assert [o.id for o in chart.observations] == ["home"]
    assert [(p.code, p.reference) for p in chart.problems] == [("unresolved-subject", "Observation/away")]


async def test_medications_are_read_where_they_are_pointed_to() -> None:
    drip = {
        "resourceType": "Medication",
        "id": "drip",
        "ingredient": [{"itemReference": {"reference": "Medication/d"}}],
    }
    dextrose = {"resourceType": "Medication", "id": "d"}
    given = about("MedicationAdministration", "g", "a", medicationReference={"reference": "Medication/drip"})
    ward = [patient("a"), patient("b"), given, drip, dextrose, {"resourceType": "Medication", "id": "unused"}]
    found = await charts(ReaderServer(ward), "a", "b")
    assert [m.id for m in found["a"].medications] == ["d", "drip"]
    assert found["b"].medications == ()
    broken = await charts(ReaderServer(ward, failing={"Medication": 500}), "a", "b")
    assert (broken["a"].incomplete, broken["b"].incomplete) == (("Medication",), ())


async def test_many_groups_come_out_complete_whatever_their_order() -> None:
    patients = [f"p{n}" for n in range(50)]
    ward = [thing for who in patients for thing in (patient(who), lab(f"k-{who}", who))]
    found = await charts(ReaderServer(ward), *patients, plan=ReadPlan(**_fields(group_size=3)))
    assert sorted(found) == sorted(patients)
    assert all(len(chart.observations) == 1 for chart in found.values())


async def test_leaving_early_leaves_nothing_running() -> None:
    reader = ChartReader(ReaderServer(WARD).reader(), ReadPlan(**_fields(group_size=1)), now=NOW)
    async with aclosing(reader.charts(["a", "b", "c"])) as stream:
        assert (await anext(stream)).patient_id in "abc"
