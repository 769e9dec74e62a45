"""The chart reader on our sandbox and on servers written by others: everybody, everything, and nothing of others.

The charts of the fictional hospital on the morning of day 3, and beside them people who are no inpatients: what a
server gives without being asked must not get into anybody's chart.
"""

from dataclasses import replace

import httpx
import pytest
from lanternmoor import MORNING, ZONE, Json, charts, known_at, patient_of
from servers.launch import Server
from servers.loading import put_all

from andante import app, settings
from andante.chart.chart import Chart
from andante.chart.questions import ReadPlan
from andante.chart.reader import Census, ChartReader
from andante.chart.to_picture import to_picture
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader

KNOWN = known_at(MORNING)
CHARTS = charts(KNOWN)
SERVICE = app.build(settings.defaults(zone=ZONE))
PLAN = SERVICE.plan
ACT = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
SHARED = ("Location/", "Medication/")  # of nobody's own, in the chart because something of it points there


def _visitor(name: str, status: str, kind: str) -> list[Json]:
    """Somebody with an encounter, and an active order for feed."""
    return [
        {"resourceType": "Patient", "id": name},
        {
            "resourceType": "Encounter",
            "id": f"{name}-visit",
            "status": status,
            "class": {"system": ACT, "code": kind},
            "subject": {"reference": f"Patient/{name}"},
            "period": {"start": "2031-03-20T09:00:00Z"},
        },
        {
            "resourceType": "NutritionOrder",
            "id": f"{name}-feed",
            "status": "active",
            "intent": "order",
            "patient": {"reference": f"Patient/{name}"},
            "dateTime": "2031-03-25T08:00:00Z",
        },
    ]


VISITORS = {
    "outpatient": ("in-progress", "AMB"),
    "gone-home": ("finished", "IMP"),
    "expected-tomorrow": ("planned", "IMP"),
}


@pytest.fixture(scope="module")
def server(own_server: Server) -> Server:
    with httpx.Client(base_url=own_server.base, timeout=60) as client:
        put_all(client, KNOWN.values())
        put_all(client, [body for name, (status, kind) in VISITORS.items() for body in _visitor(name, status, kind)])
    return own_server


async def read_census(server: Server, plan: ReadPlan = PLAN) -> Census:
    async with Connection(ServerSettings(base=server.base)) as connection:
        return await ChartReader(FhirReader(connection), plan, now=MORNING).census()


async def read_charts(
    server: Server, plan: ReadPlan = PLAN, *, first: int | None = None
) -> tuple[dict[str, Chart], set[str]]:
    """The charts of inpatients (the `first` few, or all), and the codes of what was remarked about the server."""
    async with Connection(ServerSettings(base=server.base)) as connection:
        reader = ChartReader(FhirReader(connection), plan, now=MORNING)
        await reader.census()  # reads the places
        wanted = [patient.removeprefix("Patient/") for patient in sorted(_inpatients())[:first]]
        found = {chart.reference: chart async for chart in reader.charts(wanted)}
        assert sorted(chart.patient_id for chart in found.values()) == wanted
        return found, {remark.code for remark in reader.remarks}


async def test_the_census_is_everybody_in_the_hospital_and_nobody_else(server: Server) -> None:
    census = await read_census(server)
    assert census.complete
    assert {f"Patient/{patient}" for patient in census.patients} == _inpatients().keys()
    assert len(census.patients) >= 30


async def test_each_chart_knows_ward_and_bed(server: Server) -> None:
    found, _ = await read_charts(server)
    stays = {
        patient: to_picture(chart, SERVICE.basis.codes, SERVICE.basis.zone).stay for patient, chart in found.items()
    }
    assert {patient: (stay.ward, stay.bed) for patient, stay in stays.items() if stay} == _inpatients()


async def test_a_chart_holds_everything_of_its_patient_and_nothing_of_others(server: Server) -> None:
    found, _ = await read_charts(server)
    assert found.keys() == _inpatients().keys()
    for patient, chart in found.items():
        assert not chart.incomplete
        held = _held(chart)
        own = {address for address in held if not address.startswith(SHARED)}
        assert own == CHARTS[patient].keys(), patient
        assert {address for address in held - own if address.startswith("Location/")} == _places_of(patient)
    kinds = {address.split("/")[0] for chart in found.values() for address in _held(chart)}
    assert kinds >= {"Observation", "NutritionOrder", "MedicationRequest", "MedicationAdministration", "Specimen"}
    assert kinds >= {"ServiceRequest", "Condition", "Flag", "Location", "Encounter", "Patient"}


async def test_orders_of_others_that_a_server_gives_unasked_are_dropped_and_it_is_said(server: Server) -> None:
    found, remarks = await read_charts(server)
    orders = {order.key for chart in found.values() for order in chart.nutrition_orders}
    assert orders == {
        address for chart in CHARTS.values() for address in chart if address.startswith("NutritionOrder/")
    }
    assert ("filters-ignored" in remarks) is ("nutrition-order-search" in server.lacks)


async def test_answers_cut_short_in_silence_are_asked_for_in_smaller_groups(server: Server) -> None:
    """One page holds what any one patient has, and not what a group has; a server without paging stops there."""
    most = max(sum(address.startswith("Observation/") for address in chart) for chart in CHARTS.values())
    found, _ = await read_charts(server, replace(PLAN, page_size=most + 1), first=8)
    assert sum(len(chart.observations) for chart in found.values()) > 3 * most
    for patient, chart in found.items():
        assert not chart.incomplete
        assert _held(chart) >= CHARTS[patient].keys(), patient


async def test_what_cannot_be_had_whole_is_called_incomplete(server: Server) -> None:
    """Pages too small for any patient: everything comes in pages, or what is missing is named."""
    plan = replace(PLAN, page_size=3)
    census, (found, _) = await read_census(server, plan), await read_charts(server, plan, first=4)
    missing = {
        patient: {address.split("/")[0] for address in CHARTS[patient].keys() - _held(chart)}
        for patient, chart in found.items()
    }
    assert all(missing[patient] <= set(chart.incomplete) for patient, chart in found.items())
    assert census.complete is ("paging" not in server.lacks)
    assert any(missing.values()) is ("paging" in server.lacks)


def _held(chart: Chart) -> set[str]:
    return {resource.key for resource in chart.resources()}


def _inpatients() -> dict[str, tuple[str, str]]:
    """Ward and bed of everybody whose encounter is in progress, by the charts themselves."""
    return {
        str(patient_of(resource)): _ward_and_bed(resource)
        for resource in KNOWN.values()
        if resource["resourceType"] == "Encounter" and resource["status"] == "in-progress"
    }


def _ward_and_bed(encounter: Json) -> tuple[str, str]:
    [bed] = [place["location"]["reference"] for place in encounter["location"] if "end" not in place["period"]]
    ward = KNOWN[bed]["partOf"]["reference"]
    return KNOWN[ward]["name"], KNOWN[bed]["name"]


def _places_of(patient: str) -> set[str]:
    """Every bed and ward its encounter has been to."""
    encounters = (body for body in CHARTS[patient].values() if body["resourceType"] == "Encounter")
    beds = {place["location"]["reference"] for body in encounters for place in body["location"]}
    return beds | {KNOWN[bed]["partOf"]["reference"] for bed in beds}
