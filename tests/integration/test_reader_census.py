"""Who is in the hospital: inpatient encounters in progress, and whether it could be read where they lie."""

import asyncio
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from reader_server import ReaderServer

from andante.chart.questions import ACT_CODES, ReadPlan
from andante.chart.reader import Census, ChartReader
from andante.errors import AccessRefused, Unreachable
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.retry import RetryPolicy

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
PLAN = ReadPlan(observation_codes=(), inbox_systems=frozenset())
KINDS = "http://terminology.hl7.org/CodeSystem/location-physical-type"


def stay(identity: str, who: str | None = "a", kind: str = "IMP", **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Encounter",
        "id": identity,
        "status": "in-progress",
        "class": {"system": ACT_CODES, "code": kind},
        **({"subject": {"reference": f"Patient/{who}"}} if who else {}),
        **more,
    }


def location(identity: str, kind: str | None, name: str, part_of: str | None = None) -> dict[str, Any]:
    typed = {"physicalType": {"coding": [{"system": KINDS, "code": kind}]}} if kind else {}
    within = {"partOf": {"reference": f"Location/{part_of}"}} if part_of else {}
    return {"resourceType": "Location", "id": identity, "name": name, **typed, **within}


async def census(server: ReaderServer, patient_id: str | None = None) -> Census:
    return await ChartReader(server.reader(), PLAN, now=NOW).census(patient_id=patient_id)


async def test_inpatients_in_progress_are_found() -> None:
    result = await census(ReaderServer([stay("1", "b"), stay("2", "a", "ACUTE"), stay("3", "c", "NONAC")]))
    assert result == Census(patients=frozenset({"a", "b", "c"}))


async def test_a_server_that_ignores_every_filter_gives_no_outpatients() -> None:
    others = [
        stay("2", "b", "AMB"),
        stay("3", "c", status="finished"),
        {**stay("4", "d"), "class": {"system": "urn:other", "code": "IMP"}},
        {key: value for key, value in stay("5", "e").items() if key != "class"},
    ]
    server = ReaderServer([stay("1"), *others], ignores_filters=frozenset({"Encounter"}))
    assert (await census(server)).patients == {"a"}
    assert (await census(server, "a")).patients == {"a"}
    assert (await census(server, "b")).patients == set()


async def test_a_patient_of_several_stays_or_on_two_pages_is_there_once() -> None:
    several = [stay("old"), stay("new", period={"start": "2026-02-20T10:00:00Z"}), stay("odd", None), stay("again")]
    result = await census(ReaderServer([*several, *several[2:]], page_size=2))
    assert result.patients == {"a"}
    assert [(problem.code, problem.reference) for problem in result.problems] == [("no-subject", "Encounter/odd")]


def place(reference: str | None = None, display: str | None = None, **more: Any) -> dict[str, Any]:
    told = {"reference": reference, "display": display}
    return {"location": {key: value for key, value in told.items() if value}, **more}


HOUSE = [
    location("bed", "bd", "Bed 4", "room"),
    location("room", "ro", "Room 12", "ward"),
    location("ward", "wa", "Ward East", "house"),
    location("house", "bu", "House 1"),
    location("plain", None, "Surgery"),
]


@pytest.mark.parametrize(
    "odd",
    [stay("odd", None), stay("odd", subject={"reference": "https://elsewhere.example.org/fhir/Patient/z"})],
)
async def test_an_inpatient_nobody_can_name_is_told(odd: dict[str, Any]) -> None:
    result = await census(ReaderServer([stay("1"), odd]))
    assert result.patients == {"a"}
    assert [(p.code, p.reference) for p in result.problems] == [("no-subject", "Encounter/odd")]


async def test_an_unreadable_encounter_leaves_the_census_incomplete() -> None:
    result = await census(ReaderServer([stay("1"), stay("odd", "b", period="yesterday")]))
    assert (result.patients, result.complete) == ({"a"}, False)


async def test_a_truncated_census_says_so() -> None:
    server = ReaderServer([stay(str(n), f"p{n}") for n in range(5)], page_size=3, paging=False)
    result = await census(server)
    assert (len(result.patients), result.complete) == (3, False)


@pytest.mark.parametrize(("status", "error"), [(401, AccessRefused), (503, Unreachable)])
async def test_a_census_that_fails_is_an_error_and_never_an_empty_hospital(status: int, error: type[Exception]) -> None:
    with pytest.raises(error):
        await census(ReaderServer([stay("1")], failing={"Encounter": status}))


# --------------------------------------------------------------------------- a search for places that fails


def in_bed(who: str, bed: str, status: str = "in-progress") -> dict[str, Any]:
    return stay(f"stay-{who}", who, status=status, location=[place(f"Location/{bed}")])


async def unplaced(server: ReaderServer, *patients: str) -> list[str]:
    """Of whom it could not be read where they lie."""
    reader = ChartReader(server.reader(), PLAN, now=NOW)
    await reader.census()
    charts = [chart async for chart in reader.charts(patients)]
    assert all(chart.incomplete == () for chart in charts)  # nothing that is advised rests on it
    return sorted(chart.patient_id for chart in charts if chart.unplaced)


def patients(*names: str) -> list[dict[str, Any]]:
    return [{"resourceType": "Patient", "id": name} for name in names]


@dataclass
class Broken(ReaderServer):
    """Answers 500 to a search for Locations that names this one."""

    place: str = ""

    def answer(self, request: httpx.Request) -> httpx.Response:
        if request.url.path.endswith("/Location") and self.place in request.url.params.get("_id", "").split(","):
            self.requests.append(request)
            return httpx.Response(500)
        return super().answer(request)


TWO = [*patients("a", "b"), in_bed("a", "bed"), in_bed("b", "plain"), *HOUSE]


async def test_a_search_for_places_that_fails_is_not_taken_for_no_ward() -> None:
    assert await unplaced(ReaderServer(TWO), "a", "b") == []
    assert await unplaced(Broken(TWO, place="plain"), "a", "b") == ["a", "b"]


async def test_only_those_whose_own_ward_was_not_read_are_concerned_on_whatever_level() -> None:
    assert await unplaced(Broken(TWO, place="room"), "a", "b") == ["a"]
    assert await unplaced(Broken(TWO, place="house"), "a", "b") == ["a"]


async def test_a_place_that_is_not_there_or_a_server_without_places_is_no_failure() -> None:
    assert await unplaced(ReaderServer([*patients("a"), in_bed("a", "missing")]), "a") == []
    assert await unplaced(ReaderServer(TWO, failing={"Location": 404}), "a", "b") == []  # as its statement says too


async def test_who_is_on_leave_is_placed_though_no_census_names_them() -> None:
    away = [*patients("a"), in_bed("a", "bed", "onleave"), *HOUSE]
    assert await unplaced(ReaderServer(away), "a") == []
    reader = ChartReader(ReaderServer(away).reader(), PLAN, now=NOW)
    [chart] = [chart async for chart in reader.charts(["a"])]
    assert "Location/ward" in {location.key for location in chart.locations}
    assert await unplaced(Broken(away, place="bed"), "a") == ["a"]


async def test_each_place_is_asked_for_once_a_round_also_where_it_fails() -> None:
    server = Broken(TWO, place="plain")
    await unplaced(server, "a", "b")
    assert len(server.asked("Location")) == 2  # one search, tried twice


@pytest.mark.parametrize(("broken", "without_a_place"), [("", []), ("bed", ["a", "b"])])
async def test_a_group_waits_for_the_places_another_is_reading(broken: str, without_a_place: list[str]) -> None:
    away = [*patients("a", "b"), in_bed("a", "bed", "onleave"), in_bed("b", "bed", "onleave"), *HOUSE]
    server = Broken(away, place=broken)

    async def slowly(request: httpx.Request) -> httpx.Response:
        if request.url.path.endswith("/Location"):
            await asyncio.sleep(0.05)  # longer than the other group needs for everything else
        return server.answer(request)

    settings = ServerSettings(base="https://ward.example.org/fhir", retry=RetryPolicy(attempts=1))
    async with Connection(settings, transport=httpx.MockTransport(slowly)) as connection:
        reader = ChartReader(FhirReader(connection), replace(PLAN, group_size=1), now=NOW)
        charts = [chart async for chart in reader.charts(["a", "b"])]
    assert sorted(chart.patient_id for chart in charts if chart.unplaced) == without_a_place
    if not broken:
        assert [{place.id for place in chart.locations} >= {"bed", "ward"} for chart in charts] == [True, True]
