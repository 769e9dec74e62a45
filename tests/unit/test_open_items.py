"""Who left the hospital with something of ours open: what is found, and what is not taken for nobody."""

import asyncio
import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

import httpx
import pytest

from andante import app, settings
from andante.assess import Outcome, RoundReport, Tally, find_watched
from andante.chart.open_items import OpenItems, patients_with_open_items
from andante.errors import AccessRefused
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.read import FhirReader
from andante.fhir_http.retry import RetryPolicy

Json = dict[str, Any]
OURS = "https://andante.example/fhir/identifier/advice"
QUESTIONS = {"Task": (("status", "requested"), ("_count", "500")), "CommunicationRequest": (("status", "active"),)}
NOW = datetime.fromisoformat("2031-03-27T06:30:00+00:00")


def task(ident: str, patient: str, system: str = OURS) -> Json:
    return {
        "resourceType": "Task",
        "id": ident,
        "identifier": [{"system": system, "value": ident}],
        "status": "requested",
        "intent": "proposal",
        "for": {"reference": f"Patient/{patient}"},
    }


def bundle(*resources: Any, **elements: Any) -> Json:
    entries = [{"resource": resource, "search": {"mode": "match"}} for resource in resources]
    return {"resourceType": "Bundle", "type": "searchset", "total": len(entries), "entry": entries, **elements}


async def found(answer: Callable[[httpx.Request], httpx.Response]) -> OpenItems:
    """What is found where Tasks are answered so, and nobody has a notice."""

    def serve(request: httpx.Request) -> httpx.Response:
        if request.url.path.endswith("/CommunicationRequest"):
            return httpx.Response(200, json=bundle())
        return answer(request)

    server = ServerSettings(base="https://ward.example.org/fhir", retry=RetryPolicy(attempts=1))
    async with Connection(server, transport=httpx.MockTransport(serve)) as connection:
        reader = FhirReader(connection)
        return await patients_with_open_items(reader, QUESTIONS, identifier_systems=frozenset({OURS}))


def answered(body: Json) -> Callable[[httpx.Request], httpx.Response]:
    return lambda _request: httpx.Response(200, content=json.dumps(body))


async def test_whoever_has_something_of_ours_open_is_found() -> None:
    one = await found(answered(bundle(task("t1", "p1"), task("t2", "p2"), task("t3", "p3", "https://other.example"))))
    assert one == OpenItems(patients=frozenset({"p1", "p2"}))


ILLEGIBLE = {**task("t2", "p2"), "status": ["requested"]}
NOT_WHOLE: list[tuple[str, Callable[[httpx.Request], httpx.Response], str]] = [
    ("cut off", answered(bundle(task("t1", "p1"), total=2)), "cut off"),
    ("an entry that cannot be taken apart", answered(bundle(task("t1", "p1")) | {
        "entry": [*bundle(task("t1", "p1"))["entry"], "Task/t2"], "total": 2}), "could not be read"),
    ("one of ours that is illegible", answered(bundle(task("t1", "p1"), ILLEGIBLE)), "could not be read"),
    ("no answer", lambda _request: httpx.Response(503), "could not be searched"),
    ("an answer that is none", lambda _request: httpx.Response(200, text="<html>"), "could not be searched"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "answer", "why"), NOT_WHOLE, ids=[row[0] for row in NOT_WHOLE])
async def test_what_may_have_hidden_somebody_is_told_and_makes_the_round_not_whole(
    what: str, answer: Callable[[httpx.Request], httpx.Response], why: str
) -> None:
    one = await found(answer)
    assert [why in problem.text for problem in one.problems] == [True]
    assert "p2" not in one.problems[0].text
    assert not one.complete
    assert one.patients <= {"p1"}


async def test_somebody_elses_illegible_task_is_no_concern_of_ours() -> None:
    other = {**task("t2", "p2", "https://other.example"), "status": ["requested"]}
    assert (await found(answered(bundle(other)))).complete


@pytest.mark.parametrize("status", [400, 403, 404])
async def test_a_standing_refusal_is_told_each_time_but_leaves_rounds_whole(status: int) -> None:
    """It would be the same in every round, and "not whole" would not tell of anything else any more."""
    one = await found(lambda _request: httpx.Response(status))
    assert len(one.problems) == 1
    assert one.complete


@pytest.mark.parametrize("complete", [True, False])
def test_a_report_is_whole_only_where_what_was_left_open_was_found_whole(complete: bool) -> None:
    tally = Tally()
    tally.take(Outcome(patient="Patient/p1"))
    report = RoundReport(
        now=NOW, dry_run=False, tally=tally, outcomes=(), census_complete=True, open_items_complete=complete
    )
    assert report.whole is complete


async def test_where_the_census_fails_the_search_beside_it_has_ended_too() -> None:
    """Else it would go on, unheard, beside the next round's."""
    running, ended = asyncio.Event(), False

    async def hang(request: httpx.Request) -> httpx.Response:
        nonlocal ended
        if request.url.path.endswith("/metadata"):
            statement = {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}
            return httpx.Response(200, json=statement)
        if request.url.path.endswith("/Encounter"):
            await running.wait()
            return httpx.Response(403)
        try:
            running.set()
            await asyncio.Event().wait()
        finally:
            ended = True
        raise AssertionError

    service = app.build(settings.defaults(zone="UTC"))
    server = ServerSettings(base="https://ward.example.org/fhir", retry=RetryPolicy(attempts=1))
    async with Connection(server, transport=httpx.MockTransport(hang)) as connection:
        with pytest.raises(AccessRefused):
            await find_watched(service.hospital(connection, now=NOW))
        assert ended
